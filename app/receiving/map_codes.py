"""Rows of bin codes, as a file writes them, to a grid of numbers: no loop over dies where the rows are regular."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.errors import bad_input

MOST_CODES = 4096
MOST_POSITIONS = 10_000_000  # our choice: a 300 mm wafer of 0.1 x 0.1 mm dies has 7 million
MOST_CHARACTERS = 8


@dataclass(frozen=True)
class Row:
    text: str
    line: int
    element: str = "row"

    @property
    def where(self) -> str:
        return f"line {self.line}, {self.element}"


@dataclass(frozen=True)
class Drawn:
    """A grid as drawn: `grid[row, column]` is the number of a code in `codes`."""

    grid: NDArray[np.uint16]
    codes: tuple[str, ...]


def read_rows(what: str, rows: list[Row], width: int) -> Drawn:
    """Rows whose every code has `width` characters, with nothing between them."""
    _refuse_empty(what, rows)
    length = len(rows[0].text)
    for row in rows:
        if len(row.text) != length or length % width:
            raise _ragged(what, row, length, width)
    _refuse_large(what, len(rows), length // width)
    letters = _letters("".join(row.text for row in rows)).reshape(len(rows), length // width, width)
    return _number(what, letters)


def read_separated_rows(what: str, rows: list[Row]) -> Drawn:
    """Rows whose codes stand apart by spaces."""
    _refuse_empty(what, rows)
    even = _evenly_spaced(rows)
    if even is not None:
        _refuse_large(what, even.shape[0], even.shape[1])
        return _number(what, even)
    split = [row.text.split() for row in rows]
    for row, codes in zip(rows, split, strict=True):
        if len(codes) != len(split[0]):
            why = f"This row has {len(codes)} codes; the first has {len(split[0])}."
            raise bad_input(what, row.where, why, "Every row needs one code for each column; write the null code where there is no die.")
    _refuse_large(what, len(split), len(split[0]))
    known = sorted({code for codes in split for code in codes})
    _refuse_many(what, len(known), max(map(len, known)))
    number = {code: n for n, code in enumerate(known)}
    grid = np.array([[number[code] for code in codes] for codes in split], dtype=np.uint16)
    return Drawn(grid, tuple(known))


def _refuse_empty(what: str, rows: list[Row]) -> None:
    if not rows:
        raise bad_input(what, "the grid", "There are no rows of bin codes.", "Expected a row of codes for every row of dies.")
    empty = next((row for row in rows if not row.text), None)
    if empty is not None:
        raise bad_input(what, empty.where, "This row is empty.", "Write the null code where there is no die.")


def _ragged(what: str, row: Row, length: int, width: int) -> Exception:
    why = f"This row has {len(row.text)} characters; the first row has {length}, and a code has {width}."
    return bad_input(what, row.where, why, "Every row needs one code for each column; write the null code where there is no die.")


def _refuse_large(what: str, rows: int, columns: int) -> None:
    if rows * columns > MOST_POSITIONS:
        why = f"{columns} columns by {rows} rows are more than {MOST_POSITIONS} positions."
        raise bad_input(what, "the grid", why, "Check that this is the map of one wafer.")


def _refuse_many(what: str, codes: int, longest: int) -> None:
    if codes > MOST_CODES:
        raise bad_input(what, "the grid", f"It has {codes} different codes; a map has at most {MOST_CODES}.", "Check that this is a map of bins.")
    if longest > MOST_CHARACTERS:
        why = f"A code has {longest} characters; at most {MOST_CHARACTERS} are read."
        raise bad_input(what, "the grid", why, "Check that this is a map of bins.")


def _letters(text: str) -> NDArray[np.uint32] | NDArray[np.uint8]:
    """One number a character: bytes where all is ASCII."""
    if text.isascii():
        return np.frombuffer(text.encode("ascii"), dtype=np.uint8)
    return np.frombuffer(text.encode("utf-32-le"), dtype="<u4")


def _evenly_spaced(rows: list[Row]) -> NDArray[np.uint8] | None:
    """The letters as [row, column, letter] where all codes have one width and one space between them."""
    first = rows[0].text
    width, length = len(first.split(" ", 1)[0]), len(first)
    if width > MOST_CHARACTERS or (length + 1) % (width + 1) or any(len(row.text) != length for row in rows):
        return None
    text = " ".join(row.text for row in rows) + " "
    if not text.isascii():
        return None
    cells = np.frombuffer(text.encode("ascii"), dtype=np.uint8).reshape(len(rows), -1, width + 1)
    spaces = cells == ord(" ")
    if not spaces[:, :, width].all() or spaces[:, :, :width].any() or (cells < ord(" ")).any():
        return None
    return cells[:, :, :width]


def _number(what: str, letters: NDArray[np.uint8] | NDArray[np.uint32]) -> Drawn:
    """Give every distinct code a number."""
    rows, columns, width = letters.shape
    if width > MOST_CHARACTERS:
        _refuse_many(what, 0, width)
    keys, base = _keys(letters)
    if keys is None:  # long codes in other scripts: rare, so the slow way
        texts = ["".join(map(chr, cell)) for cell in letters.reshape(-1, width).tolist()]
        found, inverse = np.unique(np.array(texts), return_inverse=True)
        codes = [str(code) for code in found]
    elif base <= 1 << 17:
        seen = np.zeros(base, dtype=bool)
        seen[keys] = True
        values = np.flatnonzero(seen)
        numbers = np.zeros(base, dtype=np.uint16)
        _refuse_many(what, len(values), width)
        numbers[values] = np.arange(len(values), dtype=np.uint16)
        inverse = numbers[keys]
        codes = _texts(letters, keys, values)
    else:
        values, inverse = np.unique(keys, return_inverse=True)
        codes = _texts(letters, keys, values)
    _refuse_many(what, len(codes), width)
    return Drawn(inverse.reshape(rows, columns).astype(np.uint16), tuple(codes))


def _keys(letters: NDArray[np.uint8] | NDArray[np.uint32]) -> tuple[NDArray[np.int64] | None, int]:
    """One whole number a code, and one more than the greatest possible: small, so that counting can replace sorting."""
    width = letters.shape[2]
    flat = letters.reshape(-1, width)
    if letters.dtype != np.uint8:
        return (flat[:, 0].astype(np.int64), 0x110000) if width == 1 else (None, 0)
    if 3 <= width <= 5 and ((flat >= 48) & (flat <= 57)).all():
        return _weigh(flat, 48, 10), 10**width
    return _weigh(flat, 0, 128), 128**width if width <= 2 else 1 << 62


def _weigh(flat: NDArray[np.uint8] | NDArray[np.uint32], zero: int, base: int) -> NDArray[np.int64]:
    key = flat[:, 0].astype(np.int64) - zero
    for place in range(1, flat.shape[1]):
        key = key * base + (flat[:, place] - zero)
    return key


def _texts(letters: NDArray[np.uint8] | NDArray[np.uint32], keys: NDArray[np.int64], values: NDArray[np.int64]) -> list[str]:
    """The code behind each key, from one position that has it."""
    flat = letters.reshape(len(keys), -1)
    return ["".join(map(chr, flat[int(np.argmax(keys == value))])) for value in values]
