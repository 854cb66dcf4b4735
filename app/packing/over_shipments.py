"""More units than an order asks for: how many went with it, and what goes beyond. It ships for a stated reason, which stays with the shipment.

A customer may take a little more without being asked (common practice, no source): the order says how much, in percent.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import floor

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order
from app.catalogue.models import Thing
from app.catalogue.queries import Defined
from app.errors import Reason
from app.floor.moves import shipped_with
from app.journal.act import By, lock
from app.ledger.flows import PackContent
from app.ledger.items import Pack
from app.ledger.places import Move, OverShipment, Shipment
from app.listed import among


@dataclass(frozen=True)
class Beyond:
    """Units that went on an order before, and that go now; `takes`: what it takes unasked."""

    order: Defined[Order]
    went: int
    go: int

    @property
    def takes(self) -> int:
        asked = self.order.body.units
        return asked + floor(asked * self.order.body.over_percent / 100 + 1e-9)

    @property
    def units(self) -> int:
        """How many of those that go now are more than it asks for. What went beyond before was answered for then."""
        return self.went + self.go - max(self.order.body.units, self.went)

    @property
    def reason(self) -> Reason:
        body = self.order.body
        more = f" or up to {self.takes:,} unasked" if self.takes > body.units else ""
        why = f"Order {body.number} asks for {body.units:,} units{more}; {self.went:,} went and {self.go:,} go now: {self.units:,} more."
        return Reason("order_differs", why, "Leave a pack here; or say the reason why more go all the same.", "over_shipment_reason")


def beyond(session: Session, packs: Sequence[Pack], customer: str, order: int | None) -> list[Beyond]:
    """The orders of which these packs would be more than they take. Locks the orders: two shipments at once wait in line.

    A pack goes on the order that the shipment names, else on the one that it was filled for, if that is of this customer.
    """
    going: defaultdict[int, list[int]] = defaultdict(list)
    for pack in packs:
        if on := order or pack.order:
            going[on].append(pack.item)
    lock(session, Thing, sorted(going))
    orders: dict[int, Defined[Order]] = catalogue.with_ids(session, list(going))
    found = []
    for on, some in going.items():
        if orders[on].body.customer == customer:
            one = Beyond(orders[on], _units(session, _went_on(session, orders[on], some)), _units(session, some))
            found += [one] if one.go and one.went + one.go > one.takes else []
    return found


def record_over_shipments(session: Session, by: By, shipment: int, found: Sequence[Beyond], reason: str) -> None:
    session.add_all(OverShipment(e=by.e, shipment=shipment, order=one.order.id, units=one.units, reason=reason) for one in found)


def tell_over_shipment(session: Session, by: By, shipment: int, packs: Sequence[int], reason: str) -> None:
    """These packs went, in truth, with a shipment: what goes beyond an order by that is on record as of any shipment. Of an order that this
    shipment is said to go beyond already, that stays as it was said."""
    row = session.get_one(Shipment, shipment)
    customer = catalogue.with_id(session, row.customer).name
    found = beyond(session, [session.get_one(Pack, pack) for pack in packs], customer, row.order)
    new = [one for one in found if session.get(OverShipment, (shipment, one.order.id)) is None]
    record_over_shipments(session, by, shipment, new, reason)


def _went_on(session: Session, order: Defined[Order], going: Sequence[int]) -> list[int]:
    """The packs that are with the customer on this order."""
    named = select(Move.item).join(Shipment, Shipment.id == Move.shipment).where(Shipment.order == order.id)
    packs = set(session.scalars(named.union(select(Pack.item).where(Pack.order == order.id)))).difference(going)
    away = shipped_with(session, packs)
    customer = catalogue.named(session, "customer", order.body.customer).id
    query = select(Shipment.id, Shipment.order, Shipment.customer).where(among(Shipment.id, set(away.values())))
    shipments = {one.id: one for one in session.execute(query)}
    filled = set(session.scalars(select(Pack.item).where(among(Pack.item, away), Pack.order == order.id)))

    def is_on(pack: int) -> bool:
        with_ = shipments[away[pack]]
        return bool(with_.order == order.id) if with_.order else with_.customer == customer and pack in filled

    return [pack for pack in away if is_on(pack)]


def _units(session: Session, packs: Sequence[int]) -> int:
    """What lies in their pockets: of a pack that came back in part, what stayed there."""
    inside = func.coalesce(func.sum(PackContent.pocket_to - PackContent.pocket_from + 1), 0)
    return int(session.scalar(select(inside).where(among(PackContent.pack, packs), PackContent.closed_e.is_(None))) or 0)
