"""The desk's pages: one route a list. Its address ends in `format=csv` or `format=json` for the same rows as a file, in `all_csv` for all of it."""

from fastapi import Request
from fastapi.responses import Response

from app.catalogue import queries as catalogue
from app.desk.answer import answer
from app.desk.entries import JOURNAL, WITHOUT_PEOPLE
from app.desk.goods import PACKS, SHIPMENTS
from app.desk.lots import CONTAINERS, LOTS
from app.desk.material import BATCHES, PANELS, WAFERS
from app.desk.people import PEOPLE
from app.desk.runs import LOADS, RUNS
from app.desk.security import SECURITY
from app.desk.stations import STATIONS
from app.desk.stations import station_page as one_station
from app.desk.stops import HOLDS
from app.errors import not_allowed
from app.floor.reasons import offered_reasons
from app.naming.resolve import code_of, resolve
from app.people.callers import Calling, page_router
from app.people.doors import SEES_PEOPLE
from app.people.people import DUTIES
from app.people.security import write_noted
from app.web.installation import house_of
from app.web.rendering import redirect, render

router = page_router()
LISTINGS = (LOTS, CONTAINERS, WAFERS, BATCHES, PANELS, STATIONS, RUNS, LOADS, PACKS, SHIPMENTS, HOLDS, PEOPLE, JOURNAL, SECURITY)


@router.get("/lots")
def lots(request: Request, who: Calling) -> Response:
    return answer(request, LOTS)


@router.get("/containers")
def containers(request: Request, who: Calling) -> Response:
    return answer(request, CONTAINERS)


@router.get("/wafers")
def wafers(request: Request, who: Calling) -> Response:
    return answer(request, WAFERS)


@router.get("/batches")
def batches(request: Request, who: Calling) -> Response:
    return answer(request, BATCHES)


@router.get("/panels")
def panels(request: Request, who: Calling) -> Response:
    return answer(request, PANELS)


@router.get("/stations")
def stations(request: Request, who: Calling) -> Response:
    return answer(request, STATIONS)


@router.get("/stations/{code}")
def station_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        found = one_station(session, resolve(session, code, "station"))
    return render(request, "desk/station.html", station=found, runs=RUNS)


@router.get("/runs")
def runs(request: Request, who: Calling) -> Response:
    return answer(request, RUNS)


@router.get("/loads")
def every_load(request: Request, who: Calling) -> Response:
    with house_of(request).reading() as session:
        ovens = [one.name for one in catalogue.every(session, "station") if "cure" in one.body.operations]
        recipes = [one.name for one in catalogue.every(session, "recipe")]
    return answer(request, LOADS, ovens=ovens, recipes=recipes)


@router.get("/packs")
def packs(request: Request, who: Calling) -> Response:
    return answer(request, PACKS)


@router.get("/shipments")
def shipments(request: Request, who: Calling) -> Response:
    return answer(request, SHIPMENTS)


@router.get("/holds")
def holds(request: Request, who: Calling) -> Response:
    with house_of(request).reading() as session:
        return answer(request, HOLDS, reasons=offered_reasons(session, "hold"))


@router.get("/people")
def people(request: Request, who: Calling) -> Response:
    """For who plans and trains; others come to their own page."""
    if not who.has(*SEES_PEOPLE):
        if who.person is None:
            raise not_allowed(who.actor.name, "see the list of people", SEES_PEOPLE)
        with house_of(request).reading() as session:
            return redirect(request, "person_page", badge=code_of(session, "person", who.person))
    return answer(request, PEOPLE, duties=DUTIES, may=who.has("administer"))


@router.get("/journal")
def journal(request: Request, who: Calling) -> Response:
    return answer(request, JOURNAL if who.has(*SEES_PEOPLE) else WITHOUT_PEOPLE)


@router.get("/security")
def security(request: Request, who: Calling) -> Response:
    """For administrators: whom to look for, and from which machine."""
    write_noted(house_of(request))
    return answer(request, SECURITY)
