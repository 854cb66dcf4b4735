"""The catalogue over the API: load, look, dump, approve and retire routes, move lots to another revision."""

import hashlib
import io
from typing import Annotated, Any, Literal

from fastapi import Depends, Request
from fastapi.responses import PlainTextResponse
from pydantic import Field
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.approve import approve_route, retire_route, what_approval_changes
from app.catalogue.definitions import Catalogue
from app.catalogue.file import dump, read_catalogue
from app.catalogue.json_file import read_json
from app.catalogue.load import Change, as_json, codes_of_changes, load_file, what_would_change
from app.evidence.keep import keep_file
from app.evidence.refused import kept_when_refused
from app.floor.revisions import move_to_revision
from app.journal.act import By
from app.ledger.items import Lot
from app.machines.bodies import Answer, LotCode, Name, Number, Signed
from app.machines.call_router import call_router
from app.machines.calls import Call, Calling, QueryTold
from app.machines.names import lot_named
from app.naming.resolve import codes_of
from app.people.doors import SEES_PEOPLE

router = call_router("catalogue")
Kind = Literal["part", "bin_table", "recipe", "product", "route", "station", "reason", "customer", "order", "site"]

_EXAMPLE_TOML = """\
[[recipes]]
name = "DIE-170"
set_point_c = 170
band_low_c = 165
band_high_c = 175
soak_minutes = 110

[[stations]]
name = "Oven 1"
area = "ovens"
operations = ["cure"]
shelves = ["1", "2"]
sensors = [{ name = "O1-1", shelf = "1" }, { name = "O1-2", shelf = "2" }]
"""
_EXAMPLE_JSON = {
    "parts": [{"number": "RED-4", "kind": "wafer", "role": "red", "passing_bins": ["1"]}, {"number": "ADH-1", "kind": "adhesive"}],
    "recipes": [{"name": "DIE-170", "set_point_c": 170, "band_low_c": 165, "band_high_c": 175, "soak_minutes": 110}],
    "products": [{"part_number": "P1", "rows": 20, "columns": 20, "roles": [{"role": "red", "part": "RED-4"}]}],
    "routes": [
        {
            "product": "P1",
            "revision": "A",
            "steps": [
                {"key": "attach", "name": "die attach", "operation": "die attach", "role": "red", "needs": [{"kind": "adhesive", "part": "ADH-1"}]},
                {"key": "cure", "name": "cure", "operation": "cure", "recipe": "DIE-170", "judged": "cure"},
                {"key": "look", "name": "inspection", "operation": "inspect", "barrier": True},
                {"key": "cut", "name": "singulate", "operation": "singulate"},
            ],
        }
    ],
    "stations": [{"name": "Oven 1", "area": "ovens", "operations": ["cure"], "shelves": ["1"], "sensors": [{"name": "O1-1", "shelf": "1"}]}],
    "customers": [{"name": "Quillmere Lighting"}],
    "orders": [{"number": "QL-26-0418", "customer": "Quillmere Lighting", "product": "P1", "units": 9000}],
}
_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "description": "The whole catalogue or any part of it. What it leaves out stays as it is; what is the same changes nothing.",
        "content": {
            "application/json": {"schema": {"$ref": "#/components/schemas/Catalogue"}, "example": _EXAMPLE_JSON},
            "application/toml": {"schema": {"type": "string"}, "example": _EXAMPLE_TOML},
        },
    }
}


_TOML: dict[int | str, dict[str, Any]] = {
    200: {"description": "TOML", "content": {"application/toml": {"schema": {"type": "string"}, "example": _EXAMPLE_TOML}}}
}


class Toml(PlainTextResponse):
    media_type = "application/toml"


class FieldOut(Answer):
    path: str = Field(examples=["soak_minutes"])
    old: str | None = Field(description="None: it was not there.", examples=["110"])
    new: str | None = Field(description="None: it is not there any more.", examples=["120"])


class ChangeOut(Answer):
    kind: str = Field(examples=["recipe"])
    name: str = Field(examples=["DIE-170"])
    what: Literal["added", "changed"]
    code: str | None = Field(None, description="Of a station or an order.")
    fields: list[FieldOut] = []


class ChangesOut(Answer):
    changes: list[ChangeOut] = Field(description="Empty: the catalogue says so already.")


class DefinitionOut(Answer):
    kind: str = Field(examples=["recipe"])
    name: str = Field(description='A route: product and revision, such as "P1 rev A".', examples=["DIE-170"])
    code: str | None = Field(None, description="Of a station or an order.", examples=[None])
    state: str | None = Field(None, description="Of a route: draft, active or retired.", examples=[None])
    definition: int = Field(examples=[41], description="The very revision of the thing: another body has another number.")
    body: dict[str, Any] = Field(examples=[{"name": "DIE-170", "set_point_c": 170, "band_low_c": 165, "band_high_c": 175, "soak_minutes": 110}])


class RouteIn(Signed):
    product: Name = Field(description="Part number of the product.", examples=["P1"])
    revision: Name = Field(description="Of the product's route, as the catalogue names it.", examples=["B"])


class ApproveIn(RouteIn):
    seen: Number | None = Field(None, description="The definition that the signer read; another one is refused as changed.")


class ApprovedOut(Answer):
    route: str = Field(examples=["P1 rev B"])
    retired: str | None = Field(examples=["P1 rev A"], description="The revision that was active before. Its lots go on by it.")


class RouteStateOut(Answer):
    route: str = Field(examples=["P1 rev B"])
    state: str = Field(examples=["retired"])


class ApprovalChangesOut(Answer):
    route: str = Field(examples=["P1 rev B"])
    state: str = Field(examples=["draft"])
    definition: int = Field(examples=[44])
    active: str | None = Field(examples=["P1 rev A"], description="The revision that is active now.")
    changes: list[FieldOut]


class RevisionIn(Signed):
    revision: Name = Field(description="A revision of the lot's own product.", examples=["B"])


class MovedOut(Answer):
    lot: LotCode
    route: str = Field(examples=["P1 rev B"])


async def raw_body(request: Request) -> bytes:
    return await request.body()


Raw = Annotated[bytes, Depends(raw_body)]


@router.post("/catalogue", summary="Load a catalogue, or a part of one, from JSON or TOML", openapi_extra=_BODY)
def load_body(request: Request, raw: Raw, call: Calling, told: QueryTold) -> ChangesOut:
    call.may("load_catalogue")
    name = "catalogue.json" if _is_json(request, raw) else "catalogue.toml"
    with kept_when_refused(call.house, call.who.actor, "catalogue", [(name, io.BytesIO(raw))]):
        found = _read(request, raw, call)
    kept = keep_file(call.house, name, io.BytesIO(raw))

    def verb(s: Session, by: By) -> dict[str, Any]:
        return _changes(s, load_file(s, by, found, kept))

    answer = ChangesOut(**call.do("load_catalogue", told, verb, path={"file": hashlib.sha256(raw).hexdigest()}))
    with call.house.reading() as session:
        request.app.state.zone = catalogue.site(session).zone
    return answer


@router.post("/catalogue/check", summary="What a load would change. Nothing is written", openapi_extra=_BODY)
def check_body(request: Request, raw: Raw, call: Calling) -> ChangesOut:
    found = _read(request, raw, call)
    with call.house.reading() as session:
        return ChangesOut(**_changes(session, what_would_change(session, found)))


@router.get("/catalogue", summary="The whole catalogue as JSON")
def as_json_file(call: Calling) -> Catalogue:
    with call.house.reading() as session:
        return catalogue.whole(session, with_people=call.who.has(*SEES_PEOPLE))


@router.get("/catalogue.toml", summary="The whole catalogue as TOML that loads back to the same", response_class=Toml, responses=_TOML)
def as_toml_file(call: Calling) -> Toml:
    with call.house.reading() as session:
        return Toml(dump(session, with_people=call.who.has(*SEES_PEOPLE)))


@router.get("/catalogue/{kind}", summary="The things of one kind, as they are defined now")
def catalogue_things(kind: Kind, call: Calling) -> list[DefinitionOut]:
    with call.house.reading() as session:
        found = catalogue.every(session, kind)
        codes = codes_of(session, kind, [thing.id for thing in found]) if kind in ("station", "order") else {}
        states = catalogue.route_states(session)
        return [
            DefinitionOut(
                kind=kind, name=thing.name, code=codes.get(thing.id), state=states.get(thing.id, "draft") if kind == "route" else None,
                definition=thing.definition, body=thing.body.model_dump(mode="json"),
            )
            for thing in found
        ]  # fmt: skip


@router.get("/routes/changes", summary="What the approval of a revision would change against the active one")
def approval_changes(product: Name, revision: Name, call: Calling) -> ApprovalChangesOut:
    with call.house.reading() as session:
        route = catalogue.named(session, "route", f"{product} rev {revision}")
        active, fields = what_approval_changes(session, route)
        return ApprovalChangesOut(
            route=route.name, state=catalogue.route_state(session, route.id), definition=route.definition, active=active.name if active else None,
            changes=[FieldOut(path=one.path, old=one.old, new=one.new) for one in fields],
        )  # fmt: skip


@router.post("/routes/approve", summary="Make a draft revision the active one. Signed")
def approve_revision(body: ApproveIn, call: Calling) -> ApprovedOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        done = approve_route(s, by, body.product, body.revision, body.seen)
        return {"route": done.name, "retired": done.retired}

    return ApprovedOut(**call.do("approve_route", body, verb))


@router.post("/routes/retire", summary="Retire the active revision: no lot starts by it any more. Signed")
def retire_revision(body: RouteIn, call: Calling) -> RouteStateOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        retire_route(s, by, body.product, body.revision)
        return {"route": f"{body.product} rev {body.revision}", "state": "retired"}

    return RouteStateOut(**call.do("retire_route", body, verb))


@router.post("/lots/{lot}/revision", summary="Move a lot to another revision of its product's route. Signed")
def move_lot(lot: str, body: RevisionIn, call: Calling) -> MovedOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        named = lot_named(s, lot)
        product = catalogue.with_id(s, s.get_one(Lot, named.id).product).name
        route = catalogue.named(s, "route", f"{product} rev {body.revision}")
        move_to_revision(s, by, named.id, route.id)
        return {"lot": named.code, "route": route.name}

    return MovedOut(**call.do("move_to_revision", body, verb, path={"lot": lot}))


def _read(request: Request, raw: bytes, call: Call) -> Catalogue:
    """The body against what is on the record."""
    with call.house.reading() as session:
        known = catalogue.whole(session)
    return read_json(raw, known) if _is_json(request, raw) else read_catalogue(raw, known)


def _is_json(request: Request, raw: bytes) -> bool:
    """By the content type; where that says nothing, JSON begins with a brace."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind in ("application/toml", "text/toml", "application/x-toml", "text/plain"):
        return False
    return kind.endswith("json") or raw.lstrip().startswith(b"{")


def _changes(session: Session, found: tuple[Change, ...]) -> dict[str, Any]:
    codes = codes_of_changes(session, found)
    answer = as_json(found)
    for change in answer["changes"]:
        change["code"] = codes.get((change["kind"], change["name"]))
    return answer
