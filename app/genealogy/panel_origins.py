"""What panels bring to what their units went into: lines and batches by the panels that travelled together, wafers cell by cell.

A batch is certain where no other lay beside it for the same need of the step (`ledger/alternates.py`). A wafer is certain by its placement log;
where none came, as a batch is: where no other of its role lay beside it.

What met one panel of a group met all of them in the same way, so that it is asked and added up once. A bitmap of cells is one number here,
of which bit n is cell n: one by one, numbers are quicker than arrays.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy.orm import Session

from app.floor.exits import CellHistory
from app.genealogy.amounts import Share, as_share
from app.ledger import walk
from app.ledger.travels import LineAbove
from app.ledger.used import Used
from app.listed import listed, tuples

Origin = tuple[str, int]  # ("panel" | "wafer" | "batch" | "line", id)


class BatchesOn(NamedTuple):
    """The batches that each line had, through every mixing; `perhaps`: (line, batch) where units of the line may have had another instead."""

    by_line: Mapping[int, list[int]]
    perhaps: set[tuple[int, int]]


class Mount(NamedTuple):
    """A wafer was on the station while a line, which began at entry `e`, did a step for the panels."""

    wafer: int
    e: int


class _Met(NamedTuple):
    """A line that did a step for panels that travelled together, or may have done it, with what it had."""

    e: int
    run: int
    line: Origin
    doing: tuple[str, int]
    is_whole: bool
    is_done: bool
    batches: list[tuple[Origin, bool]]  # whether all that the line did surely had it
    mounts: list[Mount]
    alone: frozenset[int]  # its wafers, no other of whose role was on the station


@dataclass(frozen=True)
class Together:
    """Panels that travelled in the same sets, left at one entry and are of the same frames."""

    panels: list[int]
    certain: dict[Origin, bool]  # lines and batches -> whether all their units surely have met it
    mounts: dict[tuple[str, int], list[Mount]]  # by step and round
    attached_by: dict[tuple[str, int], list[_Met]]  # of the same, the lines that did it, or may have


@dataclass(frozen=True)
class OnPanels:
    """What each panel on the way brings."""

    units: dict[int, int]
    groups: list[Together]
    wafers: dict[int, dict[int, Share]]  # panel -> wafer -> how many of its units have a die of it

    def every_wafer(self) -> set[int]:
        return set().union(*self.wafers.values())

    def of_panel(self, panel: int) -> dict[Origin, Share]:
        group = next(one for one in self.groups if panel in one.panels)
        return self._brought([(group, [(panel, self.units[panel])])])

    def into(self, edges: Iterable[walk.Edge]) -> dict[int, dict[Origin, Share]]:
        """What came with units that left panels, by what they went into."""
        group_of = {panel: n for n, group in enumerate(self.groups) for panel in group.panels}
        left: defaultdict[int, defaultdict[int, list[tuple[int, int]]]] = defaultdict(lambda: defaultdict(list))
        for edge in edges:
            if edge.kind == "cells":
                left[edge.child][group_of[edge.parent]].append((edge.parent, edge.units))
        return {child: self._brought([(self.groups[n], exits) for n, exits in of_child.items()]) for child, of_child in left.items()}

    def _brought(self, of_groups: list[tuple[Together, list[tuple[int, int]]]]) -> dict[Origin, Share]:
        """By group, with (panel, units that left it); for each what `amounts.drawn` says, written out, as a reel has hundreds of them."""
        panels: defaultdict[int, int] = defaultdict(int)
        least: defaultdict[int, int] = defaultdict(int)
        greatest: defaultdict[int, int] = defaultdict(int)
        met: defaultdict[Origin, int] = defaultdict(int)
        surely_met: defaultdict[Origin, int] = defaultdict(int)
        for group, exits in of_groups:
            n = 0
            for panel, units in exits:
                of_panel = self.units[panel]
                went, stays = min(units, of_panel), max(0, of_panel - units)
                n += went
                panels[panel] += went
                for wafer, (surely, perhaps) in self.wafers[panel].items():
                    if surely > stays:
                        least[wafer] += surely - stays
                    greatest[wafer] += perhaps if perhaps < units else units
            for origin, certain in group.certain.items():
                met[origin] += n
                if certain:
                    surely_met[origin] += n
        found: dict[Origin, Share] = {("panel", panel): as_share((n, n)) for panel, n in panels.items()}
        found |= {("wafer", wafer): as_share((least.get(wafer, 0), n)) for wafer, n in greatest.items()}
        return found | {origin: as_share((surely_met.get(origin, 0), n)) for origin, n in met.items()}


def on_panels(
    session: Session, up: walk.Up, lines: list[LineAbove], uses: list[Used], batches: BatchesOn, units: dict[int, int]
) -> OnPanels:
    """`units` of each panel."""
    groups = _groups(up, lines, uses, batches, _alone(session, uses))
    return OnPanels(units, groups, _wafers(session, up, groups, units))


def share_of_cells(surely: int, perhaps: int, cells: int, units: int) -> Share:
    """Of `cells` that were good, `surely` have dies of a wafer and `perhaps` may; `units` are there, nobody knows which (some were scrapped)."""
    return Share(max(0, surely - (cells - min(units, cells))), min(perhaps, units))


def _alone(session: Session, uses: list[Used]) -> dict[int, frozenset[int]]:
    """Line -> its wafers that no other of their role lay beside."""
    wafers: defaultdict[int, set[int]] = defaultdict(set)
    for line, item, part in uses:
        if part is None:
            wafers[line].add(item)
    several = set().union(*(some for some in wafers.values() if len(some) > 1))
    roles: dict[int, str] = dict(tuples(session, _ROLES, wafers=several)) if several else {}
    found = {}
    for line, some in wafers.items():
        counted = Counter(roles.get(wafer) for wafer in some)
        found[line] = frozenset(wafer for wafer in some if counted[roles.get(wafer)] == 1)
    return found


def _groups(up: walk.Up, lines: list[LineAbove], uses: list[Used], batches: BatchesOn, alone: Mapping[int, frozenset[int]]) -> list[Together]:
    met = _met(up, lines, uses, batches, alone)
    return [
        _together(panels, [one for travelled in sets for one in met[travelled] if one.e < exit_e], frames)
        for (sets, exit_e, frames), panels in _alike(up).items()
    ]


def _met(
    up: walk.Up, lines: list[LineAbove], uses: list[Used], batches: BatchesOn, alone: Mapping[int, frozenset[int]]
) -> defaultdict[int, list[_Met]]:
    """By set of panels."""
    wafers: defaultdict[int, list[int]] = defaultdict(list)
    for used_in, item, part in uses:
        if part is None:
            wafers[used_in].append(item)
    found: defaultdict[int, list[_Met]] = defaultdict(list)
    for line in lines:
        had: list[tuple[Origin, bool]] = [(("batch", it), (line.line, it) not in batches.perhaps) for it in batches.by_line.get(line.line, ())]
        mounted = [Mount(wafer, line.e) for wafer in wafers.get(line.line, ())]
        for cover in up.travels.covers.get(line.line, ()):
            doing, of_line, by_itself = (line.step or "", line.round), ("line", line.line), alone.get(line.line, _NOTHING)
            found[cover.set].append(_Met(line.e, line.run, of_line, doing, cover.extent == "whole", cover.done, had, mounted, by_itself))
    return found


def _alike(up: walk.Up) -> dict[tuple[tuple[int, ...], int, frozenset[int]], list[int]]:
    """(sets, entry at which the last of their units left, lead frames) -> panels."""
    frames: dict[int, frozenset[int]] = {}
    mixed_of: dict[int, frozenset[int]] = {}
    for edge in up.edges:
        if edge.kind == "frame":
            if edge.parent not in mixed_of:
                mixed_of[edge.parent] = frozenset(_with_parents(edge.parent, up))
            frames[edge.child] = frames[edge.child] | mixed_of[edge.parent] if edge.child in frames else mixed_of[edge.parent]
    found: defaultdict[tuple[tuple[int, ...], int, frozenset[int]], list[int]] = defaultdict(list)
    for panel in up.panels:
        found[up.travels.sets.get(panel, ()), up.exits[panel], frames.get(panel, _NOTHING)].append(panel)
    return found


def _together(panels: list[int], met: list[_Met], frames: frozenset[int]) -> Together:
    """A line is certain where it did them wholly; a batch also where each line that may have done a finished step had it, and none beside it."""
    certain: dict[Origin, bool] = {}
    works: defaultdict[tuple[str, int], list[_Met]] = defaultdict(list)  # one doing of a step -> the lines that may have done it
    finished: set[tuple[str, int]] = set()
    mounts: defaultdict[tuple[str, int], list[Mount]] = defaultdict(list)
    for one in met:
        certain[one.line] = one.is_whole or certain.get(one.line, False)
        works[one.doing].append(one)
        if one.is_done:
            finished.add(one.doing)
        if one.mounts:
            mounts[one.doing] += one.mounts
    for doing, of_work in works.items():
        if len(of_work) == 1:  # nearly always; what follows says the same of it
            (one,) = of_work
            for batch, surely in one.batches:
                certain[batch] = (surely and (one.is_whole or one.is_done)) or certain.get(batch, False)
            continue
        surely_by: dict[Origin, int] = {}  # how many of the lines surely had a batch
        for one in of_work:
            for batch, surely in one.batches:
                surely_by[batch] = surely_by.get(batch, 0) + surely
                certain[batch] = (surely and one.is_whole) or certain.get(batch, False)
        for batch, n in surely_by.items():
            certain[batch] = certain[batch] or (n == len(of_work) and doing in finished)
    certain |= {("batch", batch): True for batch in frames}
    return Together(panels, certain, mounts, {doing: works[doing] for doing in mounts})


def _with_parents(batch: int, up: walk.Up) -> set[int]:
    found, waiting = set(), [batch]
    while waiting:
        one = waiting.pop()
        found.add(one)
        waiting += [edge.parent for edge in up.edges if edge.child == one and edge.kind == "mix"]
    return found


def _wafers(session: Session, up: walk.Up, groups: list[Together], units: dict[int, int]) -> dict[int, dict[int, Share]]:
    """By the cells of the placement logs that went the way; cells without a die of a step may have one of any wafer mounted there."""
    exits = _exits(session, up)
    placed, told = _logged(session, up)
    untold = {one.run for group in groups for doing in _untold(group, told) for one in group.attached_by[doing]}
    logged = {run for (run,) in tuples(session, _HAS_LOG, runs=untold)} if untold else set()
    return {
        panel: _wafers_of(_Cells(panel in up.starts, exits[panel], placed.get(panel, {}), told.get(panel, {})), group, units[panel], logged)
        for group in groups
        for panel in group.panels
    }


def _untold(group: Together, told: Mapping[int, dict[tuple[str, int], int]]) -> set[tuple[str, int]]:
    """The doings with something mounted of which logs tell nothing, on some panel of the group."""
    return group.mounts.keys() - set(group.mounts).intersection(*(told.get(panel, ()) for panel in group.panels))


class _Cells(NamedTuple):
    """Of a panel: `exits` (left at, cells), of a start first what is good on it; cells with dies by wafer; cells told of by step and round."""

    is_start: bool
    exits: list[tuple[int, int]]
    placed: dict[int, int]
    told: dict[tuple[str, int], int]


def _wafers_of(cells: _Cells, group: Together, units: int, logged: set[int]) -> dict[int, Share]:
    everything = 0
    for _, gone in cells.exits:
        everything |= gone
    went = cells.exits[0][1] if cells.is_start else everything
    bare: dict[int, int] = {}
    alone: dict[int, int] = {}  # by wafer, cells that have a die of it for no other can have given one
    for doing, of_doing in group.mounts.items():
        told = cells.told.get(doing)
        if told is not None and not everything & ~told:
            continue  # nearly always: each cell has its die
        for wafer, e in of_doing:
            for left, gone in cells.exits:
                if e < left and (told is None or gone & ~told):
                    bare[wafer] = bare.get(wafer, 0) | (went & gone & ~(told or 0))
        lines = group.attached_by[doing]
        if told is None and not any(one.run in logged for one in lines):
            for left, gone in cells.exits:
                for wafer in _surely_gave([one for one in lines if one.e < left]):
                    alone[wafer] = alone.get(wafer, 0) | (went & gone)
    size = went.bit_count()
    if not bare:  # as `share_of_cells` says, written out
        lost = max(0, size - units)
        return {
            wafer: as_share((n - lost if n > lost else 0, n if n < units else units))
            for wafer, its in cells.placed.items()
            if (n := (went & its).bit_count())
        }
    found = {}
    for wafer in cells.placed.keys() | bare.keys():
        surely = went & cells.placed.get(wafer, 0) | alone.get(wafer, 0)
        if surely or wafer in bare:
            perhaps = surely | bare.get(wafer, 0)
            found[wafer] = share_of_cells(surely.bit_count(), perhaps.bit_count(), size, units)
    return found


def _surely_gave(lines: list[_Met]) -> frozenset[int]:
    """The wafers that gave every cell a die: alone on a line that did it wholly, or on each that may have done what is finished."""
    whole = frozenset().union(*(one.alone for one in lines if one.is_whole))
    if any(one.is_done for one in lines):
        return whole | frozenset.intersection(*(one.alone for one in lines))
    return whole


def _exits(session: Session, up: walk.Up) -> defaultdict[int, list[tuple[int, int]]]:
    """Panel -> (left at, cells that left then on the way); of a start, before that, the cells that are good now."""
    cells = CellHistory(session, up.panels)
    found: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    for panel in up.starts:
        if panel in up.panels:
            found[panel].append((walk.NEVER, cells.good(panel)))
    for edge in up.edges:
        if edge.kind == "cells":
            found[edge.parent].append((edge.e, cells.gone(edge.parent, edge.e, to_sample=up.kinds[edge.child] == "sample")))
    return found


def _logged(session: Session, up: walk.Up) -> tuple[dict[int, dict[int, int]], dict[int, dict[tuple[str, int], int]]]:
    """What the placement logs in force say: panel -> wafer -> cells; and panel -> step and round -> cells that have a die of it."""
    placed: defaultdict[int, dict[int, int]] = defaultdict(dict)
    told: defaultdict[int, dict[tuple[str, int], int]] = defaultdict(dict)
    sets, spells = up.travels.sets, up.travels.spells
    rows = tuples(session, _PLACED, panels=up.panels)
    voided = _voided(session, {run for _, _, run, _ in rows} - spells.keys())
    for panel, wafer, run, raw in rows:
        if run in voided:
            continue
        cells, on_panel, told_there, travelled_in = int.from_bytes(raw, "little"), placed[panel], told[panel], sets.get(panel, ())
        on_panel[wafer] = on_panel.get(wafer, 0) | cells
        for one, doing in spells.get(run, ()):
            if one in travelled_in:
                told_there[doing] = told_there.get(doing, 0) | cells
    return placed, told


def _voided(session: Session, runs: set[int]) -> set[int]:
    """Of runs without a line on the way, which are few: one that has a line there is not voided (`ledger/travels.py`), and each row asked costs."""
    return {run for (run,) in tuples(session, _VOIDED, runs=runs)}


_NOTHING: frozenset[int] = frozenset()
_ROLES = listed("select item, role from wafer where item in :wafers", "wafers")
_HAS_LOG = listed("select distinct run from placement where run in :runs and closed_e is null", "runs")
_PLACED = listed("select panel, wafer, run, cells from placement where panel in :panels and closed_e is null", "panels")
_VOIDED = listed("select run from run_void where run in :runs", "runs")
