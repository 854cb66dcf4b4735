"""The chain of a pack or lot in open vocabularies: GS1 EPCIS 2.0 in JSON-LD, W3C PROV."""

from typing import Annotated, Any

from fastapi import Query
from fastapi.responses import JSONResponse, Response

from app import clock
from app.catalogue import queries as catalogue
from app.genealogy.chain import chain_of
from app.genealogy.epcis import epcis_document
from app.genealogy.export_pages import ProvFormat, prov_answer
from app.genealogy.uris import Uris
from app.machines.call_router import call_router
from app.machines.calls import Call, Calling
from app.naming.resolve import resolve
from app.receiving.cbv import CONTEXT

router = call_router("trace", "/exports")
_EPCIS = {
    "@context": [CONTEXT], "type": "EPCISDocument", "schemaVersion": "2.0", "creationDate": "2026-03-01T06:30:00.000Z",
    "epcisBody": {"eventList": []},
}  # fmt: skip
_OBJECT = {"schema": {"type": "object"}}
_IN_EPCIS: dict[int | str, dict[str, Any]] = {
    200: {"description": "A GS1 EPCIS 2.0 document in JSON-LD", "content": {"application/ld+json": _OBJECT | {"example": _EPCIS}}}
}
_IN_PROV: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "W3C PROV-JSON or PROV-N",
        "content": {
            "application/json": _OBJECT | {"example": {"prefix": {"pack": "https://id.reelroot.example/pack/"}, "entity": {}}},
            "text/provenance-notation": {"schema": {"type": "string"}, "example": "document\nendDocument"},
        },
    }
}


@router.get("/epcis/{code}", summary="The chain of a pack or lot as GS1 EPCIS 2.0 events", response_class=Response, responses=_IN_EPCIS)
def epcis(code: str, call: Calling) -> Response:
    with call.house.walking() as session:
        zone, chain = catalogue.site(session).zone, chain_of(session, resolve(session, code, "pack", "lot"))
    return JSONResponse(epcis_document(chain, _uris(call), clock.now(), zone), media_type="application/ld+json")


@router.get("/prov/{code}", summary="The chain of a pack or lot as W3C PROV", response_class=Response, responses=_IN_PROV)
def prov(
    code: str, call: Calling, form: Annotated[ProvFormat, Query(alias="format", description="json: PROV-JSON; n: PROV-N.")] = ProvFormat.json
) -> Response:
    with call.house.walking() as session:
        return prov_answer(chain_of(session, resolve(session, code, "pack", "lot")), _uris(call), form)


def _uris(call: Call) -> Uris:
    return Uris(call.house.settings.uri_authority)
