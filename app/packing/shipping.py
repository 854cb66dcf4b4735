"""Ship packs to a customer on an order, and take them back, whole or in part. Held packs never leave."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session, aliased

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order
from app.clock import day
from app.errors import Reason, Refused, bad_input, few, refuse
from app.floor.moves import place_of
from app.holds.place import hold_item
from app.holds.stopped import stops_on
from app.journal.act import By, lock
from app.ledger import walk
from app.ledger.corrections import moves_in_force, turn_of
from app.ledger.items import Item, LotRoute, Pack
from app.ledger.places import Diversion, Move, Shipment
from app.ledger.runs import Claim
from app.naming.resolve import Named, codes_of, give_code
from app.packing.contents import empty_reason, fills_of, units_of
from app.packing.dry import is_opened, sealing_of
from app.packing.order_materials import made_with_others
from app.packing.over_shipments import beyond, record_over_shipments
from app.packing.rework import part_of_pack


def ship(
    session: Session, by: By, packs: Sequence[Named], customer: str, order: str | None = None, diversion_reason: str | None = None,
    over_shipment_reason: str | None = None,
) -> Shipment:  # fmt: skip
    """One shipment of closed packs that nothing stops. A pack that was filled for another customer's order goes along only for a reason, and so
    do more units than an order takes."""
    if not packs:
        raise bad_input("Nothing to ship.", "packs", "No pack was named.", "Name at least one.")
    packs = list(dict.fromkeys(packs))  # a scanner reads twice
    lock(session, Item, sorted({pack.id for pack in packs}))
    to = catalogue.named(session, "customer", customer)
    on = catalogue.named(session, "order", order) if order else None
    rows = {pack.id: session.get_one(Pack, pack.id, populate_existing=True) for pack in packs}
    found = [reason for pack in packs for reason in _may_not_ship(session, pack, rows[pack.id], by.happened_at)] + _held(session, packs)
    diverted = [pack for pack in packs if _customer_of_order(session, rows[pack.id]) not in (None, customer)]
    if not diversion_reason:
        found += [_filled_for_another(session, pack, rows[pack.id], customer) for pack in diverted]
    if on is not None:
        found += [reason for pack in packs for reason in _order_differs(session, pack, rows[pack.id], on.body, customer)]
    over = beyond(session, list(rows.values()), customer, on.id if on else None)
    if not over_shipment_reason:
        found += [one.reason for one in over]
    if found and not by.fact:
        raise Refused(f"{few((pack.code for pack in packs), 5)} may not ship to {customer}.", *found)
    shipment = Shipment(e=by.e, customer=to.id, order=on.id if on else None)
    session.add(shipment)
    session.flush()
    give_code(session, by, "shipment", shipment.id)
    for pack in packs:
        session.add(Move(e=by.e, item=pack.id, kind="shipped", place=customer, shipment=shipment.id, moved_at=by.happened_at))
    if diversion_reason:
        session.add_all(Diversion(e=by.e, shipment=shipment.id, pack=pack.id, reason=diversion_reason) for pack in diverted)
    if over_shipment_reason:
        record_over_shipments(session, by, shipment.id, over, over_shipment_reason)
    if found:
        for pack in packs:
            hold_item(session, by, "pack", pack.id, "Shipped against a rule: " + " ".join(reason.brief for reason in found[:5]))
    session.flush()
    return shipment


def take_back(session: Session, by: By, pack: Named, units: int | None = None) -> Pack:
    """A pack comes back from a customer. `units`: only so many, those nearest the hub, as a new pack; the rest was used there."""
    lock(session, Item, [pack.id])
    row = session.get_one(Pack, pack.id, populate_existing=True)
    place = place_of(session, [pack.id])[pack.id]
    if place.kind != "shipped" and not by.fact:
        raise refuse("not_here", f"{pack.code} can't come back.", f"It was not shipped. Where it is: {place}.", "Scan the pack that came back.")
    there = units_of(session, pack.id)
    if units is not None and not 0 < units <= there:
        raise refuse("too_few_units", f"{pack.code} can't bring back {units} units.", f"It left with {there}.", "Count again.")
    back = row if units is None or units == there else part_of_pack(session, by, row, 1, units)
    session.add(Move(e=by.e, item=back.item, kind="returned", place=place.name, shipment=None, moved_at=by.happened_at))
    session.flush()
    return back


def older_left(session: Session, packs: Sequence[Named], most: int = 10) -> list[int]:
    """Packs like these that are older, here, free and of no other order, and do not go along: oldest first is advised, not demanded."""
    going = [session.get_one(Pack, pack.id) for pack in packs]
    youngest = max((pack.closed_at for pack in going if pack.closed_at), default=None)
    if youngest is None:
        return []
    later = aliased(Move)
    is_latest = ~select(later.id).where(later.item == Move.item, moves_in_force(later), turn_of(later) > turn_of()).exists()
    away = select(Move.id).where(Move.item == Pack.item, Move.kind.in_(("shipped", "outside")), moves_in_force(), is_latest)
    query = (
        select(Pack.item)
        .where(_alike({(pack.product, pack.bin, pack.grade, pack.order) for pack in going}), Pack.closed_at < youngest)
        .where(Pack.item.not_in([pack.id for pack in packs]), ~away.exists())
        .order_by(Pack.closed_at, Pack.item)
        .limit(4 * most)
    )
    here = [pack for pack in session.scalars(query) if units_of(session, pack) > 0]
    stops = stops_on(session, here)
    return [pack for pack in here if pack not in stops][:most]


def _alike(kinds: set[tuple[int, str | None, str, int | None]]) -> ColumnElement[bool]:
    """Of one product, bin and grade with one of these, and filled for the same order or for none."""
    return or_(
        *(
            and_(Pack.product == product, Pack.bin.is_not_distinct_from(bin_), Pack.grade == grade, or_(Pack.order.is_(None), Pack.order == order))
            for product, bin_, grade, order in kinds
        )
    )


def _may_not_ship(session: Session, named: Named, pack: Pack, at: datetime) -> list[Reason]:
    found = []
    place = place_of(session, [pack.item])[pack.item]
    if place.kind in ("shipped", "outside"):
        found.append(Reason("not_here", f"{named.code} is not here, but {place}.", "Scan another pack."))
    if session.get(Claim, pack.item):
        found.append(Reason("in_work", f"{named.code} is in work.", "Finish that first."))
    if pack.closed_e is None:
        found.append(Reason("pack_open", f"{named.code} is still being filled.", "Close it first."))
    elif units_of(session, pack.item) == 0:
        found.append(empty_reason(session, named))
    elif _needs_dry_pack(session, pack):
        sealing = sealing_of(session, pack.item)
        if sealing is None:
            found.append(Reason("not_next_step", f"{named.code} is not dry packed.", "Dry pack it first."))
        elif is_opened(session, pack.item):
            why = f"The bag of {named.code} was opened after it was sealed."
            found.append(Reason("not_next_step", why, "Seal it in a bag again; it gets a new label."))
        elif sealing.moisture_level != "1" and sealing.use_before_at is not None and at > sealing.use_before_at:
            why = f"The shelf life of {named.code} in its bag ended on {day(sealing.use_before_at, catalogue.site(session).zone)}."
            found.append(Reason("material_lapsed", why, "Bake it as J-STD-033 says for its level, and seal it in a bag again; it gets a new label."))
    return found


def _needs_dry_pack(session: Session, pack: Pack) -> bool:
    fills = fills_of(session, pack.item)
    route = session.scalar(select(LotRoute.route).where(LotRoute.lot == fills[0].loose, LotRoute.closed_e.is_(None)))
    return route is not None and any(step.operation == "dry pack" for step in catalogue.route(session, route).body.steps)


def _held(session: Session, packs: Sequence[Named]) -> list[Reason]:
    stops = stops_on(session, [pack.id for pack in packs])
    names = codes_of(session, "hold", list({stop.hold for found in stops.values() for stop in found}))
    return [
        Reason(
            "held", f"{pack.code} is on hold ({names[stop.hold]}: {stop.reason}).", "Put it on the hold rack and ask quality to release it.",
            brief=f"{pack.code} is on hold ({names[stop.hold]}).",
        )
        for pack in packs
        for stop in stops.get(pack.id, [])
    ]


def _customer_of_order(session: Session, pack: Pack) -> str | None:
    """Whose order a pack was filled for; None: for whoever will have it."""
    return str(catalogue.with_id(session, pack.order).body.customer) if pack.order else None


def _filled_for_another(session: Session, named: Named, pack: Pack, customer: str) -> Reason:
    order: Order = catalogue.with_id(session, pack.order or 0).body
    why = f"{named.code} was filled for order {order.number} of {order.customer}."
    return Reason("order_differs", why, f"Scan another pack; or say the reason why it goes to {customer} all the same.", "diversion_reason")


def _order_differs(session: Session, named: Named, pack: Pack, order: Order, customer: str) -> list[Reason]:
    found = []
    if order.customer != customer:
        found.append(Reason("order_differs", f"Order {order.number} is of {order.customer}.", "Name the right order."))
    if catalogue.with_id(session, pack.product).name != order.product:
        found.append(
            Reason("order_differs", f"{named.code} is {pack.part_number}; order {order.number} is for {order.product}.", "Scan another pack.")
        )
    if pack.grade == "second" and not order.accepts_seconds:
        found.append(Reason("grade_unwanted", f"{named.code} holds seconds, which order {order.number} does not accept.", "Scan a prime pack."))
    return found + made_with_others(session, walk.up(session, [named.id]), order) if order.materials else found
