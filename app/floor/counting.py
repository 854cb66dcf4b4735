"""Counts of what is there, against the book; and what may be taken out of a loose lot.

A difference inside twice the combined uncertainty is booked as within counting and changes no amount: what may be taken then is
the book plus twice the uncertainty, and taking more than the book books the difference. One beyond it must be signed for.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import hypot

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import Reason, Refused, bad_input, few, refuse
from app.floor.amounts import Book, amount
from app.floor.batch_counts import frames_left, is_uncounted_batch
from app.floor.facts import refuse_or_hold
from app.floor.loose_stock import settle
from app.floor.marks import good_units, singulated
from app.floor.open_differences import NOT_SIGNED, TAKEN_AS_FACT, open_differences
from app.floor.out_of_turn import hold_what_leaves_late
from app.floor.placement_verdicts import judge_marked, judge_unmarked
from app.journal.act import By, lock
from app.ledger.counting import Difference, compare, spare_of
from app.ledger.counts import NOT_COUNTED, TAKEN_BEYOND, CountEntry
from app.ledger.flows import KINDS, Flow
from app.ledger.items import Batch, Item, Lot, Panel
from app.ledger.sets import panels_of_lot
from app.naming.resolve import code_of, codes_of

METHODS = ("cells", "counter", "pockets", "weight", "hand")


@dataclass(frozen=True)
class Counted:
    """A count with what the book said, and the difference between them."""

    entry: CountEntry
    difference: Difference


def count_units(session: Session, by: By, item: int, units: int, method: str, u: float, run: int | None = None, reason: str = "") -> Counted:
    """A count of a panel, a lot or a batch of lead frames. It changes no amount; a batch's first opens its book. `u`: standard uncertainty, units."""
    checked_count(units, method, u)
    lock(session, Item, [item])
    if is_uncounted_batch(session, item):
        return Counted(opening(session, by, item, units, method, u), compare(units, units, u, u))
    book, u_book = _book(session, item)
    difference = compare(book, units, u_book, u)
    entry = CountEntry(
        e=by.e, item=item, run=run, kind="counted", units=units, method=method, u=u, reason=reason, book=book, within=difference.within
    )
    session.add(entry)
    session.flush()
    return Counted(entry, difference)


def sign_difference(session: Session, by: By, item: int, words: str) -> CountEntry:
    """Signs for the open difference of a loose lot or panel: it leaves the book as an amount of its own."""
    lock(session, Item, [item])
    found = open_differences(session, [item]).get(item)
    name = _name(session, item)
    if found is None:
        why = "Its latest count agrees, or was signed for."
        raise refuse("finished", f"{name} has no difference to sign for.", why, "Count it again if in doubt.")
    if not words.strip():
        raise bad_input("A signature needs words.", "words", "They are empty.", "Say where the units went, or that nobody knows.")
    if words.strip() in NOT_SIGNED:
        why = f"The record itself books differences as {words.strip()!r}."
        raise bad_input("A signature needs words of its own.", "words", why, "Say it in other words.")
    count, missing = session.get_one(CountEntry, found.entry), found.book - found.units
    book, _ = _book(session, item)
    _must_be_bookable(session, item, name, missing, book)
    entry = CountEntry(
        e=by.e, item=item, run=count.run, kind="difference", units=missing, method=count.method, u=count.u, reason=words.strip(),
        book=book, within=False,
    )  # fmt: skip
    session.add(entry)
    session.flush()
    settle(session, by, [item])
    _judge_panel(session, by, item, judge_marked)
    return entry


def correct_count(session: Session, by: By, entry: int) -> CountEntry:
    """Takes back a count, scrap or difference that was entered wrongly; the right one is entered anew."""
    found = session.get(CountEntry, entry)
    if found is None:
        raise bad_input("There is no such count.", "entry", f"Number {entry} is unknown.", "Take it from the lot's page.")
    lock(session, Item, [found.item])
    session.refresh(found)
    if found.closed_e is not None:
        raise refuse("finished", f"Count {entry} was taken back before.", "It counts no more.", "Look at the lot's page.")
    is_of_batch = session.get(Batch, found.item) is not None  # whose opening is a count like any other
    if (found.kind in ("opening", "destroyed") and not is_of_batch) or found.reason in NOT_COUNTED:
        why = "It belongs to a split, a sample, a taking or corrected results."
        raise refuse("finished", f"Count {entry} can't be taken back.", why, "Count the lot, and sign.")
    found.closed_e = by.e
    session.flush()
    settle(session, by, [found.item])
    _judge_panel(session, by, found.item, judge_unmarked)
    return found


def available(session: Session, lot: int) -> int:
    """How many units may be taken out of a loose lot: the book, and after a count within counting twice the uncertainty more."""
    return _available(session, lot, amount(session, lot))


def take(
    session: Session, by: By, lot: int, units: int, child: int, kind: str, run: int | None = None, method: str | None = None, u: float = 0.0
) -> Flow:
    """`units` of a loose lot become part of `child`. The lot must be locked. `method` and `u`: how a split was counted."""
    _take_out_of_book(session, by, lot, units, run)
    flow = Flow(e=by.e, child=child, parent=lot, kind=kind, walked=KINDS[kind][1], run=run, units=units)
    session.add(flow)
    if method is not None:
        opening(session, by, child, units, method, u)
    session.flush()
    settle(session, by, [lot, child])
    hold_what_leaves_late(session, by, lot, child)
    return flow


def take_nowhere(session: Session, by: By, item: int, units: int, kind: str, method: str, u: float, reason: str, run: int | None) -> CountEntry:
    """Units leave the book without going on: scrapped or destroyed. `item`: loose lot or panel, locked."""
    checked_count(units, method, u)
    lot = session.get(Lot, item)
    if lot is not None and lot.form == "loose":
        _take_out_of_book(session, by, item, units, run)
    else:
        must_be_on_panel(session, by, [item], "Nothing was taken off it.")
        book, _ = _book(session, item)
        _must_have(session, by, item, units, book)
    entry = CountEntry(e=by.e, item=item, run=run, kind=kind, units=units, method=method, u=u, reason=reason, book=None, within=None)
    session.add(entry)
    session.flush()
    settle(session, by, [item])
    _judge_panel(session, by, item, judge_marked)
    return entry


def must_be_on_panel(session: Session, by: By, panels: Iterable[int], what: str) -> None:
    """Nothing is taken off a panel whose units have become loose, nor marked on it: they are in the loose lot, which that would not touch."""
    loose = sorted(singulated(session, panels))
    if loose:
        why = f"The units of {few(codes_of(session, 'panel', loose).values())} have become loose."
        refuse_or_hold(session, by, what, [Reason("finished", why, "Name the loose lot that they are in.")], panels=loose)


def opening(session: Session, by: By, item: int, units: int, method: str, u: float) -> CountEntry:
    """How the units that a loose lot takes in were counted, or the frames of a batch for the first time."""
    checked_count(units, method, u)
    entry = CountEntry(e=by.e, item=item, run=None, kind="opening", units=units, method=method, u=u, reason="", book=units, within=True)
    session.add(entry)
    session.flush()
    return entry


def _judge_panel(session: Session, by: By, item: int, judge: Callable[[Session, By, list[int]], object]) -> None:
    """Units that left a panel without a cell need no die; those that are back on the book do."""
    if session.get(Panel, item) is not None:
        judge(session, by, [item])


def checked_count(units: int, method: str, u: float) -> None:
    if method not in METHODS:
        raise bad_input("A count is made in a known way.", "method", f"{method!r} is not one of: {', '.join(METHODS)}.", "Choose one of them.")
    if units < 0:
        raise bad_input("A count is a whole number from 0 up.", "units", f"It is {units}.", "Correct the number.")
    if not 0 <= u < float("inf"):
        raise bad_input("An uncertainty is a number from 0 up.", "u", f"It is {u}.", "Give the standard uncertainty in units.")


def _available(session: Session, lot: int, now: Book) -> int:
    if now.book < 0:
        return 0
    extra, u_count, since = 0, 0.0, 0
    latest = _latest_count(session, lot)
    if latest is not None:
        u_count, since = (latest.u if latest.within else 0.0), latest.e
    if lot not in open_differences(session, [lot]):
        extra = spare_of(hypot(now.u, u_count))
    beyond = -sum(posting.units for posting in now.postings if posting.reason == TAKEN_BEYOND and posting.e >= since)
    return now.book + max(0, extra - beyond)


def _latest_count(session: Session, lot: int) -> CountEntry | None:
    query = select(CountEntry).where(CountEntry.item == lot, CountEntry.kind == "counted", CountEntry.closed_e.is_(None))
    return session.scalar(query.order_by(CountEntry.id.desc()).limit(1))


def _take_out_of_book(session: Session, by: By, lot: int, units: int, run: int | None) -> None:
    """Checks that so much may be taken, and books what goes beyond the book."""
    if units < 1:
        raise bad_input("Nothing to take.", "units", f"It is {units}.", "Give a number from 1 up.")
    now = amount(session, lot)
    there = _available(session, lot, now)
    _must_have(session, by, lot, units, there)
    beyond = units - max(0, now.book)
    if beyond > 0:
        _book_beyond(session, by, lot, beyond, now.book, run, within=units <= there)


def _book_beyond(session: Session, by: By, lot: int, beyond: int, book: int, run: int | None, *, within: bool) -> None:
    """More was there than the book said. Beyond what counting can tell it comes here only as a fact, and the lot is held."""
    latest = _latest_count(session, lot)
    method = latest.method if latest is not None else "hand"
    reason = TAKEN_BEYOND if within else TAKEN_AS_FACT
    session.add(
        CountEntry(e=by.e, item=lot, run=run, kind="difference", units=-beyond, method=method, u=0.0, reason=reason, book=book, within=within)
    )
    session.flush()


def _must_have(session: Session, by: By, item: int, units: int, there: int) -> None:
    if units <= there:
        return
    reason = Reason("too_few_units", f"{_name(session, item)} has {there} units to take, not {units}.", "Take fewer, or count what is there.")
    lot = session.get(Lot, item)
    loose = lot is not None and lot.form == "loose"
    refuse_or_hold(session, by, f"{units} units were not taken.", [reason], loose=[item] if loose else [], panels=[] if loose else [item])


def _book(session: Session, item: int) -> tuple[int, float]:
    lot = session.get(Lot, item)
    if lot is not None and lot.form == "loose":
        now = amount(session, item)
        return now.book, now.u
    if lot is not None:
        return sum(good_units(session, panels_of_lot(session, item)).values()), 0.0
    kind = session.get_one(Item, item).kind
    if kind == "batch":
        return frames_left(session, item)
    if kind != "panel":
        raise bad_input("That is not counted so.", "item", "Only panels, lots and batches of lead frames are.", "Scan a lot.")
    return good_units(session, [item])[item], 0.0


def _must_be_bookable(session: Session, item: int, name: str, missing: int, book: int) -> None:
    lot = session.get(Lot, item)
    if lot is not None and lot.form == "panel":
        raise Refused(
            f"The difference of {name} was not signed for.",
            Reason("bad_input", "Nobody knows on which panel units are missing.", "Mark the cells, or count and sign panel by panel.", "item"),
        )
    if missing < 0 and session.get(Panel, item) is not None:
        raise refuse("changed", f"The difference of {name} was not signed for.", "A panel can't hold more than its good cells.", "Correct the marks.")
    if missing > book:
        raise refuse("changed", f"The difference of {name} was not signed for.", "Units have left since the count.", "Count it again.")


def _name(session: Session, item: int) -> str:
    return code_of(session, session.get_one(Item, item).kind, item)
