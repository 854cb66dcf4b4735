"""What is done to packs after they were filled: re-reel, cut, join, take off the tape. Their pockets stay known through all of it."""

from collections import Counter
from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import Reason, Refused, bad_input, few, refuse
from app.floor.counting import opening
from app.floor.loose_stock import settle
from app.floor.lot_families import part_of_lot
from app.floor.moves import place_of
from app.holds.place import against_rules, hold_item
from app.holds.stopped import stops_on
from app.journal.act import By, lock
from app.ledger import walk
from app.ledger.flows import Flow
from app.ledger.items import Item, Lot, Pack
from app.ledger.runs import Claim
from app.naming.resolve import Named, codes_of
from app.packing.contents import empty_reason, fills_of, put_in, take_out, units_of
from app.packing.fill import new_pack, too_many_lots
from app.packing.pockets import Fill
from app.packing.pockets import re_reel as re_reeled


def re_reel(session: Session, by: By, pack: Named) -> Pack:
    """All units go onto a new reel; what was outermost is now at the hub."""
    old = ready(session, by, [pack])[0]
    return _into_new(session, by, old, [(old, 1, units_of(session, old.item))], turn=True)


def cut_pack(session: Session, by: By, pack: Named, units: int) -> Pack:
    """`units` leave from the outer end, which is used first, and make a pack of their own; the rest keeps code and label."""
    old = ready(session, by, [pack])[0]
    there = units_of(session, old.item)
    if not 0 < units < there:
        raise refuse(
            "too_few_units", f"{pack.code} was not cut.", f"It holds {there} units; {units} can't leave and leave a rest.", "Give another number."
        )
    return _into_new(session, by, old, [(old, there - units + 1, there)])


def join_packs(session: Session, by: By, packs: Sequence[Named]) -> Pack:
    """One new pack of several: the first at the hub."""
    named = Counter(pack.code for pack in packs)
    if len(named) < 2:
        raise bad_input("A join needs two packs.", "packs", "Fewer were named.", "Name the packs, the one for the hub first.")
    if named.total() > len(named):
        raise bad_input("A pack appears twice.", "packs", f"{named.most_common(1)[0][0]} is named more than once.", "Name each pack once.")
    old = ready(session, by, packs)
    for what in ("product", "part_number", "bin", "grade"):
        if len({getattr(pack, what) for pack in old}) > 1:
            raise Refused("These packs may not be joined.", Reason("grade_differs", f"They differ in {what}.", "Join packs that are alike."))
    if len({pack.order for pack in old}) > 1:  # the new pack would be of one of them, and ship to that customer unasked
        why = Reason("order_differs", "They were filled for different orders.", "Join packs of the same order.")
        raise Refused("These packs may not be joined.", why)
    parts = [(pack, 1, units_of(session, pack.item)) for pack in old]
    loose = [fill.loose for pack in old for fill in fills_of(session, pack.item)]
    found = [*too_many_lots(session, old[0].product, loose, walk.up(session, loose)), *_too_full(packs, parts)]
    if found and not by.fact:
        raise Refused("These packs may not be joined.", *found)
    new = _into_new(session, by, old[0], parts)
    if found:
        hold_item(session, by, "pack", new.item, against_rules(found))
    return new


def _too_full(packs: Sequence[Named], parts: Sequence[tuple[Pack, int, int]]) -> list[Reason]:
    """A join makes one reel of reels: it is as large as the largest of them."""
    fits = max(pack.size_units for pack, _, _ in parts)
    units = [last for _, _, last in parts]
    if sum(units) <= fits:
        return []
    held = few(f"{pack.code} holds {n:,}" for pack, n in zip(packs, units, strict=True))
    why = f"One pack of them holds {fits:,} units, and {sum(units):,} come: {held}."
    return [Reason("capacity", why, "Join fewer, or cut off what is too much first.")]


def take_off_tape(session: Session, by: By, pack: Named, first: int | None = None, last: int | None = None) -> Lot:
    """Pockets `first` to `last` (all, if not said) are emptied into a new loose lot. It has all loose steps before it again, the test too."""
    old = ready(session, by, [pack])[0]
    there = units_of(session, old.item)
    first, last = first or 1, last or there
    if not 1 <= first <= last <= there:
        raise bad_input("Those pockets are not there.", "pocket_from", f"{pack.code} has pockets 1 to {there}.", "Give a range within them.")
    fills = fills_of(session, old.item)
    loose = part_of_lot(session, by, session.get_one(Lot, fills[0].loose), untested=True)
    leave_tape(session, by, old.item, take_out(session, by, old.item, first, last), loose.item)
    opening(session, by, loose.item, last - first + 1, "pockets", 0.0)
    settle(session, by, [loose.item])
    return loose


def leave_tape(session: Session, by: By, pack: int, fills: Sequence[Fill], child: int) -> None:
    """The flows of units that came off a tape: from the pack, and through it from the loose lots that they belong to."""
    units = sum(fill.units for fill in fills)
    session.add(Flow(e=by.e, child=child, parent=pack, kind="untape", walked=False, run=None, units=units))
    through: dict[int, int] = {}
    for fill in fills:
        through[fill.loose] = through.get(fill.loose, 0) + fill.units
    session.add_all([Flow(e=by.e, child=child, parent=loose, kind="through", walked=True, run=None, units=n) for loose, n in through.items()])
    session.flush()


def part_of_pack(session: Session, by: By, old: Pack, first: int, last: int) -> Pack:
    """Pockets of a pack as a pack of their own, in the same order."""
    return _into_new(session, by, old, [(old, first, last)])


def has_given_out(session: Session, pack: int) -> bool:
    """Something has left the pack that goes on elsewhere: into another pack, or off its tape into a loose lot. Samples don't count."""
    query = select(Flow.child).join(Item, Item.id == Flow.child).where(Flow.parent == pack, Flow.kind.in_(("repack", "untape")))
    return session.scalar(query.where(Item.kind != "sample").limit(1)) is not None


def _into_new(session: Session, by: By, like: Pack, parts: list[tuple[Pack, int, int]], *, turn: bool = False) -> Pack:
    """A new closed pack of pockets of others, with the flows. Of several weeks it has the date code of the oldest: its label makes no unit newer."""
    fills: list[Fill] = []
    size = max(pack.size_units for pack, _, _ in parts)
    new = new_pack(session, by, like.form, like.product, like.part_number, like.bin, like.grade, like.order, size)
    for pack, first, last in parts:
        taken = take_out(session, by, pack.item, first, last)
        session.add(Flow(e=by.e, child=new.item, parent=pack.item, kind="repack", walked=False, run=None, units=sum(fill.units for fill in taken)))
        fills += taken
    put_in(session, by, new.item, re_reeled(fills) if turn else fills)
    new.closed_e, new.closed_at, new.units = by.e, by.happened_at, units_of(session, new.item)
    new.date_code = min((pack.date_code for pack, _, _ in parts if pack.date_code), default=None)
    new.short_reason = "made from other packs" if new.units < new.size_units else None
    session.flush()
    return new


def ready(session: Session, by: By, packs: Sequence[Named]) -> list[Pack]:
    """Closed packs that are here, not in work, not held apart, and not empty; locked."""
    lock(session, Item, sorted({pack.id for pack in packs}))
    rows = [session.get_one(Pack, pack.id, populate_existing=True) for pack in packs]
    found: list[Reason] = []
    stops = stops_on(session, [pack.id for pack in packs])
    for named, row in zip(packs, rows, strict=True):
        if row.closed_e is None:
            found.append(Reason("pack_open", f"{named.code} is still being filled.", "Close it first."))
        elif units_of(session, row.item) == 0:
            found.append(empty_reason(session, named))
        if session.get(Claim, named.id):
            found.append(Reason("in_work", f"{named.code} is in work.", "Finish that first."))
        if (place := place_of(session, [named.id])[named.id]).kind in ("shipped", "outside"):
            found.append(Reason("not_here", f"{named.code} is not here, but {place}.", "Take it back first."))
    held = {frozenset(stop.hold for stop in stops.get(pack.id, [])) for pack in packs}
    if len(held) > 1:
        names = codes_of(session, "hold", sorted(set().union(*held)))
        found.append(Reason("held", f"Some of them are on hold ({', '.join(names.values())}) and others not.", "Keep held and free apart."))
    if found and not by.fact:
        raise Refused(f"Nothing was done to {', '.join(pack.code for pack in packs)}.", *found)
    return rows
