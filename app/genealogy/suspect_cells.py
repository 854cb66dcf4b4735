"""Which cells of which panels a suspicion marks: surely, and possibly. Exact where placement logs tell the dies.

A panel that straddles a change-over had each of its cells on exactly one side: a suspect on one side alone marks perhaps all and surely none;
suspects on every side mark all. What left a panel before a suspect came to it carries no mark of it.

Cells are bits of a whole number here, as in `floor/bitmaps.py` the lowest first: a hundred panels are counted sooner so than as arrays.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from sqlalchemy.orm import Session

from app.floor.packed_dies import unpack_many
from app.genealogy.suspects import Region, Suspected, dies_in
from app.ledger import walk
from app.listed import ask, listed

_EVERY = -1  # all bits of a whole number are set: every cell of a panel of any size


class Cells(NamedTuple):
    """Marked cells of a panel: surely, and possibly (these include the sure ones). Bits beyond the panel's last cell mean nothing."""

    sure: int
    possible: int

    def within(self, cells: int) -> tuple[int, int]:
        """(surely, possibly) marked among some cells."""
        return (self.sure & cells).bit_count(), (self.possible & cells).bit_count()


_NONE, _ALL = Cells(0, 0), Cells(_EVERY, _EVERY)


class _Doing(NamedTuple):
    """A line that may have done a step for a panel. `suspect`: yes; perhaps (one of several wafers on the station); no."""

    e: int
    extent: str
    done: bool
    suspect: str


class _Covered(NamedTuple):
    """A panel that a line did, or may have done, and the step that it did."""

    line: int
    panel: int
    extent: str
    done: bool
    e: int
    step: str
    round: int


class SuspectCells:
    """The marks of several suspicions that must all hold, on every panel that they concern."""

    def __init__(self, session: Session, suspicions: Sequence[Suspected]) -> None:
        self._by_suspicion = [_OnPanels(session, one) for one in suspicions]
        self.panels = sorted(set.intersection(*(on.panels() for on in self._by_suspicion))) if suspicions else []

    def at(self, panel: int, e: int) -> Cells:
        """The marks on a panel as it was at an entry."""
        sure, possible = self._by_suspicion[0].at(panel, e)
        for on in self._by_suspicion[1:]:
            one = on.at(panel, e)
            sure, possible = sure & one.sure, possible & one.possible
        return Cells(sure, possible)


class _OnPanels:
    """What one suspicion says of its panels: from which entry on all of one is marked, cells from an entry on, and who did the unsure steps."""

    def __init__(self, session: Session, suspicion: Suspected) -> None:
        self.whole = dict(suspicion.panels)
        self.known: defaultdict[int, list[tuple[int, int, int]]] = defaultdict(list)  # panel -> entry, sure and possible cells
        self.works: defaultdict[int, dict[tuple[str, int], list[_Doing]]] = defaultdict(dict)
        suspects = dict.fromkeys(suspicion.lines, "yes")
        covered = _covered(session, suspects)
        if suspicion.wafers:
            self._add_placed_dies(session, suspicion)
            covered += self._add_mounted(session, suspicion, suspects)
        self._add_works(session, suspects, covered)

    def panels(self) -> set[int]:
        return {*self.whole, *self.known, *self.works}

    def at(self, panel: int, e: int) -> Cells:
        if self.whole.get(panel, e) < e:
            return _ALL
        sure = possible = 0
        for since, surely, possibly in self.known.get(panel, ()):
            if since < e:
                sure, possible = sure | surely, possible | possibly
        for doings in self.works[panel].values() if panel in self.works else ():
            before = [doing for doing in doings if doing.e < e]
            if not any(doing.suspect != "no" for doing in before):
                continue
            whole = any(doing.suspect == "yes" and doing.extent == "whole" for doing in before)
            every_side = all(doing.suspect == "yes" for doing in before) and any(doing.done for doing in before)
            if whole or every_side:
                return _ALL
            possible = _EVERY
        return Cells(sure, possible)

    def _add_works(self, session: Session, suspects: Mapping[int, str], covered: Iterable[_Covered]) -> None:
        """Where the first suspect line did all of a panel, nobody else's doing says more. Else every line that may have done the same steps."""
        first: dict[int, _Covered] = {}
        for one in covered:
            if one.panel not in first or one.e < first[one.panel].e:
                first[one.panel] = one
        unsure = []
        for panel, one in first.items():
            if one.extent == "whole" and suspects[one.line] == "yes":
                self.whole[panel] = min(one.e, self.whole.get(panel, one.e))
            else:
                unsure.append(panel)
        if not unsure:
            return
        every = _covered(session, [line.line for line in walk.lines_of_panels(session, unsure) if line.set is not None])
        works = {(one.panel, one.step, one.round) for one in every if one.line in suspects}
        wanted = set(unsure)
        for one in every:
            if one.panel in wanted and (one.panel, one.step, one.round) in works:
                doing = _Doing(one.e, one.extent, one.done, suspects.get(one.line, "no"))
                self.works[one.panel].setdefault((one.step, one.round), []).append(doing)

    def _add_placed_dies(self, session: Session, suspicion: Suspected) -> None:
        """Wafers: the cells with their dies by the placement logs."""
        whole = [wafer for wafer, regions in suspicion.wafers.items() if not regions]
        placed = [(panel, int.from_bytes(cells, "little")) for panel, cells in ask(session, _PLACED, wafers=whole)]
        for wafer, regions in suspicion.wafers.items():
            if regions:
                placed += _in_regions(session, wafer, regions)
        for panel, cells in placed:
            if cells:
                self.known[panel].append((0, cells, cells))

    def _add_mounted(self, session: Session, suspicion: Suspected, suspects: dict[int, str]) -> list[_Covered]:
        """Where no log tells: lines that had the wafers mounted become suspects; where one leaves cells without a die, these are perhaps marked."""
        whole = {wafer for wafer, regions in suspicion.wafers.items() if not regions}
        mounted: dict[int, bool] = {}  # line -> all wafers of that role on the station are suspects, whole
        for line, wafer in ask(session, _MOUNTED, wafers=suspicion.wafers):
            mounted[line] = mounted.get(line, True) and wafer in whole
        covered = _covered(session, mounted)
        told: dict[tuple[int, str, int], int] = {}
        sizes: dict[int, int] = {}
        for panel, size, step, n, cells in ask(session, _TOLD, panels={one.panel for one in covered}):
            told[panel, step, n] = told.get((panel, step, n), 0) | int.from_bytes(cells, "little")
            sizes[panel] = size
        logged = {one.line for one in covered if (one.panel, one.step, one.round) in told}
        for one in covered:
            if one.line in logged:
                untold = ~told.get((one.panel, one.step, one.round), 0)
                if one.panel not in sizes or untold & ((1 << sizes[one.panel]) - 1):
                    self.known[one.panel].append((one.e, 0, untold))
            elif suspects.get(one.line) != "yes":
                suspects[one.line] = "yes" if mounted[one.line] else "perhaps"
        return [one for one in covered if one.line in suspects]


def _covered(session: Session, lines: Iterable[int]) -> list[_Covered]:
    return [_Covered._make(row) for row in ask(session, _COVERED, lines=lines)]


def _in_regions(session: Session, wafer: int, regions: Sequence[Region]) -> list[tuple[int, int]]:
    """(panel, cells) with dies of some regions of a wafer, all its placements at once."""
    rows = ask(session, _PLACED_DIES, wafers=[wafer])
    if not rows:
        return []
    wide = max(len(cells) for _, cells, _ in rows)
    flags = np.unpackbits(np.frombuffer(b"".join(cells.ljust(wide, b"\0") for _, cells, _ in rows), dtype=np.uint8), bitorder="little")
    numbers, _ = unpack_many([dies for _, _, dies in rows])
    flags[np.flatnonzero(flags)[~dies_in(session, wafer, regions, numbers)]] = 0
    packed = np.packbits(flags, bitorder="little").tobytes()
    return [(row[0], int.from_bytes(packed[i * wide : (i + 1) * wide], "little")) for i, row in enumerate(rows)]


_NOT_VOID = "not exists (select 1 from run_void x where x.run = {}.run)"
_PLACED = listed(f"select p.panel, p.cells from placement p where p.wafer in :wafers and p.closed_e is null and {_NOT_VOID.format('p')}", "wafers")
_PLACED_DIES = listed(
    f"select p.panel, p.cells, p.dies from placement p where p.wafer in :wafers and p.closed_e is null and {_NOT_VOID.format('p')}", "wafers"
)
_MOUNTED = listed(
    f"""
    select distinct beside.line, beside.item
    from use u cross join line l cross join wafer w cross join use beside cross join wafer v
    where u.item in :wafers and l.id = u.line and w.item = u.item and beside.line = u.line and v.item = beside.item and v.role = w.role
    and not exists (select 1 from use_void x where x.line = u.line and x.item in (u.item, beside.item) and x.closed_e is null)
    and {_NOT_VOID.format("l")}
    """,
    "wafers",
)
_COVERED = listed(
    """
    select c.line, m.panel, c.extent, c.done, l.e, coalesce(l.step, ''), l.round
    from line l cross join cover c cross join member m where l.id in :lines and c.line = l.id and m."set" = c."set"
    union all
    select l.id, m.panel, 'open', false, l.e, coalesce(l.step, ''), l.round
    from line l cross join member m where l.id in :lines and l.closed_e is null and m."set" = l."set"
    """,
    "lines",
)
_TOLD = listed(
    f"""
    select p.panel, w.rows * w.columns, coalesce(l.step, ''), l.round, p.cells
    from placement p cross join panel w cross join line l cross join member m
    where p.panel in :panels and w.item = p.panel and l.run = p.run and m.panel = p.panel and m."set" = l."set" and p.closed_e is null
    and {_NOT_VOID.format("p")}
    """,
    "panels",
)
