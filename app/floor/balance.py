"""Does a lot's count close? In = out + scrapped + sampled + difference + left, with the method and uncertainty of each amount.

A loose lot's left is checked by its latest count; a panel lot's by its cells against what flowed out of its panels.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.amounts import OUT_OF_BOOK, Posting, amounts
from app.floor.counting import open_differences
from app.floor.exits import Exit, exits_of, good_at
from app.floor.marks import SAMPLED
from app.ledger.cells import CellMark
from app.ledger.counts import CountEntry
from app.ledger.items import Lot, Panel
from app.ledger.sets import LotHolding, Member
from app.ledger.walk import NEVER


@dataclass(frozen=True)
class Balance:
    """The amounts of a lot. `residual`: units that nothing explains. `u`: the book's standard uncertainty."""

    postings: tuple[Posting, ...]
    left: int
    u: float
    residual: int
    counts: tuple[CountEntry, ...]  # what was counted, oldest first
    unsigned: CountEntry | None  # a difference beyond the limit that nobody has signed for

    def total(self, what: str) -> int:
        return sum(posting.units for posting in self.postings if posting.what == what)

    @property
    def closes(self) -> bool:
        """Nothing is missing beyond what counting can tell, and nothing waits for a signature."""
        return self.unsigned is None and self.left >= -2 * self.u and abs(self.residual) <= 2 * self.u


def balance(session: Session, lot: int) -> Balance:
    """in = out + scrapped + sampled + difference + left, for a panel lot or a loose lot."""
    return balances(session, [lot])[lot]


def balances(session: Session, lots: Iterable[int]) -> dict[int, Balance]:
    """The balances of many lots, panel lots and loose ones alike: a fixed number of statements."""
    ids = list(lots)
    forms = {lot: form for lot, form in session.execute(select(Lot.item, Lot.form).where(Lot.item.in_(ids)))}
    query = select(CountEntry).where(CountEntry.item.in_(ids), CountEntry.kind == "counted", CountEntry.closed_e.is_(None))
    counts: defaultdict[int, list[CountEntry]] = defaultdict(list)
    for entry in session.scalars(query.order_by(CountEntry.id)):
        counts[entry.item].append(entry)
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


def _balance(postings: tuple[Posting, ...], left: int, u: float, counts: tuple[CountEntry, ...], unsigned: CountEntry | None) -> Balance:
    residual = sum(posting.units if posting.what == "in" else -posting.units for posting in postings) - left
    return Balance(postings, left, u, residual, counts, unsigned)


@dataclass(frozen=True)
class _Stay:
    """A panel was in the lot from entry `begins` to entry `ends` (NEVER: it still is)."""

    lot: int
    panel: int
    begins: int
    ends: int


def _stays(session: Session, lots: list[int]) -> list[_Stay]:
    """Holdings that follow each other are one stay for the panels that are in both."""
    query = (
        select(LotHolding.lot, Member.panel, LotHolding.e, LotHolding.closed_e)
        .join(LotHolding, LotHolding.set == Member.set)
        .where(LotHolding.lot.in_(lots))
        .order_by(LotHolding.lot, Member.panel, LotHolding.e)
    )
    stays: list[_Stay] = []
    for lot, panel, begins, ends in session.execute(query):
        if stays and (stays[-1].lot, stays[-1].panel, stays[-1].ends) == (lot, panel, begins):
            begins = stays.pop().begins
        stays.append(_Stay(lot, panel, begins, NEVER if ends is None else ends))
    return stays


class _PanelFacts:
    """Marks, counts and exits of some panels, read at once."""

    def __init__(self, session: Session, panels: list[int]) -> None:
        sizes = select(Panel.item, Panel.rows, Panel.columns).where(Panel.item.in_(panels))
        self.sizes = {panel: (rows, columns) for panel, rows, columns in session.execute(sizes)}
        self.marks = _by_panel(session.scalars(select(CellMark).where(CellMark.panel.in_(panels)).order_by(CellMark.id)))
        counted = select(CountEntry).where(CountEntry.item.in_(panels), CountEntry.kind.in_(OUT_OF_BOOK), CountEntry.closed_e.is_(None))
        self.counts: defaultdict[int, list[CountEntry]] = defaultdict(list)
        for entry in session.scalars(counted.order_by(CountEntry.id)):
            self.counts[entry.item].append(entry)
        self.exits: defaultdict[int, list[Exit]] = defaultdict(list)
        for exit_ in exits_of(session, panels):
            self.exits[exit_.panel].append(exit_)

    def postings_of(self, stay: _Stay) -> tuple[list[Posting], int]:
        """What one panel's stay adds to the lot's balance, and the units that are still in the lot through it."""
        exits = [exit_ for exit_ in self.exits[stay.panel] if stay.begins < exit_.e <= stay.ends]
        singulated = next((exit_ for exit_ in exits if not exit_.to_sample), None)
        end = singulated.e if singulated else stay.ends
        counts = [entry for entry in self.counts[stay.panel] if stay.begins < entry.e <= end]
        postings = [Posting("in", "panel", self._units(stay.panel, stay.begins), "cells", 0.0, stay.panel, e=stay.begins)]
        postings += [
            Posting("sampled", "cells", exit_.units, "cells", 0.0, exit_.child, e=exit_.e) for exit_ in exits if exit_.to_sample
        ]
        postings += self._marked(stay, end)
        postings += [Posting(_what(entry), entry.kind, entry.units, entry.method, entry.u, reason=entry.reason, e=entry.e) for entry in counts]
        if again := self._counted_again(stay.panel, end) - self._counted_again(stay.panel, stay.begins):
            postings.append(Posting("scrapped", "mark", -again, "cells", 0.0, reason="cells of units scrapped before", e=end))
        if singulated:
            return [*postings, Posting("out", "cells", singulated.units, "cells", 0.0, singulated.child, e=singulated.e)], 0
        units = self._units(stay.panel, end)
        if stay.ends != NEVER:
            return [*postings, Posting("out", "panel", units, "cells", 0.0, stay.panel, e=stay.ends)], 0
        return postings, units

    def _units(self, panel: int, e: int) -> int:
        """Good units of a panel after entry `e`."""
        return max(0, self._good_less_scrapped(panel, e))

    def _counted_again(self, panel: int, e: int) -> int:
        """Units that were scrapped without a cell, and whose cells were marked as well."""
        return max(0, -self._good_less_scrapped(panel, e))

    def _good_less_scrapped(self, panel: int, e: int) -> int:
        without_cell = sum(entry.units for entry in self.counts[panel] if entry.e <= e)
        return bitmaps.count(good_at(self.sizes[panel], self.marks[panel], e)) - without_cell

    def _marked(self, stay: _Stay, end: int) -> list[Posting]:
        """Cells that were marked in the stay, by reason; each cell counts for the first mark on it."""
        good = good_at(self.sizes[stay.panel], self.marks[stay.panel], stay.begins)
        postings = []
        for mark in self.marks[stay.panel]:
            if stay.begins < mark.e <= end and (mark.closed_e is None or mark.closed_e > end):
                newly = bitmaps.read(mark.cells) & good
                good = good & ~newly
                if mark.reason != SAMPLED:  # a sample's units are those that its flow took
                    postings.append(Posting("scrapped", "mark", bitmaps.count(newly), "cells", 0.0, reason=mark.reason, e=mark.e))
        back = bitmaps.count(good_at(self.sizes[stay.panel], self.marks[stay.panel], end)) - bitmaps.count(good)
        if back:
            postings.append(Posting("scrapped", "mark", -back, "cells", 0.0, reason="marks taken back", e=end))
        return postings


def _by_panel(marks: Iterable[CellMark]) -> defaultdict[int, list[CellMark]]:
    found: defaultdict[int, list[CellMark]] = defaultdict(list)
    for mark in marks:
        found[mark.panel].append(mark)
    return found


def _what(entry: CountEntry) -> str:
    return "sampled" if entry.kind == "destroyed" else entry.kind
