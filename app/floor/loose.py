"""Loose lots: a lot takes in, then is worked on, then gives out. Going back a phase makes a new lot by itself (rule 4).

So no jar makes every later reel descend from every earlier lot, and nothing inherits what was done before it came or after it left.
The successor keeps the container: whoever scans the jar's label reaches it. Phases are read from rows and stored nowhere.
"""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from app.errors import Reason, bad_input, refuse
from app.floor.amounts import amount, amounts, has_been_worked, has_given_out
from app.floor.containers import item_leaves_container, put_item
from app.floor.counting import available, opening, take
from app.floor.facts import refuse_or_hold
from app.floor.in_work import in_work_reasons
from app.floor.loose_stock import settle
from app.floor.lot_families import differing_routes, first_lot, part_of_lot
from app.floor.moves import stays_where_it_was
from app.floor.open_differences import OpenDifference, open_differences
from app.floor.out_of_turn import hold_what_leaves_late, hold_what_left_later
from app.holds.stopped import stops_on
from app.journal.act import By, lock
from app.ledger.counting import spare_of
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Item, Lot
from app.naming.resolve import codes_of


def new_loose_lot(session: Session, by: By, product: int, order: int | None, route: int) -> Lot:
    """An empty loose lot that begins a family of its own: units of several lots, or off the tape."""
    return first_lot(session, by, "loose", product, order, route)


def lot_for_taking_in(session: Session, by: By, lot: int) -> Lot:
    """The lot that takes units in: this one, or when it has been worked on or has given out, the new one that goes on from it."""
    it = must_be_loose(session, lot)
    if has_been_worked(session, lot) or has_given_out(session, lot):
        return _successor(session, by, it)
    return it


def lot_for_work(session: Session, by: By, lot: int) -> Lot:
    """The lot that a run works on: this one, or when something has left it, the new one that goes on from it."""
    it = must_be_loose(session, lot)
    return _successor(session, by, it) if has_given_out(session, lot) else it


def lot_for_giving(session: Session, by: By, lot: int) -> Lot:
    """The lot that gives units out: always this one, for giving is the last phase. Refused while it is in work."""
    it = must_be_loose(session, lot)
    refuse_or_hold(session, by, f"Nothing was taken out of {_name(session, lot)}.", in_work_reasons(session, [lot]), loose=[lot])
    return it


def split_loose(session: Session, by: By, lot: int, units: int, method: str = "hand", u: float = 0.0) -> Lot:
    """A part of a loose lot leaves it under a code of its own. `method` and `u` (standard, units): how the part was counted."""
    it = must_be_loose(session, lot)
    lock(session, Item, sorted({lot, it.root or lot}))
    name = _name(session, lot)
    if units >= available(session, lot) and not by.fact:
        raise refuse(
            "too_few_units", f"{name} was not split.", f"It has {available(session, lot)} units: nothing would stay.", "Take fewer out."
        )
    lot_for_giving(session, by, lot)
    part = part_of_lot(session, by, it)
    take(session, by, lot, units, part.item, "split", method=method, u=u)
    stays_where_it_was(session, by, part.item, [lot])
    return part


def merge_loose(session: Session, by: By, into: int, others: Sequence[int]) -> Lot:
    """All that is in `others` is poured into `into` (or what goes on from it): same product, order, bin and grade."""
    ids = [into, *dict.fromkeys(others)]
    if len(ids) < 2 or into in others:
        raise bad_input("A merge needs two lots or more.", "others", "None other than the first is named.", "Scan the lots that join it.")
    lots = {lot: must_be_loose(session, lot) for lot in ids}
    lock(session, Item, sorted({*ids, *(lot.root or lot.item for lot in lots.values())}))
    what = f"{', '.join(codes_of(session, 'lot', ids).values())} were not merged."
    reasons = in_work_reasons(session, ids) + _held_apart(session, ids) + _unlike(list(lots.values()))
    reasons += differing_routes(session, ids) + _unsigned(session, ids) + _empty(session, ids)
    refuse_or_hold(session, by, what, reasons, loose=ids)
    target = lot_for_taking_in(session, by, into)
    _pour(session, by, target, ids[1:])
    hold_what_left_later(session, by, ids)
    for one in ids:
        hold_what_leaves_late(session, by, one, target.item)
    return target


def _successor(session: Session, by: By, lot: Lot) -> Lot:
    """The lot that goes on from `lot` with what is there, in the same container."""
    lock(session, Item, sorted({lot.item, lot.root or lot.item}))
    refuse_or_hold(session, by, f"{_name(session, lot.item)} does not go on.", in_work_reasons(session, [lot.item]), loose=[lot.item])
    now = amount(session, lot.item)
    new = part_of_lot(session, by, lot)
    there = max(0, now.book)
    if there or spare_of(now.u):  # by the book it may be empty, and what was weighed out of it or into it may still leave some
        session.add(Flow(e=by.e, child=new.item, parent=lot.item, kind="carry", walked=True, run=None, units=there))
        if now.u:
            opening(session, by, new.item, there, "hand", now.u)
    if (count := open_differences(session, [lot.item]).get(lot.item)) is not None:
        _carry_difference(session, by, count, new.item)
    if (container := item_leaves_container(session, by, lot.item)) is not None:
        put_item(session, by, container, new.item)
    stays_where_it_was(session, by, new.item, [lot.item])
    session.flush()
    settle(session, by, [lot.item, new.item])
    return new


def _carry_difference(session: Session, by: By, open_: OpenDifference, lot: int) -> None:
    """A difference that nobody has signed for goes with the units."""
    count = session.get_one(CountEntry, open_.entry)
    count.closed_e = by.e
    session.add(
        CountEntry(
            e=by.e, item=lot, run=count.run, kind="counted", units=count.units, method=count.method, u=count.u, reason=count.reason,
            book=count.book, within=count.within,
        )
    )  # fmt: skip
    session.flush()


def _pour(session: Session, by: By, target: Lot, others: list[int]) -> None:
    """Everything of the others; their uncertainties come along as one."""
    there = amounts(session, others)
    for lot in others:
        if there[lot].book > 0:
            session.add(Flow(e=by.e, child=target.item, parent=lot, kind="merge", walked=True, run=None, units=there[lot].book))
        item_leaves_container(session, by, lot)
    u = sum(now.u**2 for now in there.values()) ** 0.5
    if u:
        opening(session, by, target.item, sum(now.book for now in there.values()), "hand", u)
    session.flush()
    settle(session, by, [target.item, *others])


def must_be_loose(session: Session, lot: int) -> Lot:
    """A fact, too, is no more than that of a loose lot: panels go on by cells."""
    found = session.get(Lot, lot)
    if found is None or found.form != "loose":
        raise bad_input("That is not a loose lot.", "lot", "It is a lot of panels, or no lot.", "Scan the jar, or the lot's label.")
    return found


def _unlike(lots: list[Lot]) -> list[Reason]:
    reasons = []
    for what in ("product", "bin", "grade"):
        if len({getattr(lot, what) for lot in lots}) > 1:
            reasons.append(Reason("grade_differs", f"They differ in {what}.", "Keep them apart: once mixed, nobody can tell one from the other."))
    if len({lot.order for lot in lots}) > 1:
        reasons.append(Reason("order_differs", "They were started for different orders.", "Merge lots of the same order."))
    return reasons


def _held_apart(session: Session, lots: list[int]) -> list[Reason]:
    """Held things and free things are not merged."""
    stops = stops_on(session, lots)
    by_lot = {lot: frozenset(stop.hold for stop in stops.get(lot, [])) for lot in lots}
    if len(set(by_lot.values())) == 1:
        return []
    held = ", ".join(codes_of(session, "lot", [lot for lot in lots if by_lot[lot]]).values())
    names = ", ".join(codes_of(session, "hold", sorted(set().union(*by_lot.values()))).values())
    return [Reason("held", f"{held} held ({names}), and the others are not held alike.", "Ask quality to release it, or merge what is free.")]


def _unsigned(session: Session, lots: list[int]) -> list[Reason]:
    counts = open_differences(session, lots)
    names = codes_of(session, "lot", list(counts))
    return [count.reason(names[lot], "Count it again, or have the difference signed.") for lot, count in counts.items()]


def _empty(session: Session, lots: list[int]) -> list[Reason]:
    empty = [lot for lot, now in amounts(session, lots[1:]).items() if now.book <= 0]
    return [Reason("too_few_units", f"{name} is empty.", "Leave it out.") for name in codes_of(session, "lot", empty).values()]


def _name(session: Session, lot: int) -> str:
    return codes_of(session, "lot", [lot])[lot]
