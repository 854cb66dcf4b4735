"""Judges placements against maps and panels: does the die exist, did it pass, was it used before; does the cell exist, is it free?

What happened is recorded even if it broke a rule: every placement on an existing cell goes into a layer, and the cells
concerned are marked. Faults go by the order of the log: of two lines that use one die or fill one cell, the later is at fault.
All wafers of one call have the same role: a cell takes one die of each role. Whether the role is right is asked elsewhere.
A line that says what an earlier log said (same die on the same cell, or same die lost) is the same fact, whatever its time.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from app.floor.packed_dies import bitmap_of_dies, die_numbers, flags_of, pack_dies, unpack_dies
from app.floor.placement_logs import LOST, PlacementLog
from app.receiving.die_map import DieMap

NO_DIE, FAILED, USED_BEFORE, NO_CELL, FILLED_TWICE = (
    "die not on the map",
    "die failed",
    "die used before",
    "cell not on the panel",
    "cell filled twice",
)
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Layer:
    """Dies of one wafer on cells of one panel, at most one a cell: a row of the record. A second die on a cell is in a second layer."""

    panel: str
    wafer: str
    cells: bytes  # bitmap
    dies: bytes  # in cell order, packed
    n: int


@dataclass(frozen=True)
class WaferBefore:
    """A wafer and its dies that earlier logs used: `used` are all that left it, `lost` those of them that sit on no cell."""

    map: DieMap
    used: bytes = b""
    lost: bytes = b""


@dataclass(frozen=True)
class PanelBefore:
    """A panel, the cells that already have a die of this role, and the layers in which earlier logs say so."""

    rows: int
    columns: int
    occupied: bytes = b""
    known: tuple[Layer, ...] = ()


@dataclass(frozen=True)
class Mark:
    reason: str
    cells: bytes
    n: int


@dataclass(frozen=True)
class PanelChecked:
    panel: str
    layers: tuple[Layer, ...]
    marks: tuple[Mark, ...]  # one a reason
    placed: int  # lines with a die on one of its cells
    wrong: int  # lines at fault, those without an existing cell included
    failing: int  # dies that failed, or are not on the map


@dataclass(frozen=True)
class WaferChecked:
    wafer: str
    used: bytes  # this log and the earlier ones
    lost: bytes
    placed: int  # lines of this log
    wrong: int


@dataclass(frozen=True)
class Checked:
    panels: tuple[PanelChecked, ...]
    wafers: tuple[WaferChecked, ...]
    lines: dict[str, tuple[int, ...]] = field(default_factory=dict)  # reason -> numbers of the lines at fault
    repeated: int = 0  # lines that earlier logs, or this one, have said already

    @property
    def placed(self) -> int:
        return sum(each.placed for each in self.panels)

    @property
    def wrong(self) -> int:
        return sum(each.wrong for each in self.wafers)


@dataclass(frozen=True)
class WaferCount:
    """Passing dies = placed + lost + left. The others are apart."""

    passing: int
    placed: int
    lost: int
    left: int
    failing_lost: int


def check_placements(log: PlacementLog, wafers: Mapping[str, WaferBefore], panels: Mapping[str, PanelBefore]) -> Checked:
    """The lines of the log that name these wafers and panels (or a lost die of these wafers), judged."""
    lines = _Lines(log.only(_concerned(log, wafers, panels)), wafers, panels)
    lines = lines.only(lines.are_new())
    faults = lines.faults()
    wrong = np.logical_or.reduce(list(faults.values()))
    return Checked(
        panels=_check_panels(lines, faults, wrong),
        wafers=_check_wafers(lines, wrong),
        lines={reason: tuple(lines.log.line[at].tolist()) for reason, at in faults.items() if at.any()},
        repeated=lines.left_out,
    )


def count_wafer(before: WaferBefore) -> WaferCount:
    """What is left of a wafer, used and lost; `wrong_dies.py` tells what was wrongly used."""
    used, lost = flags_of(before.map, before.used), flags_of(before.map, before.lost)
    passes, exists = before.map.passes(), before.map.exists()
    on_cells = used & ~lost

    def count(flags: Flags) -> int:
        return int(np.count_nonzero(flags))

    return WaferCount(
        passing=count(passes),
        placed=count(on_cells & passes),
        lost=count(lost & passes),
        left=count(passes & ~used & ~lost),
        failing_lost=count(lost & exists & ~passes),
    )


def _concerned(log: PlacementLog, wafers: Mapping[str, WaferBefore], panels: Mapping[str, PanelBefore]) -> Flags:
    wafer = np.array([name in wafers for name in log.wafers], dtype=bool)
    panel = np.array([*(name in panels for name in log.panels), True], dtype=bool)  # the last, at -1, for lost dies
    concerned: Flags = wafer[log.wafer] & panel[log.panel]
    return concerned


class _Lines:
    """A log's lines with a whole number for each different die and each different cell."""

    def __init__(self, log: PlacementLog, wafers: Mapping[str, WaferBefore], panels: Mapping[str, PanelBefore]) -> None:
        self.log, self.wafers, self.panels, self.left_out = log, wafers, panels, 0
        self.lost = log.panel == LOST
        rows = np.array([*(panels[name].rows if name in panels else 0 for name in log.panels), 0])
        self.columns = np.array([*(panels[name].columns if name in panels else 0 for name in log.panels), 0])
        columns = self.columns[log.panel]
        self.on_cell = (log.row >= 1) & (log.row <= rows[log.panel]) & (log.column >= 1) & (log.column <= columns) & ~self.lost
        self.cell = np.where(self.on_cell, (log.row - 1) * columns + log.column - 1, 0)
        sizes = rows * self.columns
        self.first_cell = np.cumsum(sizes) - sizes
        self.place = self._places()
        self.number = die_numbers(log.x, log.y)
        self.dies, self.die = np.unique((log.wafer << 32) + self.number, return_inverse=True)
        self.index, self.exists, self.passes = self._on_maps()

    def only(self, keep: Flags) -> "_Lines":
        if keep.all():
            return self
        lines = _Lines(self.log.only(keep), self.wafers, self.panels)
        lines.left_out = self.left_out + int((~keep).sum())
        return lines

    def _places(self) -> Ints:
        """A number for every place where a die may go: 0 lost, then the cells of all panels, then cells that do not exist."""
        place = np.where(self.on_cell, 1 + self.first_cell[self.log.panel] + self.cell, 0)
        strange = ~self.on_cell & ~self.lost
        if strange.any():
            where = np.c_[self.log.panel, self.log.row, self.log.column][strange]
            _, number = np.unique(where, axis=0, return_inverse=True)
            place[strange] = 1 + self._cells() + number.reshape(-1)
        return place

    def _cells(self) -> int:
        return int(sum(panel.rows * panel.columns for name, panel in self.panels.items() if name in self.log.panels))

    def _on_maps(self) -> tuple[Ints, Flags, Flags]:
        """Of each line's die: its index, whether it is on the map, whether it passed."""
        index = np.full(len(self.log), -1, dtype=np.int64)
        exists, passes = np.zeros(len(index), dtype=bool), np.zeros(len(index), dtype=bool)
        for n, name in enumerate(self.log.wafers):
            at = self.log.wafer == n
            if name in self.wafers and at.any():
                die_map = self.wafers[name].map
                index[at] = die_map.index_of(self.log.x[at], self.log.y[at])
                inside = at & (index >= 0)
                exists[inside], passes[inside] = die_map.exists()[index[inside]], die_map.passes()[index[inside]]
        return index, exists, passes

    def are_new(self) -> Flags:
        """Lines that neither this log nor an earlier one has said already."""
        new = _first_of_each(self.die * (int(self.place.max(initial=0)) + 1) + self.place)
        for number, name in enumerate(self.log.panels):
            for layer in self.panels[name].known if name in self.panels else ():
                new &= ~self._say_again(number, layer)
        new &= self.on_cell | ~self._flags("lost")
        return new

    def _say_again(self, panel: int, layer: Layer) -> Flags:
        if layer.wafer not in self.log.wafers:
            return np.zeros(len(self.log), dtype=bool)
        wafer = self.log.wafers.index(layer.wafer)
        cells = np.unpackbits(np.frombuffer(layer.cells, dtype=np.uint8), bitorder="little")
        die = np.full(len(cells) + 1, np.iinfo(np.int64).min)
        die[np.flatnonzero(cells)] = unpack_dies(layer.dies)
        here = self.on_cell & (self.log.panel == panel) & (self.log.wafer == wafer)
        again: Flags = here & (die[np.minimum(self.cell, len(cells))] == self.number)
        return again

    def _flags(self, which: str) -> Flags:
        """Of each line's die: did earlier logs use it, or lose it?"""
        flags = np.zeros(len(self.log), dtype=bool)
        for n, name in enumerate(self.log.wafers):
            at = (self.log.wafer == n) & (self.index >= 0)
            if at.any():
                flags[at] = flags_of(self.wafers[name].map, getattr(self.wafers[name], which))[self.index[at]]
        return flags

    def _occupied(self) -> Flags:
        """Of each line's cell: has it a die from an earlier log?"""
        occupied = np.zeros(len(self.log), dtype=bool)
        for n, name in enumerate(self.log.panels):
            if name in self.panels and self.panels[name].occupied:
                at = self.on_cell & (self.log.panel == n)
                occupied[at] = np.unpackbits(np.frombuffer(self.panels[name].occupied, dtype=np.uint8), bitorder="little")[self.cell[at]]
        return occupied

    def faults(self) -> dict[str, Flags]:
        """By reason, the lines at fault. A die picked and lost may be any die that is there."""
        filled_twice = self.on_cell & (self._occupied() | ~_first_of_each(np.where(self.on_cell, self.place, -1 - np.arange(len(self.log)))))
        return {
            NO_DIE: ~self.exists,
            FAILED: self.exists & ~self.passes & ~self.lost,
            USED_BEFORE: self.exists & (self._flags("used") | ~_first_of_each(self.die)),
            NO_CELL: ~self.on_cell & ~self.lost,
            FILLED_TWICE: filled_twice,
        }


def _first_of_each(keys: Ints) -> Flags:
    """Which places hold a key for the first time?"""
    first = np.zeros(len(keys), dtype=bool)
    first[np.unique(keys, return_index=True)[1]] = True
    return first


def _check_panels(lines: _Lines, faults: Mapping[str, Flags], wrong: Flags) -> tuple[PanelChecked, ...]:
    log = lines.log
    layers = _layers(lines)
    count = len(log.panels) + 1  # lost dies, at -1, are counted last and not shown
    placed = np.bincount(log.panel[lines.on_cell], minlength=count)
    wrongs = np.bincount(log.panel[wrong & ~lines.lost], minlength=count)
    failing = np.bincount(log.panel[lines.on_cell & ~lines.passes], minlength=count)
    present = np.unique(log.panel[~lines.lost])
    return tuple(
        PanelChecked(
            log.panels[n],
            tuple(layers.get(n, ())),
            _marks(lines, n, faults) if wrongs[n] else (),
            int(placed[n]),
            int(wrongs[n]),
            int(failing[n]),
        )
        for n in present.tolist()
    )


def _layers(lines: _Lines) -> dict[int, list[Layer]]:
    """Per panel its layers: by wafer, and by how many dies of that wafer the cell had before."""
    log, at = lines.log, np.flatnonzero(lines.on_cell)
    order = at[np.lexsort((at, lines.cell[at], log.wafer[at], log.panel[at]))]
    same = np.r_[False, (lines.place[order][1:] == lines.place[order][:-1]) & (log.wafer[order][1:] == log.wafer[order][:-1])]
    here = np.arange(len(order))
    rank = here - np.maximum.accumulate(np.where(same, 0, here))
    again = np.lexsort((lines.cell[order], rank, log.wafer[order], log.panel[order]))
    order, rank = order[again], rank[again]
    changes = np.r_[True, (np.diff(log.panel[order]) != 0) | (np.diff(log.wafer[order]) != 0) | (np.diff(rank) != 0)] if len(order) else []
    layers: dict[int, list[Layer]] = {}
    for group in np.split(order, np.flatnonzero(changes)[1:]) if len(order) else ():
        panel, wafer = int(log.panel[group[0]]), log.wafers[log.wafer[group[0]]]
        dies = pack_dies(lines.number[group])
        layers.setdefault(panel, []).append(Layer(log.panels[panel], wafer, _bitmap(lines, panel, lines.cell[group]), dies, len(group)))
    return layers


def _bitmap(lines: _Lines, panel: int, cells: Ints) -> bytes:
    before = lines.panels[lines.log.panels[panel]]
    flags = np.zeros(before.rows * before.columns, dtype=bool)
    flags[cells] = True
    return np.packbits(flags, bitorder="little").tobytes()


def _marks(lines: _Lines, panel: int, faults: Mapping[str, Flags]) -> tuple[Mark, ...]:
    here = lines.on_cell & (lines.log.panel == panel)
    cells = {reason: np.unique(lines.cell[here & at]) for reason, at in faults.items()}
    return tuple(Mark(reason, _bitmap(lines, panel, found), len(found)) for reason, found in cells.items() if len(found))


def _check_wafers(lines: _Lines, wrong: Flags) -> tuple[WaferChecked, ...]:
    """A die that a log puts on a cell that does not exist sits nowhere: it is lost."""
    log = lines.log
    first = _first_of_each(lines.die)  # what was said first of a die holds: a die is either placed or lost
    checked = []
    for n in np.unique(log.wafer).tolist():
        before, at = lines.wafers[log.wafers[n]], log.wafer == n
        gone = at & ~lines.on_cell & first & ~lines._flags("used")
        used = bitmap_of_dies(before.map, lines.number[at])
        lost = bitmap_of_dies(before.map, lines.number[gone])
        checked.append(
            WaferChecked(
                log.wafers[n],
                _either(before.used, used),
                _either(before.lost, lost),
                int((at & lines.on_cell).sum()),
                int((at & wrong).sum()),
            )
        )
    return tuple(checked)


def _either(one: bytes, other: bytes) -> bytes:
    return (np.frombuffer(one, dtype=np.uint8) | np.frombuffer(other, dtype=np.uint8)).tobytes() if one else other
