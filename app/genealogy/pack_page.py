"""A pack's page: what is in its pockets, where it was, what it came from and went into, what stops it."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import Moment
from app.floor.in_work import runs_with
from app.floor.moves import why_back
from app.genealogy.kin import Kinship, kin_of
from app.genealogy.lot_page import HoldShown, holds_shown
from app.holds.stopped import stops_on
from app.ledger.sealed import stands
from app.listed import ask, listed
from app.naming.resolve import Named, codes_of
from app.packing.contents import fills_of


@dataclass(frozen=True)
class FillShown:
    """Pockets from and to, counted from the hub, and the loose lot whose units lie in them."""

    first: int
    last: int
    units: int
    lot: str
    words: str


@dataclass(frozen=True)
class Moved:
    """Where it went, when, with which shipment; why there, where it was filled for another customer's order; of a return, why it came back."""

    where: str
    at: datetime
    shipment: str
    diverted: str
    over: str  # why more went with that shipment than an order asked for
    why_back: str


@dataclass(frozen=True)
class PackShown:
    code: str
    form: str
    part_number: str
    product: str
    bin: str
    grade: str
    units: int
    size: int
    closed: bool
    in_work: bool  # a run fills it, or puts it into its bag
    closed_at: datetime | None
    short_reason: str
    date_code: str
    order: str
    customer: str
    due: date | None
    sealed_at: datetime | None
    is_opened: bool  # its bag, since it was sealed
    came_back: bool  # from a customer, since then: whether the bag was open there is on no record
    moisture_level: str
    use_before: datetime | None
    fills: tuple[FillShown, ...]
    moves: tuple[Moved, ...]
    kin: Kinship
    holds: tuple[HoldShown, ...]


def pack_shown(session: Session, named: Named) -> PackShown:
    (pack,) = ask(session, _PACK, packs=[named.id])
    things = catalogue.with_ids(session, [thing for thing in (pack.product, pack.order) if thing])
    order = things[pack.order].body if pack.order else None
    fills = _fills(session, pack.item)
    stops = stops_on(session, [pack.item]).get(pack.item, [])
    return PackShown(
        code=named.code, form=pack.form, part_number=pack.part_number, product=things[pack.product].body.description, bin=pack.bin or "",
        grade=pack.grade, units=sum(fill.units for fill in fills), size=pack.size_units, closed=pack.closed_e is not None,
        in_work=bool(runs_with(session, [pack.item])), closed_at=pack.closed_at, short_reason=pack.short_reason or "",
        date_code=pack.date_code or "", order=order.number if order else "",
        customer=order.customer if order else "", due=order.due if order else None, sealed_at=pack.sealed_at, is_opened=bool(pack.is_opened),
        came_back=bool(pack.came_back), moisture_level=pack.moisture_level or "", use_before=pack.use_before_at, fills=fills,
        moves=_moves(session, pack.item), kin=kin_of(session, pack.item, panel_lot=False),
        holds=tuple(holds_shown(session, stops, {stop.hold: "it" for stop in stops})),
    )  # fmt: skip


def _fills(session: Session, pack: int) -> tuple[FillShown, ...]:
    fills = fills_of(session, pack)
    lots = {row.item: row for row in ask(session, _LOTS, lots=[fill.loose for fill in fills])}
    codes = codes_of(session, "lot", list(lots))
    return tuple(
        FillShown(fill.pocket_from, fill.pocket_to, fill.units, codes[fill.loose], _words(lots[fill.loose])) for fill in fills
    )


def _words(lot: Any) -> str:
    return " ".join(word for word in (lot.bin, lot.grade) if word)


def _moves(session: Session, pack: int) -> tuple[Moved, ...]:
    moves = ask(session, _MOVES, packs=[pack])
    codes = codes_of(session, "shipment", [move.shipment for move in moves if move.shipment])
    over: dict[int, str] = {}
    for row in ask(session, _OVER, shipments=list(codes)):  # a row an order
        more = f"{row.units:,} more: {row.reason}"
        over[row.shipment] = f"{over[row.shipment]}; {more}" if row.shipment in over else more
    reasons = why_back(session, [move.e for move in moves if move.kind == "returned"])
    return tuple(
        Moved(
            f"{one.kind}: {one.place}" if one.place else one.kind, one.moved_at, codes.get(one.shipment or 0, ""), one.reason or "",
            over.get(one.shipment or 0, ""), reasons.get(one.e, ""),
        )
        for one in moves
    )  # fmt: skip


_PACK = listed(
    f"""
    select p.item, p.form, p.product, p.part_number, p.bin, p.grade, p."order", p.size_units, p.closed_e, p.closed_at, p.date_code, p.short_reason,
        d.sealed_at, d.moisture_level, d.use_before_at, exists (select 1 from flow f where f.parent = p.item and f.e > d.e) as is_opened,
        exists (
            select 1 from move m where m.item = p.item and m.kind = 'returned' and m.e > d.e
            and not exists (select 1 from move_correction c where c.move = m.id)
        ) as came_back
    from pack p left join dry_pack d on d.pack = p.item and {stands("d.pack")}
    where p.item in :packs
    """,
    "packs",
).columns(closed_at=Moment(), sealed_at=Moment(), use_before_at=Moment())
_LOTS = listed("select item, bin, grade from lot where item in :lots", "lots")
_OVER = listed('select shipment, units, reason from over_shipment where shipment in :shipments order by shipment, "order"', "shipments")
_MOVES = listed(
    """
    select m.e, m.kind, m.place, m.moved_at, m.shipment, d.reason
    from move m left join diversion d on d.shipment = m.shipment and d.pack = m.item
    where m.item in :packs and not exists (select 1 from move_correction c where c.move = m.id)
    order by coalesce((select c.stands_at from move_correction c where c."right" = m.id), m.id)
    """,
    "packs",
).columns(moved_at=Moment())
