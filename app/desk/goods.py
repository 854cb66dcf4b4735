"""Lists of packs and of shipments."""

from collections import defaultdict
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from app.desk.listing import Column, Filter, Listing, Row, Sort, State, coded, completed, equals, named_like
from app.desk.names import every_name, numbers_of, thing_is, things_named, times_of
from app.floor.moves import place_of
from app.holds.stopped import stops_on
from app.ledger.corrections import moves_in_force, turn_of
from app.ledger.flows import Flow, PackContent
from app.ledger.items import Pack
from app.ledger.places import Move, OverShipment, Shipment
from app.naming.resolve import codes_of

_PLACES = ("floor", "stock", "outside", "shipped", "returned")
_OPEN = "open"


def _pack_rows(session: Session, packs: list[Pack]) -> list[Row]:
    ids = [one.item for one in packs]
    codes, numbers, places = codes_of(session, "pack", ids), numbers_of(session, "pack", ids), place_of(session, ids)
    orders, stops = things_named(session, [one.order for one in packs]), stops_on(session, ids)
    inside = _units_now(session, ids)
    return [
        [
            coded(codes[one.item]), one.form, one.part_number, one.bin, one.grade, inside.get(one.item, 0), one.date_code,
            _state(one, one.item in stops), str(places[one.item]), orders.get(one.order or 0), numbers.get(one.item, ()), one.closed_at,
        ]
        for one in packs
    ]  # fmt: skip


def _state(pack: Pack, is_held: bool) -> tuple[Any, ...]:
    held = (State("held", "stop"),) if is_held else ()
    return (*held, _OPEN) if pack.closed_e is None else (*held, State("short", "care")) if pack.short_reason else held


def _units_now(session: Session, packs: list[int]) -> dict[int, int]:
    """What lies in each pack's pockets now."""
    units = func.sum(PackContent.pocket_to - PackContent.pocket_from + 1)
    query = select(PackContent.pack, units).where(PackContent.pack.in_(packs), PackContent.closed_e.is_(None)).group_by(PackContent.pack)
    return {pack: int(n) for pack, n in session.execute(query)}


def _is_at(session: Session, value: str) -> ColumnElement[bool]:
    moves = select(Move.kind).where(Move.item == Pack.item, moves_in_force()).order_by(turn_of().desc())
    latest = moves.limit(1).scalar_subquery()
    return func.coalesce(latest, "floor") == value


def _is_open(session: Session, value: str) -> ColumnElement[bool]:
    return Pack.closed_e.is_(None) if value == _OPEN else Pack.closed_e.is_not(None)


def _went_with(session: Session, text: str) -> ColumnElement[bool]:
    return Pack.item.in_(select(Move.item).where(Move.shipment.is_not(None), moves_in_force(), named_like(session, "shipment", Move.shipment, text)))


PACKS = Listing(
    name="packs",
    title="Packs",
    about="Reels, bags and trays. A date code with a part number gives every pack that has both on its label.",
    empty="No pack yet. Packs are filled from loose lots at a taper.",
    records=select(Pack),
    key=Pack.item,
    kind="pack",
    columns=(
        Column("pack", "Pack"), Column("form", "Form"), Column("part_number", "Part number"), Column("bin", "Bin"), Column("grade", "Grade"),
        Column("units", "Units now", True), Column("date_code", "Date code"), Column("state", "State"), Column("where", "Where"),
        Column("order", "Order"), Column("numbers", "Others call it"), Column("closed_at", "Closed"),
    ),
    rows=_pack_rows,
    sorts=(
        Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first"),
        Sort("date_code", "oldest date code first", Pack.date_code, first=Pack.date_code.is_not(None)),
        Sort("bin", "bin", Pack.bin, first=Pack.bin.is_not(None)),
    ),
    filters=(
        Filter("date_code", "Date code, as 2648 or 264", completed(Pack.date_code, 4), finds=True),
        Filter("part_number", "Part number", equals(Pack.part_number)),
        Filter("bin", "Bin", equals(Pack.bin)),
        Filter("grade", "Grade", equals(Pack.grade), ("prime", "second", "reject")),
        Filter("where", "Where", _is_at, _PLACES),
        Filter("order", "Order", thing_is(Pack.order, "order"), every_name("order")),
        Filter("shipment", "Shipment", _went_with, finds=True),
        Filter("state", "State", _is_open, (_OPEN, "closed")),
    ),
)  # fmt: skip


def _shipment_rows(session: Session, shipments: list[Shipment]) -> list[Row]:
    ids = [one.id for one in shipments]
    codes, went = codes_of(session, "shipment", ids), times_of(session, [one.e for one in shipments])
    names = things_named(session, [thing for one in shipments for thing in (one.customer, one.order)])
    packs: dict[int, list[int]] = {one: [] for one in ids}
    for shipment, item in session.execute(select(Move.shipment, Move.item).where(Move.shipment.in_(ids), moves_in_force()).order_by(Move.id)):
        packs[shipment or 0].append(item)
    every = [pack for found in packs.values() for pack in found]
    pack_codes = codes_of(session, "pack", every)
    over: defaultdict[int, list[str]] = defaultdict(list)
    for row in session.scalars(select(OverShipment).where(OverShipment.shipment.in_(ids)).order_by(OverShipment.order)):
        over[row.shipment].append(f"{row.units:,}: {row.reason}")
    units = _units_that_went(session, ids)
    return [
        [
            coded(codes[one.id]), names[one.customer], names.get(one.order or 0), went[one.e], len(packs[one.id]),
            units.get(one.id, 0), tuple(over[one.id]), tuple(coded(pack_codes[pack]) for pack in packs[one.id]),
        ]
        for one in shipments
    ]  # fmt: skip


def _units_that_went(session: Session, shipments: list[int]) -> dict[int, int]:
    """With each shipment: what its packs were closed with, less what had left them before."""
    left = select(func.sum(Flow.units)).where(Flow.parent == Move.item, Flow.e < Shipment.e, Flow.kind.in_(("repack", "untape"))).scalar_subquery()
    query = select(Move.shipment, func.sum(Pack.units - func.coalesce(left, 0))).join(Pack, Pack.item == Move.item)
    query = query.join(Shipment, Shipment.id == Move.shipment).where(Move.shipment.in_(shipments), moves_in_force())
    return {shipment or 0: int(n or 0) for shipment, n in session.execute(query.group_by(Move.shipment))}


def _with_pack(session: Session, text: str) -> ColumnElement[bool]:
    return Shipment.id.in_(select(Move.shipment).where(Move.shipment.is_not(None), moves_in_force(), named_like(session, "pack", Move.item, text)))


SHIPMENTS = Listing(
    name="shipments",
    title="Shipments",
    about="What went to which customer, on which order, in which packs. A shipment is found by the code of a pack in it as well.",
    empty="Nothing has been shipped yet. Closed packs are shipped under Do: ship packs.",
    records=select(Shipment),
    key=Shipment.id,
    kind="shipment",
    columns=(
        Column("shipment", "Shipment"), Column("customer", "Customer"), Column("order", "Order"), Column("shipped_at", "Shipped"),
        Column("packs", "Packs", True), Column("units", "Units", True), Column("over", "Beyond the order"), Column("which", "Which packs"),
    ),
    rows=_shipment_rows,
    sorts=(Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first")),
    filters=(
        Filter("customer", "Customer", thing_is(Shipment.customer, "customer"), every_name("customer")),
        Filter("order", "Order", thing_is(Shipment.order, "order"), every_name("order")),
    ),
    search=_with_pack,
)  # fmt: skip
