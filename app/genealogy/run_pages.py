"""The page of a run, and its original files as they came."""

from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, Response

from app.errors import unknown
from app.evidence.keep import path_of
from app.evidence.models import Evidence
from app.genealogy.run_story import run_story
from app.naming.resolve import resolve
from app.people.callers import Calling
from app.web import house_of, render

router = APIRouter(include_in_schema=False)


@router.get("/runs/{code}")
def run_page(request: Request, who: Calling, code: str) -> Response:
    """Voided runs too, shown as such."""
    with house_of(request).reading() as session:
        story = run_story(session, resolve(session, code, "run"))
    return render(request, "genealogy/run.html", run=story)


@router.get("/evidence/{number}")
def evidence_file(request: Request, who: Calling, number: int) -> Response:
    """An original file, always as a download: nothing in it is shown as a page of ours."""
    house = house_of(request)
    with house.reading() as session:
        found = session.get(Evidence, number) if number < 1 << 53 else None
    if found is None or not path_of(house, found.digest).is_file():
        raise unknown(str(number), "the number of a file that was kept")
    disposition = f"attachment; filename*=UTF-8''{quote(found.name)}"
    return FileResponse(path_of(house, found.digest), media_type="application/octet-stream", headers={"Content-Disposition": disposition})
