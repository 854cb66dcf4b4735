"""Which cells of which panels a suspicion marks: surely, and possibly. Exact where placement logs tell the dies.

A panel that straddles a change-over had each of its cells on exactly one side: a suspect on one side alone marks perhaps all and surely none;
suspects on every side mark all. So it is with batches, or wafers, that lay side by side on a station. Two suspects that must both hold mark no
cell where they are on different sides of a change-over.
A wafer that was mounted alone and has no log marks all, for each cell has a die of what was there; a trace says the same.
What left a panel before a suspect came to it carries no mark of it.

Cells are bits of a whole number here, as in `floor/bitmaps.py` the lowest first: a hundred panels are counted sooner so than as arrays.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import lru_cache, reduce
from operator import and_, or_
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy.orm import Session

from app.floor.packed_dies import unpack_coordinates
from app.genealogy.suspects import Region, Suspected, dies_in, earlier
from app.ledger.alternates import Demand
from app.listed import ids_in, listed, tuples

_EVERY = -1  # all bits of a whole number are set: every cell of a panel of any size


class Cells(NamedTuple):
    """Marked cells of a panel: surely, and possibly (these include the sure ones). Bits beyond the panel's last cell mean nothing."""

    sure: int
    possible: int

    def within(self, cells: int) -> tuple[int, int]:
        """(surely, possibly) marked among some cells."""
        possible = (self.possible & cells).bit_count()
        return possible if self.sure == self.possible else (self.sure & cells).bit_count(), possible


_NONE, _ALL = Cells(0, 0), Cells(_EVERY, _EVERY)


class _Doing(NamedTuple):
    """A line that may have done a step for a panel. `suspect`: yes; perhaps (one of several wafers, or batches, on the station); no."""

    line: int
    e: int
    extent: str
    done: bool
    suspect: str


_Began = tuple[int, bool, Sequence[int]]  # a line's entry, whether it is suspect and did all of these panels, panels that it did or may have done


class _Covered(NamedTuple):
    """A panel that a line did, or may have done, and the step that it did."""

    line: int
    panel: int
    extent: str
    done: bool
    e: int
    step: str
    round: int
    run: int

    @property
    def work(self) -> tuple[int, str, int]:
        return self.panel, self.step, self.round


class SuspectCells:
    """The marks of several suspicions that must all hold, on every panel that they concern."""

    def __init__(self, session: Session, suspicions: Sequence[Suspected]) -> None:
        self._by_suspicion = [_OnPanels(session, one) for one in suspicions]
        self.panels = sorted(set.intersection(*(on.panels() for on in self._by_suspicion)))
        self.at = self._by_suspicion[0].at if len(suspicions) == 1 else self._all_at  # (panel, entry) -> its marks as it was then

    def _all_at(self, panel: int, e: int) -> Cells:
        marked = _ALL
        for on in self._by_suspicion:
            one = on.at(panel, e)
            marked = Cells(marked.sure & one.sure, marked.possible & one.possible)
        split = [on for on in self._by_suspicion if panel in on.works]
        return marked if len(split) < 2 else Cells(marked.sure, marked.possible & self._on_one_side(panel, e))

    def _on_one_side(self, panel: int, e: int) -> int:
        """Cells on which all suspicions can hold at once, where steps have several sides and a cell was on one side of each."""
        held = {0}  # suspicions, as bits, that hold on a cell for some choice of sides, and of batches that lay side by side
        for work in {work for on in self._by_suspicion for work in on.works.get(panel, ())}:
            by_line: defaultdict[tuple[int, bool], set[int]] = defaultdict(set)
            for n, on in enumerate(self._by_suspicion):
                for side in on.sides(panel, work, e):
                    by_line[side].add(n)
            always, sides = {0}, set()
            for (line, did_all), suspicions in by_line.items():
                if did_all:
                    always = {a | b for a in always for b in self._holding(line, suspicions)}
                else:
                    sides |= self._holding(line, suspicions)
            held = {before | a | b for before in held for a in always for b in sides or {0}}
        cells = [on.apart_from_sides(panel, e) for on in self._by_suspicion]
        possible = 0
        for some in held:
            possible |= reduce(and_, (one for n, one in enumerate(cells) if not some >> n & 1), _EVERY)
        return possible

    def _holding(self, line: int, suspicions: Iterable[int]) -> set[int]:
        """Which of these suspicions, as bits, can hold at once on a cell that the line did: for each demand it had one batch."""
        beside = {n: self._by_suspicion[n].beside.get(line, {}) for n in suspicions}
        found = {sum(1 << n for n, demands in beside.items() if not demands)}
        for demand in {demand for demands in beside.values() for demand in demands}:
            by_batch = {sum(1 << n for n, demands in beside.items() if batch in demands.get(demand, ())) for batch in demand}
            found = {before | mask for before in found for mask in by_batch}
        return found

    def whole(self) -> dict[int, int]:
        """Panels of which every cell is surely marked after an entry."""
        first, *others = (on.whole for on in self._by_suspicion)
        return {panel: max(e, *(on[panel] for on in others)) for panel, e in first.items() if all(panel in on for on in others)} if others else first


class _OnPanels:
    """What one suspicion says of its panels: from which entry on all of one is marked, cells from an entry on, and who did the unsure steps."""

    def __init__(self, session: Session, suspicion: Suspected) -> None:
        self.whole = dict(suspicion.panels)
        self.known: defaultdict[int, list[tuple[int, int, int]]] = defaultdict(list)  # panel -> entry, sure and possible cells
        self.works: defaultdict[int, dict[tuple[str, int], list[_Doing]]] = defaultdict(dict)
        self._lines, self._perhaps = suspicion.lines, suspicion.perhaps_lines()
        # line -> suspects of what lay side by side: batches, and wafers where no log tells the dies
        self.beside: defaultdict[int, dict[Demand, frozenset[int]]] = defaultdict(dict)
        for had, suspects in suspicion.perhaps.items():
            if had.line in self._perhaps:
                self.beside[had.line][had.demand] = suspects
        self._mounted: dict[tuple[int, int], str] = {}  # (line, panel) -> yes or perhaps, where only a mount says who gave the dies
        rows = tuples(session, _COVERED, lines=self._lines | self._perhaps)
        began: list[_Began] = [(e, bool(whole) and line in self._lines, ids_in(panels)) for line, e, whole, panels in rows]
        if suspicion.wafers:
            began += self._add_wafers(session, suspicion)
        self._add_works(session, began)
        self._always = {
            panel: Cells(its[0][1], its[0][2])
            for panel, its in self.known.items()
            if len(its) == 1 and not its[0][0] and panel not in self.whole and panel not in self.works
        }

    def panels(self) -> set[int]:
        return {*self.whole, *self.known, *self.works}

    def at(self, panel: int, e: int) -> Cells:
        if always := self._always.get(panel):  # one log tells it all, as nearly always
            return always
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

    def sides(self, panel: int, work: tuple[str, int], e: int) -> list[tuple[int, bool]]:
        """Lines that are perhaps suspect on a step with several, and whether one did all of the panel."""
        return [(one.line, one.extent == "whole") for one in self.works.get(panel, {}).get(work, ()) if one.e < e and one.suspect != "no"]

    def apart_from_sides(self, panel: int, e: int) -> int:
        """Cells that are marked, at least possibly, whatever side of a step they were on."""
        if self.whole.get(panel, e) < e:
            return _EVERY
        return reduce(or_, (possibly for since, _, possibly in self.known.get(panel, ()) if since < e), 0)

    def _add_works(self, session: Session, began: Iterable[_Began]) -> None:
        """Where the first suspect line did all of a panel, nobody else's doing says more. Else every line that may have done the same steps."""
        first: dict[int, int | None] = {}  # panel -> since when all of it is marked, if its first suspect line did all of it
        for e, did_all, panels in sorted(began, key=lambda row: (row[0], not row[1]), reverse=True):  # the last first, so that the first one stays
            first.update(dict.fromkeys(panels, e if did_all else None))
        unsure = [panel for panel, e in first.items() if e is None]
        self.whole = earlier({panel: e for panel, e in first.items() if e is not None}, self.whole)
        every = [_Covered._make(row) for row in tuples(session, _COVERED_ON, panels=unsure)]
        works = {one.work for one in every if self._suspect(one) != "no"}
        for one in every:
            if one.work in works:
                doing = _Doing(one.line, one.e, one.extent, one.done, self._suspect(one))
                self.works[one.panel].setdefault((one.step, one.round), []).append(doing)

    def _suspect(self, one: _Covered) -> str:
        if one.line in self._lines:
            return "yes"
        return self._mounted.get((one.line, one.panel), "perhaps" if one.line in self._perhaps else "no")

    def _add_wafers(self, session: Session, suspicion: Suspected) -> list[_Began]:
        """The cells with their dies by the placement logs. Where no log tells, what lines did that had them mounted: their covers."""
        complete: set[tuple[int, int]] = set()  # runs and panels of which every cell has a die of a suspect wafer
        told: dict[tuple[int, int, int], int] = {}  # (run, panel, its size) -> cells that have one, of the others
        for run, panel, size, raw in tuples(session, _PLACED, wafers=[wafer for wafer, regions in suspicion.wafers.items() if not regions]):
            if raw == _full(size):
                self.whole[panel] = 0
                complete.add((run, panel))
            else:
                cells = int.from_bytes(raw, "little")
                self.known[panel].append((0, cells, cells))
                told[run, panel, size] = told.get((run, panel, size), 0) | cells
        for wafer, regions in suspicion.wafers.items():
            placed = tuples(session, _PLACED_DIES, wafers=[wafer] if regions else [])
            for (run, panel, size, raw, _), cells in zip(placed, _in_regions(session, wafer, regions, placed), strict=True):
                if cells:
                    self.known[panel].append((0, cells, cells))
                if raw == _full(size):
                    complete.add((run, panel))
                else:
                    told[run, panel, size] = told.get((run, panel, size), 0) | int.from_bytes(raw, "little")
        complete.update((run, panel) for (run, panel, size), cells in told.items() if cells.bit_count() == size)
        return self._add_mounted(session, suspicion, complete)

    def _add_mounted(self, session: Session, suspicion: Suspected, complete: set[tuple[int, int]]) -> list[_Began]:
        """Where a log leaves cells of a panel without a die, these are perhaps marked; where none tells of that work, its lines are suspects.

        `complete`: what needs no other log, since its own run's tells every cell. That is nearly everything.
        """
        whole = {wafer for wafer, regions in suspicion.wafers.items() if not regions}
        mounted: dict[int, bool] = {}  # line -> all wafers of that role on the station are suspects, whole
        rows: dict[_Covered, None] = {}
        had = tuples(session, _MOUNTED, wafers=suspicion.wafers)
        members: defaultdict[int, list[int]] = defaultdict(list)
        for of_set, panel in tuples(session, _MEMBERS, sets={row[2] for row in had}):
            members[of_set].append(panel)
        lay: defaultdict[tuple[int, str], set[int]] = defaultdict(set)  # line and role -> all wafers of it that were on the station
        for wafer, line, of_set, extent, done, e, step, n, run, role in had:
            mounted[line] = mounted.get(line, True) and wafer in whole
            lay[line, role].add(wafer)
            for panel in members[of_set]:
                if (run, panel) not in complete:
                    rows[_Covered(line, panel, extent, done, e, step, n, run)] = None
        covered = list(rows)
        told = _told(session, {one.panel for one in covered})
        logged = {tuple(row) for row in tuples(session, _LOGGED, panels={one.panel for one in covered if one.work not in told})}
        by_mount: list[_Began] = []
        for one in covered:
            if one.work in told or one.work in logged:
                untold = told.get(one.work, _EVERY)
                if untold:
                    self.known[one.panel].append((one.e, 0, untold))
            else:
                self._mounted[one.line, one.panel] = "yes" if mounted[one.line] else "perhaps"
                by_mount.append((one.e, mounted[one.line] and one.extent == "whole", [one.panel]))
        by_mount_alone = {line for line, _ in self._mounted} - self._lines
        for (line, _), wafers in lay.items():
            if line in by_mount_alone:  # each cell has a die of one of them
                self.beside[line][frozenset(wafers)] = frozenset(wafers.intersection(suspicion.wafers))
        return by_mount


def _told(session: Session, panels: Iterable[int]) -> dict[tuple[int, str, int], int]:
    """(panel, step, round) -> the cells of which no log tells a die of it; those of which none tells anything are not among them."""
    told: dict[tuple[int, str, int], int] = {}
    for panel, size, step, n, cells in tuples(session, _TOLD, panels=panels):
        told[panel, step, n] = told.get((panel, step, n), (1 << size) - 1) & ~int.from_bytes(cells, "little")
    return told


@lru_cache(maxsize=64)
def _full(size: int) -> bytes:
    return ((1 << size) - 1).to_bytes(-(-size // 8), "little")


def _in_regions(session: Session, wafer: int, regions: Sequence[Region], placed: Sequence[Any]) -> list[int]:
    """Of each placement of a wafer the cells with dies of some regions, all at once."""
    if not placed:
        return []
    wide = max(len(row[3]) for row in placed)
    joined = np.frombuffer(b"".join(row[3].ljust(wide, b"\0") for row in placed), dtype=np.uint8)
    has_die = np.unpackbits(joined, bitorder="little").view(bool)
    inside = has_die.copy()
    inside[has_die] = dies_in(session, wafer, regions, *unpack_coordinates([row[4] for row in placed]))
    packed = np.packbits(inside, bitorder="little").tobytes()
    return [int.from_bytes(packed[i : i + wide], "little") for i in range(0, len(packed), wide)]


_NOT_VOID = "not exists (select 1 from run_void x where x.run = {}.run)"
_PLACED, _PLACED_DIES = (
    listed(
        f"""
        select p.run, p.panel, w.rows * w.columns, p.cells{dies} from placement p cross join panel w
        where p.wafer in :wafers and w.item = p.panel and p.closed_e is null and {_NOT_VOID.format("p")}
        """,
        "wafers",
    )
    for dies in ("", ", p.dies")
)
_STEP = "l.e, coalesce(l.step, ''), l.round, l.run"
_DONE, _OPEN = f"m.panel, c.extent, c.done, {_STEP}", f"m.panel, 'open', false, {_STEP}"
# a row a wafer of the same role that a line had as well
_MOUNTED = listed(
    f"""
    with mounted(wafer, line, e, step, round, run, "set", closed_e, role) as (
        select distinct beside.item, l.id, l.e, coalesce(l.step, ''), l.round, l.run, l."set", l.closed_e, w.role
        from use u cross join line l cross join wafer w cross join use beside cross join wafer v
        where u.item in :wafers and l.id = u.line and w.item = u.item and beside.line = u.line and v.item = beside.item and v.role = w.role
        and not exists (select 1 from use_void x where x.line = u.line and x.item in (u.item, beside.item) and x.closed_e is null)
        and {_NOT_VOID.format("l")}
    )
    select had.wafer, had.line, c."set", c.extent, c.done, had.e, had.step, had.round, had.run, had.role
    from mounted had cross join cover c where c.line = had.line
    union all
    select had.wafer, had.line, had."set", 'open', false, had.e, had.step, had.round, had.run, had.role
    from mounted had where had.closed_e is null and had."set" is not null
    """,
    "wafers",
)
_MEMBERS = listed('select "set", panel from member where "set" in :sets', "sets")
_COVERED = listed(
    """
    select l.id, l.e, c.extent = 'whole', (select ids(m.panel) from member m where m."set" = c."set")
    from line l cross join cover c where l.id in :lines and c.line = l.id
    union all
    select l.id, l.e, false, (select ids(m.panel) from member m where m."set" = l."set")
    from line l where l.id in :lines and l.closed_e is null
    """,
    "lines",
)
_COVERED_ON = listed(
    f"""
    select c.line, {_DONE}
    from member m cross join cover c cross join line l where m.panel in :panels and c."set" = m."set" and l.id = c.line and {_NOT_VOID.format("l")}
    union all
    select l.id, {_OPEN}
    from member m cross join line l where m.panel in :panels and l."set" = m."set" and (l.closed_e is null or m.panel = -1)
    and {_NOT_VOID.format("l")}
    """,
    "panels",
)
# works on these panels of which some run has a log, be it of other panels
_LOGGED = listed(
    f"""
    select distinct m.panel, coalesce(l.step, ''), l.round from member m cross join cover c cross join line l
    where m.panel in :panels and c."set" = m."set" and l.id = c.line and {_NOT_VOID.format("l")}
    and exists (select 1 from placement p where p.run = l.run and p.closed_e is null)
    """,
    "panels",
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
