"""What stands on a pack's label: the ISO/IEC 15434 message with ISO/IEC 15418 data identifiers, and the words beneath it."""

from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Customer, Order, Product
from app.clock import day
from app.errors import refuse
from app.floor.moves import shipped_with
from app.labels.messages import encode, is_sayable
from app.ledger.corrections import moves_in_force, turn_of
from app.ledger.items import Pack
from app.ledger.places import Move, Shipment
from app.naming.resolve import Named, codes_of
from app.packing.contents import fills_of, units_of
from app.packing.dry import is_opened, sealing_of

_CAUTION = (
    "Moisture-sensitive: level {level} (J-STD-020). Sealed {sealed}; calculated shelf life in the sealed bag to {until}, below 40 °C and 90 % RH "
    "(J-STD-033). Once opened, floor life and bake are as J-STD-033 says for this level."
)
_OPENED = (
    "Moisture-sensitive: level {level} (J-STD-020). The bag that was sealed {sealed} was opened: floor life and bake are as J-STD-033 says for this "
    "level, until it is sealed anew."
)
_LOTS = 4  # on 100 mm x 70 mm, with a customer's numbers and the caution


@dataclass(frozen=True)
class LabelField:
    """A field: its data identifier, what it is in words, and its value."""

    identifier: str
    words: str
    value: str


@dataclass(frozen=True)
class PackLabel:
    """A label's fields in order, its message for the symbol, and the moisture caution of a sealed pack.

    `unsaid`: fields that the message leaves out, for it takes ASCII only; they stand in words all the same.
    """

    pack: str
    fields: tuple[LabelField, ...]
    message: bytes
    caution: str | None
    unsaid: tuple[str, ...] = ()


def pack_label(session: Session, named: Named) -> PackLabel:
    """Of a closed pack with something in it. Seconds carry their own part number, never the prime one: the pack has it since it was begun."""
    pack = session.get_one(Pack, named.id)
    if pack.closed_e is None:
        raise refuse("pack_open", f"{named.code} has no label yet.", "It is still being filled.", "Close it first.")
    units = units_of(session, pack.item)
    if not units:
        raise refuse("not_here", f"{named.code} has no label any more.", "It is empty.", "Print the label of the pack that its units went into.")
    fields = _fields(session, named, pack, units)
    message = encode([(field.identifier, field.value) for field in fields if is_sayable(field.value)])
    unsaid = tuple(field.words for field in fields if not is_sayable(field.value))
    return PackLabel(named.code, tuple(fields), message, _caution(session, pack), unsaid)


def _fields(session: Session, named: Named, pack: Pack, units: int) -> list[LabelField]:
    product: Product = catalogue.with_id(session, pack.product).body
    fields = [
        LabelField("1P", "supplier's part number", pack.part_number),
        LabelField("Q", "quantity", str(units)),
        LabelField("3S", "package", named.code),
    ]
    fields += _lots(session, pack)
    if pack.date_code:
        fields.append(LabelField("10D", "date code (YYWW)", pack.date_code))
    fields.append(LabelField("4L", "country of origin", catalogue.site(session).country))
    return _for_customer(session, pack, product) + fields


def _lots(session: Session, pack: Pack) -> list[LabelField]:
    """As many as there is room for; of more the last says so, for whoever reads a few takes them for all."""
    loose = list({fill.loose for fill in fills_of(session, pack.item)})
    lots = sorted(codes_of(session, "lot", loose).values())
    fields = [LabelField("1T", "lot", lot) for lot in lots[:_LOTS]]
    if more := len(lots) - len(fields):
        fields[-1] = replace(fields[-1], words=f"lot, and {more} more")
    return fields


def _for_customer(session: Session, pack: Pack, product: Product) -> list[LabelField]:
    """The customer's own numbers, once the pack has an order or was shipped. With whom it is now counts before whom it was filled for."""
    order: Order | None = catalogue.with_id(session, pack.order).body if pack.order else None
    shipments = select(Shipment.customer, Shipment.order).join(Move, Move.shipment == Shipment.id)
    shipped = session.execute(shipments.where(Move.item == pack.item, moves_in_force()).order_by(turn_of().desc())).first()
    receiver = catalogue.with_id(session, shipped.customer).name if shipped else None
    is_diverted = order is not None and order.customer != receiver and bool(shipped_with(session, [pack.item]))
    if shipped is not None and (order is None or is_diverted):
        order = catalogue.with_id(session, shipped.order).body if shipped.order is not None else None
    name = order.customer if order else receiver
    if name is None:
        return []
    customer: Customer = catalogue.named(session, "customer", name).body
    fields = []
    if number := customer.part_numbers.get(pack.part_number):
        fields.append(LabelField("P", "customer's part number", number))
    if order is not None:
        fields.append(LabelField("K", "customer's order", order.number))
    if customer.supplier_code:
        fields.append(LabelField("V", "supplier code", customer.supplier_code))
    return fields


def _caution(session: Session, pack: Pack) -> str | None:
    sealed = sealing_of(session, pack.item)
    if sealed is None or sealed.moisture_level == "1":
        return None
    zone = catalogue.site(session).zone
    if is_opened(session, pack.item):
        return _OPENED.format(level=sealed.moisture_level, sealed=day(sealed.sealed_at, zone))
    until = day(sealed.use_before_at, zone) if sealed.use_before_at else "the date on the bag"
    return _CAUTION.format(level=sealed.moisture_level, sealed=day(sealed.sealed_at, zone), until=until)
