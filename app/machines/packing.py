"""Packs over the API: fill, close, dry pack, re-reel, cut, join, take off the tape, ship, take back."""

from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order
from app.floor.amounts import book_of
from app.floor.moves import place_of
from app.journal.act import By
from app.ledger.corrections import moves_in_force
from app.ledger.items import DryPack, Pack
from app.ledger.places import Diversion, Move, OverShipment, Shipment
from app.ledger.runs import Line, is_void
from app.ledger.sealed import stands
from app.machines.bodies import (
    ACustomer,
    ALot,
    AnOrder,
    Answer,
    APack,
    AStation,
    ByPerson,
    LotCode,
    PackCode,
    RunCode,
    ShipmentCode,
    Text,
    Told,
    Units,
    ValueIn,
    Words,
)
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import doer_of, lot_named, order_number, person_of, station_of, values_of
from app.machines.paging import Before, Limit, Next, page
from app.naming.resolve import code_of, codes_of, resolve
from app.packing import fill, rework, shipping
from app.packing.contents import fills_of_packs
from app.packing.dry import opened, seal_pack
from app.packing.pockets import units_in

router = call_router("packing")


class PartIn(BaseModel):
    """So many units of a loose lot (or of what is in a jar)."""

    model_config = ConfigDict(extra="forbid")

    lot: ALot
    units: Units


class FirstPartIn(PartIn):
    """The same, or a lot with no units yet: the pack is begun with it, and its units are said as they are taped."""

    units: Annotated[int, Field(ge=0, le=1_000_000_000, examples=[30])]


class PackIn(ByPerson):
    station: AStation = Field(description="The taper.")
    parts: list[FirstPartIn] = Field(min_length=1, max_length=1000, description="In the order in which they are taped, from the hub.")
    form: Text = Field("reel", description="reel, bag or tray")
    size: Units | None = Field(None, examples=[None], description="Units of a full pack; empty: as the product says.")
    order: AnOrder | None = None
    line_clear: bool = Field(False, description="Someone looked, and nothing of the lot before is left in the machine.", examples=[True])
    close: bool = Field(True, description="Close it at once. False: more will be filled in.")
    short_reason: Text | None = Field(None, description="Why it is not full, if it is not.", examples=["the last of the order"])
    values: list[ValueIn] = Field(default=[], max_length=1000)


class FillIn(Told):
    parts: list[PartIn] = Field(min_length=1, max_length=1000)


class CloseIn(ByPerson):
    short_reason: Text | None = Field(None, description="Why it is not full, if it is not.", examples=["the last of the order"])
    values: list[ValueIn] = Field(default=[], max_length=1000)


class DryIn(ByPerson):
    station: AStation
    again: bool = Field(False, description="Its bag was opened, or changed for another. Without it a pack that lies sealed is refused.")
    values: list[ValueIn] = Field(default=[], max_length=1000)


class CutIn(Told):
    units: Units = Field(description="So many leave from the outer end, which is used first, as a new pack.")


class JoinIn(Told):
    packs: list[APack] = Field(min_length=2, max_length=1000, examples=[["K26-000096-9", "K26-000097-7"]], description="The first is at the hub.")


class OffIn(Told):
    pocket_from: Units | None = Field(None, description="Numbered from the hub. Empty: from the first.", examples=[1])
    pocket_to: Units | None = Field(None, description="Empty: to the last.", examples=[500])


class FillOut(Answer):
    pocket_from: int = Field(examples=[1])
    pocket_to: int = Field(examples=[4500])
    lot: LotCode


class PackOut(Answer):
    pack: PackCode
    form: str = Field(description="reel, bag or tray.", examples=["reel"])
    part_number: str = Field(examples=["P1"])
    bin: str | None = Field(examples=["B1"])
    grade: str = Field(examples=["prime"])
    order: str | None = Field(None, description="The customer order that it is filled for.", examples=["4711"])
    units: int = Field(examples=[4500])
    closed: bool
    date_code: str | None = Field(description="Year and ISO 8601 week.", examples=["2609"])
    dry_packed: bool = Field(description="It lies sealed in its bag: nothing was taken out since.")
    where: str = Field(examples=["floor"])
    run: RunCode | None = Field(description="Of its filling, while it is open.", examples=[None])
    runs: list[RunCode] = Field([], description="All that had the pack itself, in order: taping, dry pack.")
    fills: list[FillOut]


class PacksOut(Answer):
    packs: list[PackOut]
    next: Next


class LooseOut(Answer):
    lot: LotCode
    units: int = Field(examples=[500])


class ShipIn(Told):
    packs: list[APack] = Field(min_length=1, max_length=10_000)
    customer: ACustomer
    order: AnOrder | None = None
    diversion_reason: Words | None = Field(
        None, examples=["theirs are held, and Arden Lights agreed"],
        description="Why a pack that was filled for another customer's order goes to this one, if any does. Without it such a pack is refused.",
    )  # fmt: skip
    over_shipment_reason: Words | None = Field(
        None, examples=["a full reel closes the order, and Arden Lights takes it"],
        description="Why more units go than the order takes, if more do. Without it they are refused.",
    )  # fmt: skip


class DiversionOut(Answer):
    """A pack that was filled for another customer's order."""

    pack: PackCode
    order: str = Field(examples=["QL-26-0418"])
    customer: str = Field(examples=["Quillmere Lighting"])
    reason: str = Field(examples=["theirs are held, and Arden Lights agreed"])


class OverShipmentOut(Answer):
    """Units that went beyond what an order asked for."""

    order: str = Field(examples=["QL-26-0418"])
    units: int = Field(examples=[500])
    reason: str = Field(examples=["a full reel closes the order, and Arden Lights takes it"])


class ShipmentOut(Answer):
    shipment: ShipmentCode
    packs: list[PackCode]
    customer: str = Field(examples=["Quillmere Lighting"])
    order: str | None = Field(examples=["QL-26-0418"])
    diversions: list[DiversionOut]
    over_shipments: list[OverShipmentOut]
    older_left: list[str] = Field(
        [], description="Packs of its bin that are older, here, free and of no other order: oldest first is advised.", examples=[["K26-000729-8"]]
    )


class BackIn(Told):
    units: Units | None = Field(None, examples=[1200], description="Only so many came back, those nearest the hub. Empty: the whole pack.")
    reason: Words | None = Field(None, description="Why it came back. Its page tells it.", examples=["the rest of the order was cancelled"])


@router.post("/packs", summary="Fill a pack from loose lots")
def begin(body: PackIn, call: Calling) -> PackOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        number = order_number(s, body.order)
        order = catalogue.named(s, "order", number).id if number else None
        pack = fill.fill_pack(
            s, by, station_of(s, body.station), _parts(s, body.parts), form=body.form, size=body.size, order=order,
            person=doer_of(s, by, body.person, call.person), line_clear=body.line_clear, close=body.close, short_reason=body.short_reason,
            values=values_of(body.values),
        )  # fmt: skip
        return _pack(s, pack)

    return PackOut(**call.do("fill_pack", body, verb))


@router.post("/packs/{pack}/fill", summary="Fill more into an open pack")
def more(pack: str, body: FillIn, call: Calling) -> PackOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = _of(s, pack)
        fill.fill_more(s, by, one, _parts(s, body.parts))
        return _pack(s, one)

    return PackOut(**call.do("fill_pack", body, verb, path={"pack": pack}))


@router.post("/packs/{pack}/close", summary="Close a pack")
def close(pack: str, body: CloseIn, call: Calling) -> PackOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = _of(s, pack)
        person = person_of(s, body.person, call.person)
        return _pack(s, fill.close_pack(s, by, one, short_reason=body.short_reason, values=values_of(body.values), person=person))

    return PackOut(**call.do("close_pack", body, verb, path={"pack": pack}))


@router.post("/packs/{pack}/dry_pack", summary="Seal a pack in its barrier bag; one that was sealed before, or cut, becomes a new pack")
def dry(pack: str, body: DryIn, call: Calling) -> PackOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, pack, "pack")
        person = person_of(s, body.person, call.person)
        sealed = seal_pack(s, by, station_of(s, body.station), one, values=values_of(body.values), person=person, again=body.again)
        return _pack(s, sealed.pack)

    return PackOut(**call.do("seal_pack", body, verb, path={"pack": pack}))


@router.post("/packs/{pack}/re_reel", summary="All units onto a new reel: the order turns round")
def re_reel(pack: str, body: Told, call: Calling) -> PackOut:
    return PackOut(**call.do("re_reel", body, lambda s, by: _pack(s, rework.re_reel(s, by, resolve(s, pack, "pack"))), path={"pack": pack}))


@router.post("/packs/{pack}/cut", summary="Cut units off the outer end, as a new pack")
def cut(pack: str, body: CutIn, call: Calling) -> PackOut:
    return PackOut(
        **call.do("cut_pack", body, lambda s, by: _pack(s, rework.cut_pack(s, by, resolve(s, pack, "pack"), body.units)), path={"pack": pack})
    )


@router.post("/packs/join", summary="Join packs into a new one")
def join(body: JoinIn, call: Calling) -> PackOut:
    return PackOut(**call.do("join_packs", body, lambda s, by: _pack(s, rework.join_packs(s, by, [resolve(s, p, "pack") for p in body.packs]))))


@router.post("/packs/{pack}/take_off_tape", summary="Take units off the tape into a loose lot")
def off(pack: str, body: OffIn, call: Calling) -> LooseOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        lot = rework.take_off_tape(s, by, resolve(s, pack, "pack"), body.pocket_from, body.pocket_to)
        return {"lot": code_of(s, "lot", lot.item), "units": book_of(s, lot.item)}

    return LooseOut(**call.do("take_off_tape", body, verb, path={"pack": pack}))


@router.post("/shipments", summary="Ship packs to a customer")
def ship(body: ShipIn, call: Calling) -> ShipmentOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        packs = [resolve(s, name, "pack") for name in body.packs]
        shipment = shipping.ship(s, by, packs, body.customer, order_number(s, body.order), body.diversion_reason, body.over_shipment_reason)
        older = shipping.older_left(s, packs)
        return _shipment(s, shipment) | {"older_left": list(codes_of(s, "pack", older).values())}

    return ShipmentOut(**call.do("ship", body, verb))


@router.post("/packs/{pack}/take_back", summary="A pack comes back from a customer, whole or in part")
def back(pack: str, body: BackIn, call: Calling) -> PackOut:
    return PackOut(
        **call.do("take_back", body, lambda s, by: _pack(s, shipping.take_back(s, by, resolve(s, pack, "pack"), body.units)), path={"pack": pack})
    )


@router.get("/shipments/{shipment}", summary="A shipment and its packs")
def see_shipment(shipment: str, call: Calling) -> ShipmentOut:
    with call.house.reading() as s:
        return ShipmentOut(**_shipment(s, s.get_one(Shipment, resolve(s, shipment, "shipment").id)))


@router.get("/packs", summary="Packs, the newest first; those of a date code or part number")
def list_packs(call: Calling, date_code: Text = "", part_number: Text = "", before: Before = None, limit: Limit = 100) -> PacksOut:
    query = select(Pack).order_by(Pack.item.desc())
    for column, wanted in ((Pack.date_code, date_code), (Pack.part_number, part_number)):
        query = query.where(column == wanted) if wanted else query
    with call.house.reading() as s:
        found, next_ = page(s, query, Pack.item, before, limit)
        return PacksOut(packs=[PackOut(**one) for one in _packs(s, found)], next=next_)


@router.get("/packs/{pack}", summary="A pack and what its pockets hold")
def see(pack: str, call: Calling) -> PackOut:
    with call.house.reading() as s:
        return PackOut(**_pack(s, _of(s, pack)))


def _of(session: Session, name: str) -> Pack:
    return session.get_one(Pack, resolve(session, name, "pack").id)


def _shipment(session: Session, shipment: Shipment) -> dict[str, Any]:
    session.flush()
    packs = list(session.scalars(select(Move.item).where(Move.shipment == shipment.id, moves_in_force()).order_by(Move.id)))
    return {
        "shipment": code_of(session, "shipment", shipment.id), "packs": sorted(codes_of(session, "pack", packs).values()),
        "customer": catalogue.with_id(session, shipment.customer).name,
        "order": catalogue.with_id(session, shipment.order).name if shipment.order else None, "diversions": _diversions(session, shipment, packs),
        "over_shipments": _over_shipments(session, shipment),
    }  # fmt: skip


def _over_shipments(session: Session, shipment: Shipment) -> list[dict[str, Any]]:
    rows = list(session.scalars(select(OverShipment).where(OverShipment.shipment == shipment.id).order_by(OverShipment.order)))
    orders = catalogue.with_ids(session, [row.order for row in rows])
    return [{"order": orders[row.order].name, "units": row.units, "reason": row.reason} for row in rows]


def _diversions(session: Session, shipment: Shipment, packs: Sequence[int]) -> list[dict[str, Any]]:
    """Of the packs that are in it by the record: one that a correction took out of it went elsewhere."""
    query = select(Diversion.pack, Diversion.reason, Pack.order).join(Pack, Pack.item == Diversion.pack).where(Diversion.shipment == shipment.id)
    query = query.where(Diversion.pack.in_(packs))
    rows = session.execute(query.order_by(Diversion.pack)).all()
    codes = codes_of(session, "pack", [row.pack for row in rows])
    orders: dict[int, Order] = {one.id: one.body for one in catalogue.with_ids(session, [row.order for row in rows]).values()}
    return [
        {"pack": codes[row.pack], "order": orders[row.order].number, "customer": orders[row.order].customer, "reason": row.reason} for row in rows
    ]  # fmt: skip


def _parts(session: Session, parts: Sequence[PartIn]) -> list[fill.Part]:
    return [fill.Part(lot_named(session, part.lot), part.units) for part in parts]


def _pack(session: Session, pack: Pack) -> dict[str, Any]:
    return _packs(session, [pack])[0]


def _packs(session: Session, packs: Sequence[Pack]) -> list[dict[str, Any]]:
    """As many statements for one as for a page of them."""
    session.flush()
    ids = [pack.item for pack in packs]
    codes, fills, places, runs = codes_of(session, "pack", ids), fills_of_packs(session, ids), place_of(session, ids), _runs(session, ids)
    lots = codes_of(session, "lot", list({one.loose for some in fills.values() for one in some}))
    orders = catalogue.with_ids(session, list({pack.order for pack in packs if pack.order is not None}))
    dry = set(session.scalars(select(DryPack.pack).where(DryPack.pack.in_(ids), text(stands("dry_pack.pack"))))) - opened(session, ids)
    return [
        {
            "pack": codes[pack.item], "form": pack.form, "part_number": pack.part_number, "bin": pack.bin, "grade": pack.grade,
            "order": orders[pack.order].body.number if pack.order is not None else None, "units": units_in(fills[pack.item]),
            "closed": pack.closed_e is not None, "date_code": pack.date_code,
            "dry_packed": pack.item in dry, "where": str(places[pack.item]), "run": runs[pack.item][0], "runs": runs[pack.item][1],
            "fills": [{"pocket_from": one.pocket_from, "pocket_to": one.pocket_to, "lot": lots[one.loose]} for one in fills[pack.item]],
        }
        for pack in packs
    ]  # fmt: skip


def _runs(session: Session, packs: Sequence[int]) -> dict[int, tuple[str | None, list[str]]]:
    """By pack: the run that fills it now, and all runs that are not void, in their order."""
    rows = session.execute(select(Line.item, Line.run, Line.closed_e, is_void(Line.run)).where(Line.item.in_(packs)).order_by(Line.id)).all()
    codes = codes_of(session, "run", list({run for _, run, _, _ in rows}))
    filling = {item: codes[run] for item, run, closed_e, _ in rows if closed_e is None}
    runs: dict[int, dict[str, None]] = {pack: {} for pack in packs}  # a run has several lines where its material changed
    for item, run, _, void in rows:
        if not void and item is not None:
            runs[item][codes[run]] = None
    return {pack: (filling.get(pack), list(runs[pack])) for pack in packs}
