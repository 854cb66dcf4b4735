"""Lots and containers over the API: start, split, merge; put in, take out, pour."""

from typing import Any

from pydantic import Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input
from app.floor import containers, lots
from app.floor.groups import contents
from app.floor.loose import merge_loose, split_loose
from app.journal.act import By
from app.ledger.items import Lot
from app.ledger.places import Container as Box
from app.machines.bodies import (
    ALot,
    AnOrder,
    Answer,
    AThing,
    Container,
    ContainerCode,
    LotCode,
    Method,
    Name,
    PanelCode,
    Panels,
    Told,
    Uncertainty,
    Units,
    shown,
)
from app.machines.call_router import call_router
from app.machines.calls import Call, Calling
from app.machines.names import inside, lot_code, lot_in, lot_named, order_number, panel_codes, panels_of, things_of
from app.machines.paging import Before, Limit, Next, page
from app.naming.resolve import Named, candidates, code_of, codes_of, resolve

router = call_router("floor")


class ContainerIn(Told):
    kind: Name = Field(description="magazine, tray, jar or box.", examples=["magazine"])
    name: Name = Field(description="What is written on it; its code is made.", examples=["Magazine 118"])


class ContainerOut(Answer):
    container: ContainerCode
    kind: str = Field(examples=["magazine"])
    name: str = Field(examples=["Magazine 118"])
    panels: list[PanelCode] = []
    items: list[str] = Field([], description="Loose lots and samples.", examples=[[]])


class ContainerRow(Answer):
    container: ContainerCode
    kind: str = Field(examples=["magazine"])
    name: str = Field(examples=["Magazine 118"])
    panels: int = Field(description="How many lie in it.", examples=[24])
    items: int = Field(description="Loose lots and samples in it.", examples=[0])


class ContainersOut(Answer):
    containers: list[ContainerRow]
    next: Next


class ThingsIn(Told):
    model_config = shown({"things": ["L26-000058-T"]})

    things: list[AThing] = Field(
        default=[], max_length=100_000, description="Panels, panel lots, loose lots or samples. Empty, when taking out: everything."
    )


class PourIn(ThingsIn):
    model_config = shown({"into": "C-0119-U"})

    into: Container = Field(description="The container that it goes into.", examples=["C-0119-U"])


class LotIn(Told):
    model_config = shown({"product": "P1", "panels": ["P26-000407-8", "P26-000408-6"], "order": "QL-26-0418"})

    product: Name = Field(description="Part number.", examples=["P1"])
    panels: Panels | None = None
    containers: list[Container] | None = Field(None, max_length=1000, description="Instead of panels: what is in these.")
    order: AnOrder | None = Field(None, description="The customer order that it is started for.")


class LotOut(Answer):
    lot: LotCode
    panels: list[PanelCode] = []


class SplitIn(Told):
    """Panels leave a panel lot; a number of units leaves a loose lot."""

    model_config = shown({"panels": ["P26-000407-8"]}, {"units": 30, "method": "weight", "u": 2.5})

    panels: Panels | None = None
    units: Units | None = Field(None, examples=[None])
    method: Method = "hand"
    u: Uncertainty = 0.0


class MergeIn(Told):
    others: list[ALot] = Field(min_length=1, max_length=1000)


@router.post("/containers", summary="Add a container")
def add_container(body: ContainerIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        made = containers.add_container(s, by, body.kind, body.name)
        return _content(s, Named("container", made.id, code_of(s, "container", made.id)))

    return ContainerOut(**call.do("add_container", body, verb))


@router.post("/containers/{container}/put", summary="Put panels, lots or samples into a container")
def put_in(container: str, body: ThingsIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        into = resolve(s, container, "container")
        if not body.things:
            raise bad_input("Nothing to put in.", "things", "The list is empty.", "Name panels, a lot or samples.")
        panels, items = inside(s, things_of(s, body.things))
        if panels:
            containers.put_panels(s, by, into.id, panels)
        for item in items:
            containers.put_item(s, by, into.id, item)
        return _content(s, into)

    return ContainerOut(**call.do("fill_container", body, verb, path={"container": container}))


@router.post("/containers/{container}/take_out", summary="Take things out of a container, or all of it")
def take_out(container: str, body: ThingsIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        source = resolve(s, container, "container")
        panels, items = inside(s, things_of(s, body.things))
        containers.take_out(s, by, source.id, [*panels, *items] or None)
        return _content(s, source)

    return ContainerOut(**call.do("empty_container", body, verb, path={"container": container}))


@router.post("/containers/{container}/pour", summary="What is in a container, or some of it, goes into another")
def pour(container: str, body: PourIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        source, into = resolve(s, container, "container"), resolve(s, body.into, "container")
        panels, items = inside(s, things_of(s, body.things))
        containers.move_content(s, by, source.id, into.id, [*panels, *items] or None)
        return _content(s, into)

    return ContainerOut(**call.do("fill_container", body, verb, path={"container": container}))


@router.get("/containers", summary="Containers, the newest first, and how much is in them")
def all_containers(call: Calling, before: Before = None, limit: Limit = 100) -> ContainersOut:
    with call.house.reading() as s:
        found, next_ = page(s, select(Box).order_by(Box.id.desc()), Box.id, before, limit)
        ids = [one.id for one in found]
        codes, inside_now = codes_of(s, "container", ids), containers.how_much_is_in(s, ids)
        rows = [
            ContainerRow(container=codes[one.id], kind=one.kind, name=one.name, panels=inside_now[one.id][0], items=inside_now[one.id][1])
            for one in found
        ]
        return ContainersOut(containers=rows, next=next_)


@router.get("/containers/{container}", summary="What is in a container")
def see_container(container: str, call: Calling) -> ContainerOut:
    with call.house.reading() as s:
        return ContainerOut(**_content(s, resolve(s, container, "container")))


@router.post("/lots", summary="Start a lot of panels")
def start_lot(body: LotIn, call: Calling) -> LotOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        boxes = [resolve(s, name, "container").id for name in body.containers] if body.containers else []
        lot = lots.start_lot(s, by, body.product, panels_of(s, body.panels) or [], containers=boxes, order=order_number(s, body.order))
        return _lot(s, lot.item)

    return LotOut(**call.do("start_lot", body, verb))


@router.post("/lots/{lot}/split", summary="A part of a lot leaves under a code of its own")
def split(lot: str, body: SplitIn, call: Calling) -> LotOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, lot, "lot", "container")
        item = lot_in(s, one).id
        if s.get_one(Lot, item).form == "loose":
            if body.units is None:
                raise bad_input("How many units leave?", "units", f"{one.code} is a loose lot.", "Give units.")
            return _lot(s, split_loose(s, by, item, body.units, body.method, body.u).item)
        if not body.panels:
            raise bad_input("Which panels leave?", "panels", f"{one.code} is a panel lot.", "Name the panels that leave.")
        return _lot(s, lots.split_lot(s, by, item, panels_of(s, body.panels) or []).item)

    return LotOut(**call.do(_of_form(call, lot, "split_lot", "split_loose"), body, verb, path={"lot": lot}))


@router.post("/lots/{lot}/merge", summary="Other lots join this one; a loose lot may go on under a new code")
def merge(lot: str, body: MergeIn, call: Calling) -> LotOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        into = lot_named(s, lot).id
        others = [lot_named(s, name).id for name in body.others]
        joined = merge_loose(s, by, into, others) if s.get_one(Lot, into).form == "loose" else lots.merge_lots(s, by, into, others)
        return _lot(s, joined.item)

    return LotOut(**call.do(_of_form(call, lot, "merge_lots", "merge_loose"), body, verb, path={"lot": lot}))


def _of_form(call: Call, lot: str, of_panels: str, of_loose: str) -> str:
    """The action by what never changes, so that a repeat is the same: the form of the lot, or the kind of the container that it lies in."""
    with call.house.reading() as s:
        found = candidates(s, lot, "lot", "container")
        if len(found) != 1:
            return of_panels
        one = found[0]
        loose = s.get_one(Lot, one.id).form == "loose" if one.kind == "lot" else s.get_one(Box, one.id).kind != "magazine"
    return of_loose if loose else of_panels


def _lot(session: Session, item: int) -> dict[str, Any]:
    panels, _ = contents(session, Named("lot", item, "")) if session.get_one(Lot, item).form == "panel" else ([], [])
    return {"lot": lot_code(session, item), "panels": panel_codes(session, panels)}


def _content(session: Session, container: Named) -> dict[str, Any]:
    one, inside = session.get_one(Box, container.id), containers.content_of(session, container.id)
    items = [code_of(session, "lot", lot) for lot in inside.loose] + [code_of(session, "sample", one) for one in inside.samples]
    return {"container": container.code, "kind": one.kind, "name": one.name, "panels": panel_codes(session, inside.panels), "items": items}
