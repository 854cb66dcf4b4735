"""What a suspicion marks on its panels, in units: what left them, exit by exit, and what is on them or went to scrap. As the record says it.

Panels come by ten thousands where a week of a material is suspected, so some thousands are read at a time, and of each three numbers are kept.
What left at one moment for one loose lot is told together: the panels of a lot give up their units in one act.
"""

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy.orm import Session

from app.floor.amounts import OUT_OF_BOOK
from app.floor.marks import SAMPLED
from app.genealogy.suspect_cells import SuspectCells
from app.ledger import walk
from app.listed import ask, listed

_AT_ONCE = 5000  # panels
_Mark = tuple[int, int, str, int]  # in force from an entry until another; the reason; cells


class Marked(NamedTuple):
    """Of so many units so many are marked, surely and possibly."""

    units: int
    sure: int
    possible: int


class Short(NamedTuple):
    """What left a panel as fewer units than cells: `lost` were scrapped, and nobody knows of which cells."""

    panel: int
    child: int
    e: int
    lost: int
    marked: Marked


class Known(NamedTuple):
    """Units of a panel that did not mix. `kind`: panel (they are on it), lost (scrapped, of unknown cells), bad cells."""

    kind: str
    panel: int
    marked: Marked


class MarkedPanels:
    """What the marks of several suspicions that must all hold come to."""

    def __init__(self, session: Session, cells: SuspectCells) -> None:
        self._session, self._cells = session, cells
        self.panels: dict[int, Marked] = {}  # all cells of each, whatever became of them
        self.known: list[Known] = []
        self.left: dict[tuple[int, int], Marked] = {}  # (child, entry) -> all that came into it then of these panels, whole exits
        self.short: list[Short] = []
        self.samples: set[int] = set()  # of the children
        for start in range(0, len(cells.panels), _AT_ONCE):
            self._read(cells.panels[start : start + _AT_ONCE])

    def _read(self, panels: Sequence[int]) -> None:
        marks: defaultdict[int, list[_Mark]] = defaultdict(list)
        for panel, e, closed_e, reason, cells in ask(self._session, _MARKS, panels=panels):
            marks[panel].append((e, walk.NEVER if closed_e is None else closed_e, reason, int.from_bytes(cells, "little")))
        exits: dict[int, list[tuple[int, int, int, str]]] = {}
        sizes: dict[int, int] = {}
        for panel, size, child, e, units, kind in ask(self._session, _EXITS, panels=panels):
            sizes[panel] = size
            exits.setdefault(panel, [])
            if child is not None:
                exits[panel].append((child, e, units, kind))
        still = [panel for panel, its in exits.items() if all(kind == "sample" for _, _, _, kind in its)]
        lost = dict(ask(self._session, _LOST, panels=still))
        there = set(still)
        for panel, its in exits.items():
            self._add(panel, sizes[panel], its, marks.get(panel, ()), lost.get(panel, 0), gone=panel not in there)

    def _add(self, panel: int, size: int, exits: Sequence[tuple[int, int, int, str]], marks: Sequence[_Mark], lost: int, *, gone: bool) -> None:
        full, left = (1 << size) - 1, 0
        for child, e, units, kind in exits:
            cells = _taken(marks, e) if kind == "sample" else _good(full, marks, e)
            left |= cells
            self._add_exit(panel, child, e, units, cells)
            if kind == "sample":
                self.samples.add(child)
        now = self._cells.at(panel, walk.NEVER)
        bad = full & ~left
        if not gone:
            good = _good(full, marks, walk.NEVER - 1)
            bad &= ~good
            self._add_here(panel, good.bit_count(), lost, *now.within(good))
        if now.possible & bad:
            self.known.append(Known("bad cells", panel, Marked(bad.bit_count(), *now.within(bad))))
        self.panels[panel] = Marked(size, *now.within(full))

    def _add_exit(self, panel: int, child: int, e: int, units: int, cells: int) -> None:
        n, marked = cells.bit_count(), self._cells.at(panel, e)
        sure, possible = marked.within(cells)
        if n > units:
            self.short.append(Short(panel, child, e, n - units, Marked(n, sure, possible)))
        elif (before := self.left.get((child, e))) is not None:
            self.left[child, e] = Marked(before.units + units, before.sure + sure, before.possible + possible)
        else:
            self.left[child, e] = Marked(units, sure, possible)

    def _add_here(self, panel: int, good: int, lost: int, sure: int, possible: int) -> None:
        """What is on the panel, and of it what was scrapped without a cell."""
        units = max(0, good - lost)
        gone = max(0, good - units)
        self.known.append(Known("panel", panel, Marked(units, max(0, sure - gone), min(possible, units))))
        if gone:
            self.known.append(Known("lost", panel, Marked(gone, max(0, sure - units), min(possible, gone))))


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


_MARKS = listed("select panel, e, closed_e, reason, cells from cell_mark where panel in :panels", "panels")
# a row a panel and exit: a panel that nothing left has one without
_EXITS = listed(
    """
    select p.item, p.rows * p.columns, f.child, f.e, f.units, i.kind
    from panel p left join flow f on f.parent = p.item and f.kind = 'cells' left join item i on i.id = f.child
    where p.item in :panels
    """,
    "panels",
)
_LOST = listed(
    f"""
    select item, cast(sum(units) as bigint) from count_entry
    where item in :panels and kind in ({", ".join(f"'{kind}'" for kind in OUT_OF_BOOK)}) and closed_e is null group by item
    """,
    "panels",
)
