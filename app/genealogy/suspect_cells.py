"""Which cells of which panels a suspicion marks: surely, and possibly. Exact where placement logs tell the dies.

A panel that straddles a change-over had each of its cells on exactly one side: a suspect on one side alone marks perhaps all and surely none;
suspects on every side mark all. What left a panel before a suspect came to it carries no mark of it.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from sqlalchemy import bindparam, select, text
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.bitmaps import Bitmap
from app.floor.exits import told_cells
from app.floor.packed_dies import unpack_dies
from app.genealogy.suspects import Suspected, dies_in
from app.ledger import walk
from app.ledger.items import Panel
from app.ledger.runs import Line
from app.ledger.used import standing_lines
from app.listed import among


@dataclass(frozen=True)
class Cells:
    """Marked cells of a panel: surely, and possibly (these include the sure ones)."""

    sure: Bitmap
    possible: Bitmap

    def __and__(self, other: "Cells") -> "Cells":
        return Cells(self.sure & other.sure, self.possible & other.possible)

    def __or__(self, other: "Cells") -> "Cells":
        return Cells(self.sure | other.sure, self.possible | other.possible)

    def within(self, cells: Bitmap) -> tuple[int, int]:
        """(surely, possibly) marked among some cells."""
        return bitmaps.count(self.sure & cells), bitmaps.count(self.possible & cells)


@dataclass(frozen=True)
class _Doing:
    """A line that may have done a step for a panel. `suspect`: yes; perhaps (one of several wafers on the station); no."""

    e: int
    extent: str
    done: bool
    suspect: str


@dataclass
class _OnPanel:
    """What one suspicion says of a panel: cells from an entry on, and who did each step of which it is unsure."""

    known: list[tuple[int, Cells]] = field(default_factory=list)
    works: dict[tuple[str | None, int], list[_Doing]] = field(default_factory=lambda: defaultdict(list))


class SuspectCells:
    """The marks of several suspicions that must all hold, on every panel that they concern."""

    def __init__(self, session: Session, suspicions: Sequence[Suspected]) -> None:
        self._by_suspicion = [_on_panels(session, one) for one in suspicions]
        self.panels = sorted(set.intersection(*(set(on) for on in self._by_suspicion))) if suspicions else []
        self.sizes = _sizes(session, self.panels)

    def at(self, panel: int, e: int) -> Cells:
        """The marks on a panel as it was at an entry."""
        found = [_cells(on[panel], e, self.sizes[panel]) for on in self._by_suspicion]
        joined = found[0]
        for one in found[1:]:
            joined = joined & one
        return joined


def _cells(on: _OnPanel, e: int, size: tuple[int, int]) -> Cells:
    full, none = bitmaps.full(*size), bitmaps.empty(*size)
    marked = Cells(none, none)
    for since, cells in on.known:
        if since < e:
            marked = marked | cells
    for doings in on.works.values():
        before = [doing for doing in doings if doing.e < e]
        if not any(doing.suspect != "no" for doing in before):
            continue
        whole = any(doing.suspect == "yes" and doing.extent == "whole" for doing in before)
        every_side = all(doing.suspect == "yes" for doing in before) and any(doing.done for doing in before)
        marked = marked | Cells(full if whole or every_side else none, full)
    return marked


def _on_panels(session: Session, suspicion: Suspected) -> dict[int, _OnPanel]:
    found: defaultdict[int, _OnPanel] = defaultdict(_OnPanel)
    suspects = dict.fromkeys(suspicion.lines, "yes")
    _add_placed_dies(session, suspicion, found, suspects)
    covered = walk.covers_of_lines(session, suspects)
    _add_works(session, suspects, {panel for on in covered.values() for panel in on}, found)
    _add_whole_panels(session, suspicion.panels, found)
    return dict(found)


def _add_whole_panels(session: Session, panels: dict[int, int], found: defaultdict[int, _OnPanel]) -> None:
    for panel, size in _sizes(session, panels).items():
        full = bitmaps.full(*size)
        found[panel].known.append((panels[panel], Cells(full, full)))


def _add_works(session: Session, suspects: dict[int, str], panels: Iterable[int], found: defaultdict[int, _OnPanel]) -> None:
    """Every line that may have done the steps which suspect lines did, for the panels that these touched."""
    wanted = set(panels)
    if not wanted:
        return
    lines = walk.lines_above(session, walk.up(session, wanted))
    covered = walk.covers_of_lines(session, [line.line for line in lines if line.set is not None])
    works = {(panel, line.step, line.round) for line in lines if line.line in suspects for panel in covered.get(line.line, {})}
    for line in lines:
        for panel, (extent, done) in covered.get(line.line, {}).items():
            if (panel, line.step, line.round) in works:
                found[panel].works[line.step, line.round].append(_Doing(line.e, extent, done, suspects.get(line.line, "no")))


def _add_placed_dies(session: Session, suspicion: Suspected, found: defaultdict[int, _OnPanel], suspects: dict[int, str]) -> None:
    """Wafers: the cells with their dies by the placement logs; where no log tells, the lines that had them mounted."""
    if not suspicion.wafers:
        return
    for wafer, panel, cells, dies in session.execute(_PLACED, {"wafers": list(suspicion.wafers)}):
        marked = bitmaps.read(cells)
        if regions := suspicion.wafers[wafer]:
            marked = _in_regions(session, wafer, regions, marked, dies)
        if marked.any():
            found[panel].known.append((0, Cells(marked, marked)))
    _add_mounted(session, suspicion, found, suspects)


def _in_regions(session: Session, wafer: int, regions: Sequence[object], cells: Bitmap, dies: bytes) -> Bitmap:
    numbers = unpack_dies(dies)
    index = np.flatnonzero(np.unpackbits(cells, bitorder="little"))
    flags = np.zeros(len(cells) * 8, dtype=bool)
    flags[index[dies_in(session, wafer, regions, numbers)]] = True  # type: ignore[arg-type]
    return np.packbits(flags, bitorder="little")


def _add_mounted(session: Session, suspicion: Suspected, found: defaultdict[int, _OnPanel], suspects: dict[int, str]) -> None:
    whole = {wafer for wafer, regions in suspicion.wafers.items() if not regions}
    mounted: dict[int, bool] = {}  # line -> all wafers of that role on the station are suspects, whole
    for line, wafer in session.execute(_MOUNTED, {"wafers": list(suspicion.wafers)}):
        mounted[line] = mounted.get(line, True) and wafer in whole
    if not mounted:
        return
    lines = {line.id: line for line in session.scalars(standing_lines().where(among(Line.id, mounted)))}
    covered = walk.covers_of_lines(session, lines)
    panels = {panel for on in covered.values() for panel in on}
    told, sizes = told_cells(session, panels), _sizes(session, panels)
    for line, on in covered.items():
        step, n = lines[line].step or "", lines[line].round
        if not any((panel, step, n) in told for panel in on):
            if suspects.get(line) != "yes":
                suspects[line] = "yes" if mounted[line] else "perhaps"
            continue
        for panel in on:
            size = sizes[panel]
            untold = bitmaps.full(*size) & ~told.get((panel, step, n), bitmaps.empty(*size))
            if untold.any():
                found[panel].known.append((lines[line].e, Cells(bitmaps.empty(*size), untold)))


def _sizes(session: Session, panels: Iterable[int]) -> dict[int, tuple[int, int]]:
    query = select(Panel.item, Panel.rows, Panel.columns).where(among(Panel.item, panels))
    return {panel: (rows, columns) for panel, rows, columns in session.execute(query)}


_PLACED = text("""
    select p.wafer, p.panel, p.cells, p.dies from placement p
    where p.wafer in :wafers and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
""").bindparams(bindparam("wafers", expanding=True))
_MOUNTED = text("""
    select distinct beside.line, beside.item
    from use u join wafer w on w.item = u.item join use beside on beside.line = u.line join wafer v on v.item = beside.item and v.role = w.role
    where u.item in :wafers
      and not exists (select 1 from use_void x where x.line = u.line and x.item in (u.item, beside.item) and x.closed_e is null)
""").bindparams(bindparam("wafers", expanding=True))
