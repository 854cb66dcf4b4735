"""Packs over the API: fill, close, dry pack, re-reel, cut, join, take off the tape, ship, take back."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.floor.amounts import book_of
from app.floor.moves import place_of
from app.journal.act import By
from app.ledger.items import DryPack, Pack
from app.machines.bodies import ByPerson, Name, Text, Told, Units, ValueIn, Words
from app.machines.calls import PROBLEMS, Call, calling
from app.machines.names import lot_named, person_of, station_of, values_of
from app.naming.resolve import code_of, resolve
from app.packing import fill, rework, shipping
from app.packing.contents import fills_of, units_of
from app.packing.dry import seal_pack

router = APIRouter(prefix="/api/v1", tags=["packing"], responses=PROBLEMS)
Calling = Annotated[Call, Depends(calling)]


class PartIn(BaseModel):
    """So many units of a loose lot (or of what is in a jar)."""

    lot: Name
    units: Units


class PackIn(ByPerson):
    station: Name = Field(description="The taper.")
    parts: list[PartIn] = Field(min_length=1, description="In the order in which they are taped, from the hub.")
    form: Text = Field("reel", description="reel, bag or tray")
    size: Units | None = Field(None, description="Units of a full pack; empty: as the product says.")
    order: Name | None = None
    line_clear: bool = False
    close: bool = Field(True, description="Close it at once. False: more will be filled in.")
    short_reason: Text | None = Field(None, description="Why it is not full, if it is not.")
    values: list[ValueIn] = []


class FillIn(Told):
    parts: list[PartIn] = Field(min_length=1)


class CloseIn(ByPerson):
    short_reason: Text | None = None
    values: list[ValueIn] = []


class DryIn(ByPerson):
    station: Name


class CutIn(Told):
    units: Units = Field(description="So many leave from the outer end, which is used first, as a new pack.")


class JoinIn(Told):
    packs: list[Name] = Field(min_length=2, description="The first is at the hub.")


class OffIn(Told):
    pocket_from: Annotated[int, Field(ge=1)] | None = None
    pocket_to: Annotated[int, Field(ge=1)] | None = None


class FillOut(BaseModel):
    pocket_from: int
    pocket_to: int
    lot: str


class PackOut(BaseModel):
    pack: str
    form: str
    part_number: str
    bin: str | None
    grade: str
    units: int
    closed: bool
    date_code: str | None
    dry_packed: bool
    where: str
    fills: list[FillOut]


class LooseOut(BaseModel):
    lot: str
    units: int


class ShipIn(Told):
    packs: list[Name] = Field(min_length=1)
    customer: Name
    order: Name | None = None


class ShipmentOut(BaseModel):
    shipment: str
    packs: list[str]
    customer: str


class BackIn(Told):
    units: Units | None = Field(None, description="Only so many came back, those nearest the hub. Empty: the whole pack.")
    reason: Words = "returned"


@router.post("/packs", summary="Fill a pack from loose lots")
def begin(body: PackIn, call: Calling) -> PackOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        order = catalogue.named(s, "order", body.order).id if body.order else None
        pack = fill.fill_pack(
            s, by, station_of(s, body.station), _parts(s, body.parts), form=body.form, size=body.size, order=order,
            person=person_of(s, body.person, call.person), line_clear=body.line_clear, close=body.close, short_reason=body.short_reason,
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


@router.post("/packs/{pack}/dry_pack", summary="Seal a pack in its barrier bag; one that was sealed before becomes a new pack")
def dry(pack: str, body: DryIn, call: Calling) -> PackOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, pack, "pack")
        return _pack(s, seal_pack(s, by, station_of(s, body.station), one, person=person_of(s, body.person, call.person)).pack)

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
        shipment = shipping.ship(s, by, packs, body.customer, body.order)
        return {"shipment": code_of(s, "shipment", shipment.id), "packs": [pack.code for pack in packs], "customer": body.customer}

    return ShipmentOut(**call.do("ship", body, verb))


@router.post("/packs/{pack}/take_back", summary="A pack comes back from a customer, whole or in part")
def back(pack: str, body: BackIn, call: Calling) -> PackOut:
    return PackOut(
        **call.do("take_back", body, lambda s, by: _pack(s, shipping.take_back(s, by, resolve(s, pack, "pack"), body.units)), path={"pack": pack})
    )


@router.get("/packs/{pack}", summary="A pack and what its pockets hold")
def see(pack: str, call: Calling) -> PackOut:
    with call.house.reading() as s:
        return PackOut(**_pack(s, _of(s, pack)))


def _of(session: Session, name: str) -> Pack:
    return session.get_one(Pack, resolve(session, name, "pack").id)


def _parts(session: Session, parts: list[PartIn]) -> list[fill.Part]:
    return [fill.Part(lot_named(session, part.lot), part.units) for part in parts]


def _pack(session: Session, pack: Pack) -> dict[str, Any]:
    session.flush()
    return {
        "pack": code_of(session, "pack", pack.item), "form": pack.form, "part_number": pack.part_number, "bin": pack.bin, "grade": pack.grade,
        "units": units_of(session, pack.item), "closed": pack.closed_e is not None, "date_code": pack.date_code,
        "dry_packed": session.get(DryPack, pack.item) is not None, "where": str(place_of(session, [pack.item])[pack.item]),
        "fills": [{"pocket_from": f.first, "pocket_to": f.last, "lot": code_of(session, "lot", f.loose)} for f in fills_of(session, pack.item)],
    }  # fmt: skip
