"""Does a lot's count close? In = out + scrapped + sampled + difference + left, with the method and uncertainty of each amount.

A loose lot's left is checked by its latest count; a panel lot's by its cells against what flowed out of its panels.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt
from typing import NamedTuple

from sqlalchemy import Boolean
from sqlalchemy.orm import Session

from app.floor.amounts import OUT_OF_BOOK, Posting, amounts
from app.floor.exits import flows_out
from app.floor.marks import SAMPLED
from app.floor.open_differences import OpenDifference, open_differences
from app.ledger.counting import limit_of
from app.ledger.walk import NEVER
from app.listed import ask, listed, tuples


class Count(NamedTuple):
    """What was counted of a lot, and what the book said then."""

    item: int
    units: int
    book: int | None
    method: str
    u: float
    within: bool | None


@dataclass(frozen=True)
class Balance:
    """The amounts of a lot. `unexplained`: units that nothing explains. `u`: the book's standard uncertainty."""

    postings: tuple[Posting, ...]
    left: int
    u: float
    unexplained: int
    counts: tuple[Count, ...]  # what was counted, oldest first
    unsigned: OpenDifference | None  # a difference beyond the limit that nobody has signed for

    def total(self, what: str) -> int:
        return sum(posting.units for posting in self.postings if posting.what == what)

    @property
    def closes(self) -> bool:
        """Nothing is missing beyond what counting can tell, and nothing waits for a signature."""
        return self.unsigned is None and self.left >= -limit_of(self.u) and abs(self.unexplained) <= limit_of(self.u)


def balance(session: Session, lot: int) -> Balance:
    """in = out + scrapped + sampled + difference + left, for a panel lot or a loose lot."""
    return balances(session, [lot])[lot]


def balances(session: Session, lots: Iterable[int]) -> dict[int, Balance]:
    """The balances of many lots, panel lots and loose ones alike: a fixed number of statements."""
    ids = list(lots)
    forms = dict(tuples(session, _FORMS, lots=ids))
    counts: defaultdict[int, list[Count]] = defaultdict(list)
    for row in ask(session, _COUNTED, lots=ids):
        counts[row.item].append(Count._make(row))
    unsigned = open_differences(session, ids)
    found = {lot: (now.postings, now.book, now.u) for lot, now in amounts(session, [lot for lot in ids if forms[lot] == "loose"]).items()}
    found |= _of_panel_lots(session, [lot for lot in ids if forms[lot] == "panel"])
    return {lot: _balance(*found[lot], tuple(counts[lot]), unsigned.get(lot)) for lot in ids}


def _of_panel_lots(session: Session, lots: list[int]) -> dict[int, tuple[tuple[Posting, ...], int, float]]:
    """Lot -> (postings, left, uncertainty)."""
    stays = _stays(session, lots)
    facts = _PanelFacts(session, sorted({stay.panel for stay in stays}))
    postings: defaultdict[int, list[Posting]] = defaultdict(list)
    left: defaultdict[int, int] = defaultdict(int)
    for stay in stays:
        more, still_there = facts.postings_of(stay)
        postings[stay.lot] += more
        left[stay.lot] += still_there
    return {lot: (tuple(postings[lot]), left[lot], sqrt(sum(posting.u**2 for posting in postings[lot]))) for lot in lots}


def _balance(postings: tuple[Posting, ...], left: int, u: float, counts: tuple[Count, ...], unsigned: OpenDifference | None) -> Balance:
    unexplained = sum(posting.units if posting.what == "in" else -posting.units for posting in postings) - left
    return Balance(postings, left, u, unexplained, counts, unsigned)


class _Stay(NamedTuple):
    """A panel was in the lot from entry `begins` to entry `ends` (NEVER: it still is)."""

    lot: int
    panel: int
    begins: int
    ends: int


def _stays(session: Session, lots: list[int]) -> list[_Stay]:
    """Holdings that follow each other are one stay for the panels that are in both."""
    stays: list[_Stay] = []
    for lot, panel, begins, ends in tuples(session, _HOLDINGS, lots=lots):
        if stays and (stays[-1].lot, stays[-1].panel, stays[-1].ends) == (lot, panel, begins):
            begins = stays.pop().begins
        stays.append(_Stay(lot, panel, begins, NEVER if ends is None else ends))
    return stays


class _Mark(NamedTuple):
    """`cells`: a number of which bit n is cell n. `ends`: the entry that took the mark back; of one that stands, after NEVER."""

    e: int
    ends: int
    reason: str
    cells: int
    mark: int


class _Taken(NamedTuple):
    """What was counted out of a panel without saying which cells."""

    kind: str
    units: int
    method: str
    u: float
    reason: str
    e: int
    entry: int


class _PanelFacts:
    """Marks, counts and exits of some panels, read at once."""

    def __init__(self, session: Session, panels: list[int]) -> None:
        self.cells: dict[int, int] = {panel: (1 << size) - 1 for panel, size in tuples(session, _SIZES, panels=panels)}
        self.marks: dict[int, list[_Mark]] = {panel: [] for panel in panels}
        for panel, e, ends, reason, cells, mark in tuples(session, _MARKS, panels=panels):
            self.marks[panel].append(_Mark(e, NEVER + 1 if ends is None else ends, reason, int.from_bytes(cells, "little"), mark))
        self.taken: dict[int, list[_Taken]] = {panel: [] for panel in panels}
        for panel, *taken in tuples(session, _TAKEN, panels=panels):
            self.taken[panel].append(_Taken(*taken))
        self.exits: dict[int, list[tuple[int, int, int, str]]] = {panel: [] for panel in panels}
        for panel, child, e, units, kind in flows_out(session, panels):
            self.exits[panel].append((child, e, units, kind))

    def postings_of(self, stay: _Stay) -> tuple[list[Posting], int]:
        """What one panel's stay adds to the lot's balance, and the units that are still in the lot through it."""
        _, panel, begins, ends = stay
        exits = [one for one in self.exits[panel] if begins < one[1] <= ends]
        singulated = next((one for one in exits if one[3] != "sample"), None)
        end = singulated[1] if singulated else ends
        good, good_now = self._good(panel, begins), self._good(panel, end)
        came, units = (self._less_taken(panel, cells, e) for cells, e in ((good, begins), (good_now, end)))
        postings = [Posting("in", "panel", max(0, came), "cells", 0.0, panel, e=begins)]
        postings += [Posting("sampled", "cells", n, "cells", 0.0, child, e=e) for child, e, n, kind in exits if kind == "sample"]
        postings += self._marked(stay, end, good, good_now)
        for one in self.taken[panel]:
            if begins < one.e <= end:
                what = "sampled" if one.kind == "destroyed" else one.kind
                postings.append(Posting(what, one.kind, one.units, one.method, one.u, reason=one.reason, e=one.e, entry=one.entry))
        if again := max(0, -units) - max(0, -came):  # units that were scrapped without a cell, and whose cells were marked as well
            postings.append(Posting("scrapped", "mark", -again, "cells", 0.0, reason="cells of units scrapped before", e=end))
        if singulated:
            child, e, n, _ = singulated
            return [*postings, Posting("out", "cells", n, "cells", 0.0, child, e=e)], 0
        if ends != NEVER:
            return [*postings, Posting("out", "panel", max(0, units), "cells", 0.0, panel, e=ends)], 0
        return postings, max(0, units)

    def _good(self, panel: int, e: int) -> int:
        """The cells that were good after entry `e`."""
        good = self.cells[panel]
        for mark in self.marks[panel]:
            if mark.e <= e < mark.ends:
                good &= ~mark.cells
        return good

    def _less_taken(self, panel: int, cells: int, e: int) -> int:
        """Units on these cells after entry `e`; below zero where more were taken out than are left."""
        return cells.bit_count() - sum(one.units for one in self.taken[panel] if one.e <= e)

    def _marked(self, stay: _Stay, end: int, good: int, good_now: int) -> list[Posting]:
        """Cells that were marked in the stay, by reason; each cell counts for the first mark on it.

        Cells that were marked before and came back are counted where they are good now, and where a sample has taken them since.
        """
        postings, began, came_back = [], good, good_now & ~good
        for mark in self.marks[stay.panel]:
            if stay.begins < mark.e <= end < mark.ends:
                newly = mark.cells & good
                good &= ~newly
                if mark.reason == SAMPLED:  # a sample's units are those that its flow took
                    came_back |= mark.cells & self._good(stay.panel, mark.e - 1) & ~began
                else:
                    postings.append(Posting("scrapped", "mark", newly.bit_count(), "cells", 0.0, reason=mark.reason, e=mark.e, mark=mark.mark))
        if back := came_back.bit_count():
            postings.append(Posting("scrapped", "mark", -back, "cells", 0.0, reason="marks taken back", e=end))
        return postings


_KINDS = ", ".join(f"'{kind}'" for kind in OUT_OF_BOOK)
_FORMS = listed("select item, form from lot where item in :lots", "lots")
_COUNTED = listed(
    """
    select item, units, book, method, u, within from count_entry
    where item in :lots and kind = 'counted' and closed_e is null order by id
    """,
    "lots",
).columns(within=Boolean())
_HOLDINGS = listed(
    """
    select h.lot, m.panel, h.e, h.closed_e from lot_holding h join member m on m."set" = h."set"
    where h.lot in :lots order by h.lot, m.panel, h.e
    """,
    "lots",
)
_SIZES = listed("select item, rows * columns from panel where item in :panels", "panels")
_MARKS = listed("select panel, e, closed_e, reason, cells, id from cell_mark where panel in :panels order by id", "panels")
_TAKEN = listed(
    f"""
    select item, kind, units, method, u, reason, e, id from count_entry
    where item in :panels and kind in ({_KINDS}) and closed_e is null order by id
    """,
    "panels",
)
