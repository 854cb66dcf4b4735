"""Cells of a panel as a bitmap: cell (row, column), counted from 1, is bit (row-1)*columns + (column-1), lowest bit first."""

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from app.errors import BadInput, Reason

Bitmap = NDArray[np.uint8]
Cell = tuple[int, int]


def bitmap_of(cells: Iterable[Cell], rows: int, columns: int) -> Bitmap:
    """The bitmap of these cells. A cell that the panel does not have is bad input."""
    flags = np.zeros(rows * columns, dtype=bool)
    outside = []
    for row, column in cells:
        if 1 <= row <= rows and 1 <= column <= columns:
            flags[(row - 1) * columns + column - 1] = True
        else:
            outside.append((row, column))
    if outside:
        raise _no_such_cells(outside, rows, columns)
    return np.packbits(flags, bitorder="little")


def cells_of(bitmap: Bitmap, columns: int) -> list[Cell]:
    """The cells of a bitmap, row by row."""
    return [(i // columns + 1, i % columns + 1) for i in indices(bitmap).tolist()]


def indices(bitmap: Bitmap) -> NDArray[np.int64]:
    """The cells of a bitmap, each by its bit, in order."""
    return np.flatnonzero(np.unpackbits(bitmap, bitorder="little"))


def full(rows: int, columns: int) -> Bitmap:
    """Every cell of a panel; the bits that pad the last byte are not set."""
    return _full(rows * columns).copy()


@lru_cache(maxsize=64)
def _full(cells: int) -> Bitmap:
    return np.packbits(np.ones(cells, dtype=bool), bitorder="little")


def empty(rows: int, columns: int) -> Bitmap:
    return np.zeros(-(-rows * columns // 8), dtype=np.uint8)


def read(stored: bytes) -> Bitmap:
    return np.frombuffer(stored, dtype=np.uint8)


def count(bitmap: Bitmap) -> int:
    return int(np.bitwise_count(bitmap).sum())


def as_number(bitmap: Bitmap) -> int:
    """The same bits as a whole number, in which sets of a few cells are sooner joined and counted."""
    return int.from_bytes(bitmap.tobytes(), "little")


def of_number(cells: int, like: Bitmap) -> Bitmap:
    """A whole number of such bits as a bitmap, as large as another."""
    return read(cells.to_bytes(len(like), "little"))


def _no_such_cells(outside: list[Cell], rows: int, columns: int) -> BadInput:
    why = f"This panel has {rows} rows and {columns} columns, counted from 1."
    reasons = [Reason("bad_input", why, "Correct the row and column.", f"row {row}, column {column}") for row, column in outside[:20]]
    return BadInput("The panel has no such cell.", *reasons)
