"""The page of a run with what its test found, its original files as they came, and the way from a tested lot to its run."""

from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import Query, Request
from fastapi.responses import FileResponse, RedirectResponse, Response

from app.errors import not_allowed, refuse, unknown
from app.evidence.keep import path_of
from app.evidence.models import Evidence
from app.final_test.result_corrections import file_in_force
from app.final_test.results_shown import ResultsShown, results_shown, tested_in
from app.genealogy.run_story import run_story
from app.ledger.items import Lot
from app.naming.resolve import code_of, resolve
from app.people.callers import Calling, page_router
from app.people.doors import SEES_PEOPLE
from app.web.downloads import csv_file
from app.web.fields import Number
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
Bin = Annotated[str, Query(alias="bin", max_length=100)]


@router.get("/runs/{code}")
def run_page(request: Request, who: Calling, code: str, chosen: Bin = "") -> Response:
    """Voided runs too, shown as such. `bin`: only units of that bin on the chromaticity charts."""
    with house_of(request).reading() as session:
        story = run_story(session, resolve(session, code, "run"))
        results = results_shown(session, house_of(request), story.results, chosen) if story.results else None
    return render(request, "genealogy/run.html", run=story, results=results)


@router.get("/runs/{code}/results.csv")
def results_as_csv(request: Request, who: Calling, code: str) -> Response:
    """Counts by bin, then failures ranked."""
    shown = _shown(request, code, "")
    rows: list[tuple[Any, ...]] = [("bin", one.name, one.grade, one.units, f"{one.share:.6f}") for one in shown.bins]
    rows += [("failure", one.name, "", one.units, f"{one.share:.6f}") for one in shown.failures]
    return csv_file(f"{code}-results", ("what", "name", "grade", "units", "share"), rows)


@router.get("/runs/{code}/chromaticities.csv")
def chromaticities_as_csv(request: Request, who: Calling, code: str, chosen: Bin = "") -> Response:
    """The middle of each cell of the charts and the units in it."""
    shown = _shown(request, code, chosen)
    rows = [(*pair.axes, *cell) for pair in shown.pairs for cell in pair.cells]
    return csv_file(f"{code}-chromaticities", ("x_of", "y_of", "x", "y", "units"), rows)


@router.get("/lots/{code}/results")
def lot_results(request: Request, who: Calling, code: str) -> Response:
    """From a tested lot to the run that tested it, with its own bin chosen."""
    with house_of(request).reading() as session:
        named = resolve(session, code, "lot")
        lot = session.get_one(Lot, named.id)
        run = tested_in(session, lot)
        if run is None:
            raise refuse("not_next_step", f"Lot {named.code} has no unit results.", "No imported test made it.", "Open the lot that was tested.")
        path = request.url_for("run_page", code=code_of(session, "run", run)).path
    query = urlencode({"bin": lot.bin}) if lot.bin else ""
    return RedirectResponse(f"{path}?{query}#results", status_code=303)


@router.get("/evidence/{number}")
def evidence_file(request: Request, who: Calling, number: Number) -> Response:
    """An original file, always as a download: nothing in it is shown as a page of ours."""
    house = house_of(request)
    with house.reading() as session:
        found = session.get(Evidence, number)
    if found is None or not path_of(house, found.digest).is_file():
        raise unknown(str(number), "the number of a file that was kept")
    if found.kind == "catalogue" and not who.has(*SEES_PEOPLE):  # it may name people, with duties and certificates
        raise not_allowed(who.actor.name, "see a catalogue's file", SEES_PEOPLE)
    disposition = f"attachment; filename*=UTF-8''{quote(found.name)}"
    return FileResponse(path_of(house, found.digest), media_type="application/octet-stream", headers={"Content-Disposition": disposition})


def _shown(request: Request, code: str, chosen: str) -> ResultsShown:
    house = house_of(request)
    with house.reading() as session:
        file = file_in_force(session, resolve(session, code, "run").id)
        if file is None:
            raise unknown(code, "a test run with unit results")
        return results_shown(session, house, file, chosen)
