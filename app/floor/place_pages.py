"""Plain pages of what was mounted on a station, of a container (what is in it and was), and of where a thing was moved.

What was entered wrongly stands there as corrected, beside what replaces it; each row leads to the form that corrects it.
"""

from fastapi import Request
from fastapi.responses import Response

from app.catalogue import queries as catalogue
from app.floor.containers import content_of
from app.floor.content_corrections import contents_told
from app.floor.groups import contents
from app.floor.mount_corrections import mounts_told
from app.floor.move_corrections import moves_of
from app.ledger.places import Container
from app.naming.resolve import codes_of, resolve
from app.people.callers import Calling, page_router
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
_MOST = 100


@router.get("/stations/{code}/mounts")
def mounts_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code, "station")
        name = catalogue.station(session, named.id).name
        return render(request, "floor/mounts.html", code=named.code, name=name, mounts=mounts_told(session, named.id, _MOST), most=_MOST)


@router.get("/containers/{code}")
def container_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code, "container")
        inside = content_of(session, named.id)
        things = [code for kind, some in (("panel", inside.panels), ("lot", inside.loose), ("sample", inside.samples))
                  for code in sorted(codes_of(session, kind, list(some)).values())]  # fmt: skip
        return render(
            request, "floor/container.html", code=named.code, container=session.get_one(Container, named.id), things=things,
            told=contents_told(session, named.id, _MOST), most=_MOST,
        )  # fmt: skip


@router.get("/things/{code}/moves")
def moves_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code)
        panels, items = ([], [named.id]) if named.kind in ("wafer", "batch") else contents(session, named)
        return render(request, "floor/moves.html", code=named.code, kind=named.kind, moves=moves_of(session, [*panels, *items]))
