"""What left a panel, cell by cell, and so which wafers are no origin of it. Derived from rows: `check` rebuilds and compares.

A wafer is an origin of what left a panel only through cells that were good then; of a sample only through the sample's own cells.
Where a log leaves good cells without a die, what was mounted stays an origin of what left through these (`BareExit`).
A placement log that comes late is why the rows are written again for a whole panel.
"""

from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

from sqlalchemy import delete, insert
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.bitmaps import Bitmap
from app.floor.marks import SAMPLED
from app.ledger.cells import CellMark
from app.ledger.flows import BareExit, DeadOrigin
from app.ledger.wafer_ways import TOLD_CELLS
from app.listed import ask, listed, tuples

Doing = tuple[int, str, int]  # panel, step (empty: none) and round: one doing of a die attach for a panel


class Mark(NamedTuple):
    """A mark on cells of a panel, in force from entry `e` until `closed_e`."""

    panel: int
    e: int
    closed_e: int | None
    reason: str
    cells: bytes


class Exit(NamedTuple):
    """Cells of a panel whose units became part of `child` at entry `e`; `units` as the flow says."""

    panel: int
    child: int
    e: int
    units: int
    to_sample: bool
    cells: Bitmap


class CellHistory:
    """Which cells of panels were good when: one statement. Cells are a number here, of which bit n is cell n: a trace asks for hundreds."""

    def __init__(self, session: Session, panels: Iterable[int]) -> None:
        self._full: dict[int, int] = {}
        self._marks: defaultdict[int, list[tuple[int, int | None, str, int]]] = defaultdict(list)
        for panel, size, e, closed_e, reason, cells in tuples(session, _SIZED_MARKS, panels=panels):
            self._full[panel] = (1 << size) - 1
            if cells is not None:
                self._marks[panel].append((e, closed_e, reason, int.from_bytes(cells, "little")))

    def good(self, panel: int) -> int:
        """Without a mark in force now."""
        return self._full[panel] & ~self._marked(panel, None)

    def gone(self, panel: int, e: int, *, to_sample: bool) -> int:
        """What left the panel at entry `e`: for a loose lot the cells that were good then, for a sample its own."""
        if not to_sample:
            return self._full[panel] & ~self._marked(panel, e)
        taken = 0
        for began, _, reason, cells in self._marks.get(panel, ()):
            if began == e and reason == SAMPLED:
                taken |= cells
        return taken

    def _marked(self, panel: int, e: int | None) -> int:
        marked = 0
        for began, closed_e, _, cells in self._marks.get(panel, ()):
            if (closed_e is None and (e is None or began <= e)) or (closed_e is not None and e is not None and began <= e < closed_e):
                marked |= cells
        return marked


class Unreached(NamedTuple):
    """`dead`: (child, panel, wafer), the wafer's only dies on the panel sat on cells that did not go into the child. `bare`: (child, panel, step,
    round), logs tell of that round on the panel, and good cells without a die of it went into the child."""

    dead: set[tuple[int, int, int]]
    bare: set[tuple[int, int, str, int]]


def write_dead_origins(session: Session, panels: Iterable[int]) -> None:
    """Writes the rows of these panels anew, `BareExit` too. Call it after units left them, and after their placements changed."""
    ids = list(panels)
    found = unreached(session, ids)
    session.execute(delete(BareExit).where(BareExit.panel.in_(ids)))
    if bare := [{"child": child, "panel": panel, "step": step, "round": n} for child, panel, step, n in sorted(found.bare)]:
        session.execute(insert(BareExit), bare)
    session.execute(delete(DeadOrigin).where(DeadOrigin.panel.in_(ids)))
    if dead := [{"child": child, "panel": panel, "wafer": wafer} for child, panel, wafer in sorted(found.dead)]:
        session.execute(insert(DeadOrigin), dead)


def unreached(session: Session, panels: Iterable[int]) -> Unreached:
    """What the rows of these panels have to be: four statements, for `check` asks it of every panel."""
    ids = list(panels)
    placements = tuples(session, _PLACED, panels=ids)
    doings = _doings(session, ids, {run for _, _, run, _ in placements})
    placed: dict[int, dict[int, int]] = {panel: {} for panel in ids}
    told: dict[int, dict[tuple[str, int], int]] = {panel: {} for panel in ids}
    for panel, wafer, run, raw in placements:
        cells, of_wafers, of_doings = int.from_bytes(raw, "little"), placed[panel], told[panel]
        of_wafers[wafer] = of_wafers.get(wafer, 0) | cells
        for doing in doings.get((run, panel), ()):
            of_doings[doing] = of_doings.get(doing, 0) | cells
    found, history = Unreached(set(), set()), CellHistory(session, ids)
    for panel, child, e, _, kind in flows_out(session, ids):
        gone = history.gone(panel, e, to_sample=kind == "sample")
        found.dead.update((child, panel, wafer) for wafer, cells in placed[panel].items() if not cells & gone)
        found.bare.update((child, panel, step, n) for (step, n), cells in told[panel].items() if gone & ~cells)
    return found


def _doings(session: Session, panels: list[int], runs: Iterable[int]) -> dict[tuple[int, int], list[tuple[str, int]]]:
    """(run, panel) -> step and round of the run's lines that had the panel."""
    found: dict[tuple[int, int], list[tuple[str, int]]] = {}
    wanted = set(panels)
    for run, panel, step, n in tuples(session, _DOINGS, runs=runs):
        if panel in wanted:
            found.setdefault((run, panel), []).append((step, n))
    return found


def told_cells(session: Session, panels: Iterable[int]) -> dict[Doing, int]:
    """(panel, step, round) -> the cells that have a die of it, as the placement logs in force say: a number of which bit n is cell n."""
    found: dict[Doing, int] = {}
    for panel, step, n, raw in tuples(session, TOLD_CELLS, panels=panels):
        doing = (panel, step, n)
        found[doing] = found.get(doing, 0) | int.from_bytes(raw, "little")
    return found


def flows_out(session: Session, panels: Iterable[int]) -> list[tuple[int, int, int, int, str]]:
    """(panel, child, entry, units, kind of the child) of everything that left these panels as units, in the order in which it left."""
    return tuples(session, _EXITS, panels=panels)


def exits_of(session: Session, panels: Iterable[int]) -> list[Exit]:
    """Everything that left these panels as units: to loose lots the cells that were good then, to samples their own."""
    ids = list(panels)
    sizes = {panel: (rows, columns) for panel, rows, columns in ask(session, _SIZES, panels=ids)}
    marks: defaultdict[int, list[Mark]] = defaultdict(list)
    for row in ask(session, _MARKS, panels=ids):
        marks[row.panel].append(Mark._make(row))
    return [
        Exit(panel, child, e, units, kind == "sample", _cells(sizes[panel], marks[panel], e, to_sample=kind == "sample"))
        for panel, child, e, units, kind in flows_out(session, ids)
    ]


def good_at(size: tuple[int, int], marks: Iterable[Mark | CellMark], e: int) -> Bitmap:
    """The cells of a panel of `size` (rows, columns) that were good after entry `e`."""
    good = bitmaps.full(*size)
    for mark in marks:
        if mark.e <= e and (mark.closed_e is None or mark.closed_e > e):
            good &= ~bitmaps.read(mark.cells)
    return good


def _cells(size: tuple[int, int], marks: list[Mark], e: int, *, to_sample: bool) -> Bitmap:
    if not to_sample:
        return good_at(size, marks, e)
    taken = bitmaps.empty(*size)
    for mark in marks:
        if mark.e == e and mark.reason == SAMPLED:
            taken |= bitmaps.read(mark.cells)
    return taken


_EXITS = listed(
    """
    select f.parent, f.child, f.e, f.units, i.kind from flow f cross join item i
    where f.parent in :panels and f.kind = 'cells' and i.id = f.child order by f.e
    """,
    "panels",
)
_SIZES = listed("select item, rows, columns from panel where item in :panels", "panels")
_MARKS = listed("select panel, e, closed_e, reason, cells from cell_mark where panel in :panels order by id", "panels")
_PLACED = listed(
    """
    select p.panel, p.wafer, p.run, p.cells from placement p
    where p.panel in :panels and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
    """,
    "panels",
)
_DOINGS = listed(
    """
    select l.run, m.panel, coalesce(l.step, ''), l.round from line l cross join member m where l.run in :runs and m."set" = l."set"
    """,
    "runs",
)
_SIZED_MARKS = listed(
    """
    select p.item, p.rows * p.columns, m.e, m.closed_e, m.reason, m.cells from panel p left join cell_mark m on m.panel = p.item
    where p.item in :panels
    """,
    "panels",
)
