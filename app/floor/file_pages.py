"""Files from outside as plain forms: a supplier's document of origin, a station's placement log or transfer maps. What each found stands below."""

from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import File, Form, Request, UploadFile
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import Refused
from app.evidence.keep import Kept
from app.evidence.refused import kept_when_refused
from app.floor.placements import import_placements, read_log
from app.journal.act import By, act
from app.journal.actions import ACTIONS
from app.ledger.judgements import VERDICTS
from app.naming.resolve import codes_of, codes_of_items, resolve
from app.people.callers import Caller, Calling, page_router
from app.receiving.origin_documents import import_origin_document, read_origin_file
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
Text = Annotated[str, Form(max_length=300)]
AFile = Annotated[UploadFile, File()]


@router.get("/files-in")
def files_in(request: Request, who: Calling) -> Response:
    return _page(request, who)


@router.post("/files-in/origins")
def take_in_origins(request: Request, who: Calling, file: AFile, key: Text = "") -> Response:
    def ours() -> dict[str, Any]:
        kept, events = read_origin_file(house_of(request), file.filename or "unnamed", file.file.read())

        def verb(session: Session, by: By) -> dict[str, Any]:
            links = import_origin_document(session, by, kept, events)
            codes = codes_of_items(session, [one.item for one in links])
            rows = [{"item": codes[one.item], "name": one.name, "event": one.event, "role": one.role} for one in links]
            return {"file": links[0].evidence, "events": len(events), "links": rows}

        return _done(request, who, "import_origin_document", kept, {}, verb, key)

    return _taken_in(request, who, "origins", "origin_document", file, ours)


@router.post("/files-in/placements")
def take_in_placements(
    request: Request, who: Calling, file: AFile, station: Text, zone: Text = "", cells_from: Annotated[Literal["", "0", "1"], Form()] = "",
    key: Text = "",
) -> Response:  # fmt: skip
    def ours() -> dict[str, Any]:
        first = int(cells_from) if cells_from else None
        kept, log = read_log(house_of(request), file.filename or "unnamed", file.file.read(), zone or None, first)

        def verb(session: Session, by: By) -> dict[str, Any]:
            return import_placements(session, by, resolve(session, station, "station").id, kept, log).as_json()

        told: dict[str, Any] = {"station": station, "zone": zone or None, "replaces": []} | ({"cells_from": cells_from} if cells_from else {})
        return _done(request, who, "import_placements", kept, told, verb, key)

    return _taken_in(request, who, "placements", "placement_log", file, ours)


def _done(
    request: Request, who: Caller, action: str, kept: Kept, told: dict[str, Any], verb: Callable[[Session, By], dict[str, Any]], key: str
) -> dict[str, Any]:
    return act(house_of(request), who.actor, action, told | {"file": [kept.name, kept.digest]}, verb, key=key or None).body


def _taken_in(request: Request, who: Caller, form: str, kind: str, file: UploadFile, ours: Callable[[], dict[str, Any]]) -> Response:
    name = file.filename or "unnamed"
    try:
        with kept_when_refused(house_of(request), who.actor, kind, [(name, file.file)]):
            return _page(request, who, form, {"name": name} | ours())
    except Refused as refusal:
        return _page(request, who, form, refusal=refusal)


def _page(request: Request, who: Caller, form: str = "", taken: dict[str, Any] | None = None, refusal: Refused | None = None) -> Response:
    """`form`: the one that was sent; `taken`: what its file added."""
    with house_of(request).reading() as session:
        stations = [one for one in catalogue.every(session, "station") if "die attach" in one.body.operations]
        codes = codes_of(session, "station", [one.id for one in stations])
    may = {form: who.has(*ACTIONS[action].duties) for form, action in (("origins", "import_origin_document"), ("placements", "import_placements"))}
    return render(
        request, "floor/files_in.html", status=refusal.status if refusal else 200, form=form, taken=taken, refusal=refusal, may=may,
        stations=[(codes[one.id], one.name) for one in stations], verdicts=VERDICTS,
    )  # fmt: skip
