"""What a suspicion marks on its panels, in units: what left them, exit by exit, and what is on them or went to scrap. As the record says it.

Panels come by ten thousands where a week of a material is suspected, so some thousands are read at a time, and of each three numbers are kept.
What left at one moment for one loose lot is told together: the panels of a lot give up their units in one act. Of a panel that is marked whole
no cell is looked at, unless units were scrapped of unknown ones: its good cells are the units that it gave.

A unit that was scrapped without a cell may have left the panel then, or have stayed on it to the end: of what came to the panel later nobody can
say whether it had it. Surely it has the marks of then alone.
"""

from collections import defaultdict
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.floor.amounts import OUT_OF_BOOK
from app.floor.marks import SAMPLED
from app.genealogy.suspect_cells import SuspectCells
from app.ledger import walk
from app.listed import listed, tuples

_AT_ONCE = 5000  # panels
_Mark = tuple[int, int, str, int]  # in force from an entry until another; the reason; cells
_Lost = tuple[int, int]  # the entry and units of what was scrapped without a cell


class Marked(NamedTuple):
    """Of so many units so many are marked, surely and possibly."""

    units: int
    sure: int
    possible: int

    def and_also(self, other: "Marked") -> "Marked":
        return Marked(self.units + other.units, self.sure + other.sure, self.possible + other.possible)


_NONE = Marked(0, 0, 0)


class Short(NamedTuple):
    """What left a panel as fewer units than cells: `lost` were scrapped, and nobody knows of which cells."""

    panel: int
    child: int
    e: int
    lost: int
    marked: Marked


class MarkedPanels:
    """What the marks of several suspicions that must all hold come to."""

    def __init__(self, session: Session, cells: SuspectCells) -> None:
        self._session, self._cells, self._whole = session, cells, cells.whole()
        self.panels: dict[int, Marked] = {}  # all cells of each, whatever became of them: a sample's as they were when it was taken
        self.here: dict[int, Marked] = {}  # of each that is not singulated what is on it now
        self.scrapped: list[Marked] = []  # by the cells, wherever these are known
        self.left: dict[tuple[int, int], Marked] = {}  # (child, entry) -> all that came into it then of these panels, whole exits
        self.short: list[Short] = []
        self.samples: set[int] = set()  # of the children
        for start in range(0, len(cells.panels), _AT_ONCE):
            self._read(cells.panels[start : start + _AT_ONCE])

    def _read(self, panels: Sequence[int]) -> None:
        exits = tuples(self._session, _EXITS, panels=panels)
        kinds = walk.kinds_of(self._session, {row[2] for row in exits} - {None})
        self.samples.update(child for child, kind in kinds.items() if kind == "sample")
        by_cells = self._by_cells(panels, exits)
        self._add_simple([row for row in exits if row[0] not in by_cells] if by_cells else exits)
        if by_cells:
            self._read_cells([panel for panel in panels if panel in by_cells], [row for row in exits if row[0] in by_cells])

    def _by_cells(self, panels: Sequence[int], exits: Sequence[Any]) -> set[int]:
        """All but those of which everything that left is marked, and which gave all their good cells as units: of these no cell need be looked at."""
        samples, whole = self.samples, self._whole
        if not whole:
            return set(panels)
        gone = {row[0] for row in exits if row[2] not in samples}
        return set(panels) - (gone & whole.keys()) | {row[0] for row in exits if row[5] or row[3] <= whole.get(row[0], walk.NEVER)}

    def _add_simple(self, exits: Sequence[Any]) -> None:
        came: defaultdict[tuple[int, int], int] = defaultdict(int)
        bad = {row[0]: row[1] for row in exits}
        self.panels.update(zip(bad, map(_all, bad.values()), strict=True))
        for panel, _, child, e, units, _ in exits:
            came[child, e] += units
            bad[panel] -= units
        for key, units in came.items():
            self._add_left(key, units, units, units)
        self.scrapped += map(_all, filter(None, bad.values()))

    def _read_cells(self, panels: Sequence[int], rows: Sequence[Any]) -> None:
        marks: dict[int, list[_Mark]] = {panel: [] for panel in panels}
        for panel, e, closed_e, reason, cells in tuples(self._session, _MARKS, panels=panels):
            marks[panel].append((e, walk.NEVER if closed_e is None else closed_e, reason, int.from_bytes(cells, "little")))
        exits: dict[int, list[Any]] = {panel: [] for panel in panels}
        for row in rows:
            exits[row[0]].append(row)
        lost: dict[int, list[_Lost]] = {panel: [] for panel in panels}
        for panel, e, units in tuples(self._session, _LOST, panels={row[0] for row in rows if row[5]}):
            lost[panel].append((e, units))
        for panel, its in exits.items():
            self._add(panel, its, marks[panel], lost[panel])

    def _add(self, panel: int, exits: Sequence[Any], marks: Sequence[_Mark], lost: Sequence[_Lost]) -> None:
        size = exits[0][1]
        full = (1 << size) - 1
        bad, now = full, self._cells.at(panel, walk.NEVER)
        stayed, in_samples, unsure, is_still = full, _NONE, 0, True
        for _, _, child, e, units, _ in exits:
            if child in self.samples:
                cells = _taken(marks, e)
                marked = Marked(units, *self._cells.at(panel, e).within(cells))
                self._add_left((child, e), *marked)
                stayed, in_samples = stayed & ~cells, in_samples.and_also(marked)
            elif child is not None:
                cells, is_still = _good(full, marks, e), False
                unsure += self._add_exit(panel, child, e, units, cells, lost)
            else:
                continue
            bad &= ~cells
        if is_still:
            good = _good(full, marks, walk.NEVER - 1)
            bad &= ~good
            unsure += self._add_here(panel, good, lost)
        if now.possible & bad:
            self.scrapped.append(Marked(bad.bit_count(), *now.within(bad)))
        sure, possible = now.within(stayed)
        self.panels[panel] = Marked(size, max(0, sure - unsure) + in_samples.sure, possible + in_samples.possible)

    def _add_exit(self, panel: int, child: int, e: int, units: int, cells: int, lost: Sequence[_Lost]) -> int:
        """Answers of how many units that were scrapped it is not sure whether they have the cells' marks."""
        rest, unsure = self._add_early(panel, e, cells, lost, cells.bit_count() - units)
        if rest.units > units:
            self.short.append(Short(panel, child, e, rest.units - units, rest))
        else:
            self._add_left((child, e), units, rest.sure, rest.possible)
        return unsure

    def _add_early(self, panel: int, e: int, cells: int, lost: Sequence[_Lost], most: int) -> tuple[Marked, int]:
        """What was scrapped, without a cell, before the last sure marks of entry `e` had come; `most` units. Answers the rest of the cells."""
        n = cells.bit_count()
        sure, possible = self._cells.at(panel, e).within(cells)
        early, early_sure = 0, 0
        for since, units in lost:
            then, _ = self._cells.at(panel, since).within(cells)
            if since < e and then < sure and (units := min(units, most - early)) > 0:
                early, early_sure = early + units, early_sure + max(0, then + units - n)
        if early:
            self.scrapped.append(Marked(early, early_sure, min(early, possible)))
        return Marked(n - early, max(0, sure - early), min(possible, n - early)), early - early_sure

    def _add_left(self, key: tuple[int, int], units: int, sure: int, possible: int) -> None:
        self.left[key] = self.left.get(key, _NONE).and_also(Marked(units, sure, possible))

    def _add_here(self, panel: int, cells: int, lost: Sequence[_Lost]) -> int:
        """What is on the panel, and of it what was scrapped without a cell. Answers as `_add_exit`."""
        units = max(0, cells.bit_count() - sum(units for _, units in lost))
        (n, sure, possible), unsure = self._add_early(panel, walk.NEVER, cells, lost, cells.bit_count() - units)
        gone = n - units
        self.here[panel] = Marked(units, max(0, sure - gone), min(possible, units))
        if gone:
            self.scrapped.append(Marked(gone, max(0, sure - units), min(possible, gone)))
        return unsure


@lru_cache(maxsize=1024)
def _all(units: int) -> Marked:
    return Marked(units, units, units)


def _good(full: int, marks: Sequence[_Mark], e: int) -> int:
    """The cells that were good after entry `e`."""
    for since, until, _, cells in marks:
        if since <= e < until:
            full &= ~cells
    return full


def _taken(marks: Sequence[_Mark], e: int) -> int:
    """The cells that a sample took at entry `e`."""
    taken = 0
    for since, _, reason, cells in marks:
        if since == e and reason == SAMPLED:
            taken |= cells
    return taken


_OUT = ", ".join(f"'{kind}'" for kind in OUT_OF_BOOK)
_MARKS = listed("select panel, e, closed_e, reason, cells from cell_mark where panel in :panels", "panels")
# a row a panel and exit: a panel that nothing left has one without; last, whether that is so, or units were ever scrapped without a cell, taken
# back or not
_EXITS = listed(
    f"""
    select p.item, p.rows * p.columns, f.child, f.e, f.units,
        f.child is null or exists (select 1 from count_entry c where c.item = p.item and c.kind in ({_OUT}))
    from panel p left join flow f on f.parent = p.item and f.kind = 'cells'
    where p.item in :panels
    """,
    "panels",
)
_LOST = listed(
    f"""
    select item, e, units from count_entry where item in :panels and kind in ({_OUT}) and closed_e is null
    """,
    "panels",
)
