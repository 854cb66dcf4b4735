"""One die map: which die positions a wafer has, what bin each die fell in, and which bins may be picked.

Die coordinates (x, y) are those of the map's own origin and axis directions. Where the file draws the wafer turned
(orientation not 0), its rows are first turned back until the notch points down, and origin and axes are applied to
that picture; whoever states `as_drawn` has them applied to the rows as they stand. The origin die is (0, 0) unless
another first number is stated. In a CSV the coordinates are the file's own x and y.

Inside, `grid[y - y_min, x - x_min]` is the number of the bin in `table`, in a byte where that is enough; 0 means that there is no die.
The *index* of a position is (y - y_min) * width + (x - x_min): row by row from the lowest y, in each row from the
lowest x. It numbers the bits of a bitmap of dies (little bit order) and the dies of a placement.
"""

import json
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from isal import isal_zlib
from numpy.typing import ArrayLike, NDArray

NO_DIE = 0
FARTHEST = 32767  # coordinates go from -FARTHEST to FARTHEST: two of them fit into 32 bits
Cells = NDArray[np.uint8] | NDArray[np.uint16]
_HEAD = struct.Struct("<4sI")
_CELLS, _RUNS = b"DMP1", b"DMP2"
_IN_HEAD = ("format", "wafer", "lot", "product", "origin", "axis", "orientation", "as_drawn", "null_code", "x_min", "y_min")


@dataclass(frozen=True)
class Bin:
    """A die bin. `quality` is pass, fail, or none for no die; `count` is counted, `declared` as the file says."""

    code: str
    quality: str
    description: str = ""
    count: int = 0
    declared: int | None = None


@dataclass(frozen=True)
class Stated:
    """What the sender says about a file where the file is silent. A statement that contradicts the file is refused."""

    origin: str | None = None  # UpperLeft, lower right, or a SEMI number 0 to 4
    axis: str | None = None  # DownRight, UpRight, DownLeft, UpLeft: where y and x grow
    orientation: str | None = None  # degrees clockwise of the notch from bottom, or bottom, left, top, right
    null: str | None = None  # the code that means no die; empty: there is none, every position is a die
    passing: tuple[str, ...] = ()  # of the wafer's part, where the file does not say which bins pass
    wafer: str | None = None
    map_name: str | None = None  # which overlay, where a file has several of one wafer
    rows: int | None = None
    columns: int | None = None
    as_drawn: bool = False  # coordinates count in the rows as drawn, not with the notch down
    first: int = 0  # what the file's coordinates call the die at the origin: 0 or 1


@dataclass(frozen=True, eq=False)
class DieMap:
    """A die map in its canonical form (see the top of this file); `origin`, `axis` and `orientation` are as read."""

    format: str
    wafer: str | None
    lot: str | None
    product: str | None
    origin: str | None  # None in a CSV
    axis: str
    orientation: int
    as_drawn: bool
    null_code: str | None
    table: tuple[Bin, ...]  # table[0] stands for no die
    grid: Cells
    x_min: int
    y_min: int
    values: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)  # what else was measured of each die, by index; NaN where nothing

    @property
    def width(self) -> int:
        return int(self.grid.shape[1])

    @property
    def height(self) -> int:
        return int(self.grid.shape[0])

    @property
    def x_max(self) -> int:
        return self.x_min + self.width - 1

    @property
    def y_max(self) -> int:
        return self.y_min + self.height - 1

    @property
    def positions(self) -> int:
        return int(self.grid.size)

    @property
    def rows(self) -> int:
        """As the file draws them."""
        return self.width if self._is_turned else self.height

    @property
    def columns(self) -> int:
        return self.height if self._is_turned else self.width

    @property
    def gross(self) -> int:
        return sum(entry.count for entry in self.table[1:])

    @property
    def passing(self) -> int:
        return sum(entry.count for entry in self.table[1:] if entry.quality == "pass")

    @property
    def failing(self) -> int:
        return self.gross - self.passing

    def exists(self) -> NDArray[np.bool_]:
        """By index: is there a die?"""
        there: NDArray[np.bool_] = self.grid.ravel() != NO_DIE
        return there

    def passes(self) -> NDArray[np.bool_]:
        """By index: is there a die, and does its bin pass?"""
        good: NDArray[np.bool_] = np.array([entry.quality == "pass" for entry in self.table])[self.grid.ravel()]
        return good

    def index_of(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.int32]:
        """Index of each position; -1 outside the map."""
        column = np.asarray(x, dtype=np.int64) - self.x_min
        row = np.asarray(y, dtype=np.int64) - self.y_min
        inside = (column >= 0) & (column < self.width) & (row >= 0) & (row < self.height)
        return np.where(inside, row * self.width + column, -1).astype(np.int32)

    def coordinates_of(self, index: ArrayLike) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """x and y of each index."""
        row, column = np.divmod(np.asarray(index, dtype=np.int32), np.int32(self.width))
        return column + np.int32(self.x_min), row + np.int32(self.y_min)

    def bin_at(self, x: int, y: int) -> Bin | None:
        """The bin of the die there, or None where there is no die."""
        index = int(self.index_of(x, y))
        number = NO_DIE if index < 0 else int(self.grid.ravel()[index])
        return None if number == NO_DIE else self.table[number]

    def values_at(self, x: int, y: int) -> dict[str, float]:
        """What else was measured of the die there."""
        index = int(self.index_of(x, y))
        return {name: float(of[index]) for name, of in self.values.items() if index >= 0 and np.isfinite(of[index])}

    def picture(self) -> Cells:
        """Bin numbers as a person sees the wafer: notch down (or as drawn, where that was stated), upper row first."""
        rows = self.grid if self.axis.startswith("Down") else self.grid[::-1]
        return rows if self.axis.endswith("Right") else rows[:, ::-1]

    @property
    def _is_turned(self) -> bool:
        return self.orientation % 180 == 90 and not self.as_drawn


def kind_of_cells(table: Sequence[Bin]) -> np.dtype[Any]:
    """Of the numbers of these bins."""
    return np.dtype("u1" if len(table) <= 256 else "<u2")


def dump(die_map: DieMap) -> bytes:
    """Compact bytes for a row of the database: head as JSON, then the grid bin by bin, little-endian, packed as zlib has it."""
    kind = kind_of_cells(die_map.table)
    head = {name: getattr(die_map, name) for name in _IN_HEAD}
    head |= {"table": [vars(entry) for entry in die_map.table], "shape": list(die_map.grid.shape), "item": kind.itemsize}
    packed = {name: _packed(np.ascontiguousarray(values, dtype="<f4")) for name, values in die_map.values.items()}
    if packed:
        head["values"] = [[name, len(each)] for name, each in packed.items()]
    text = json.dumps(head, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    grid = _packed(np.ascontiguousarray(die_map.grid, dtype=kind))
    return _HEAD.pack(_CELLS, len(text)) + text + grid + b"".join(packed.values())


def _packed(values: NDArray[Any]) -> bytes:
    """In a third of the time that zlib takes, at its quickest, for about as many bytes."""
    return isal_zlib.compress(values, 1)


def _from_runs(packed: bytes, kind: str) -> NDArray[Any]:
    """As an earlier version packed most maps: the bin of each run, then its length."""
    first = isal_zlib.decompressobj()
    bins_and_high = first.decompress(packed)
    low = isal_zlib.decompress(first.unused_data)
    lengths = np.frombuffer(low + bins_and_high[-3 * len(low) :], dtype=np.uint8).reshape(4, -1).T.copy().view("<u4").ravel()
    return np.repeat(np.frombuffer(bins_and_high, dtype=kind, count=len(low)), lengths)


def load(packed: bytes) -> DieMap:
    """The map that `dump` packed."""
    magic, length = _HEAD.unpack_from(packed)
    if magic not in (_CELLS, _RUNS):
        raise ValueError("these bytes are not a die map")
    head: dict[str, Any] = json.loads(packed[_HEAD.size : _HEAD.size + length])
    sizes = head.pop("values", [])
    end = len(packed) - sum(size for _, size in sizes)
    kind, body = "u1" if head.pop("item") == 1 else "<u2", packed[_HEAD.size + length : end]
    cells = _from_runs(body, kind) if magic == _RUNS else np.frombuffer(isal_zlib.decompress(body), dtype=kind)
    grid = cells.reshape(head.pop("shape"))
    table = tuple(Bin(**entry) for entry in head.pop("table"))
    values = {}
    for name, size in sizes:
        values[name] = np.frombuffer(isal_zlib.decompress(packed[end : end + size]), dtype="<f4")
        end += size
    return DieMap(table=table, grid=grid, values=values, **head)
