"""The chain of a pack or lot as a file to take away, in the open vocabularies."""

from enum import StrEnum
from typing import Annotated, Any

from fastapi import Query, Request
from fastapi.responses import JSONResponse, Response

from app import clock
from app.genealogy.chain import Chain, chain_of
from app.genealogy.epcis import epcis_document
from app.genealogy.prov_document import prov_document
from app.genealogy.uris import Uris
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.web.downloads import attached
from app.web.installation import house_of, zone_of

router = page_router()


class ProvFormat(StrEnum):
    """PROV-JSON, or PROV-N."""

    json = "json"
    n = "n"


@router.get("/record/{code}/epcis.jsonld")
def epcis_file(request: Request, who: Calling, code: str) -> Response:
    chain, uris = _chain(request, code)
    return named(JSONResponse(epcis_document(chain, uris, clock.now(), zone_of(request)), media_type="application/ld+json"), f"{code}-epcis.jsonld")


@router.get("/record/{code}/prov")
def prov_file(request: Request, who: Calling, code: str, form: Annotated[ProvFormat, Query(alias="format")] = ProvFormat.json) -> Response:
    chain, uris = _chain(request, code)
    return prov_answer(chain, uris, form)


def prov_answer(chain: Chain, uris: Uris, form: ProvFormat) -> Response:
    document = prov_document(chain, uris)
    if form is ProvFormat.n:
        return named(Response(document.get_provn(), media_type="text/provenance-notation"), f"{chain.subject.code}-prov.provn")
    text: Any = document.serialize(format="json")
    return named(Response(text, media_type="application/json"), f"{chain.subject.code}-prov.json")


def named(answer: Response, name: str) -> Response:
    answer.headers.update(attached(name))
    return answer


def _chain(request: Request, code: str) -> tuple[Chain, Uris]:
    house = house_of(request)
    with house.walking() as session:
        return chain_of(session, resolve(session, code, "pack", "lot")), Uris(house.settings.uri_authority)
