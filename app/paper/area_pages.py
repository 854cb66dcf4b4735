"""The sheets of an area's lots: a lead prints them at any time, and every open floor terminal keeps its area's newest."""

from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.catalogue import queries as catalogue
from app.errors import unknown
from app.genealogy.sheet import sheet_values
from app.genealogy.traveller import travellers
from app.paper.area import lots_in_area
from app.people.callers import Calling, page_router
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
MOST = 200  # sheets on one page; our choice


@router.get("/paper")
def paper(request: Request, who: Calling) -> Response:
    """The areas, and the way to what was done on paper."""
    with house_of(request).reading() as session:
        return render(request, "paper/areas.html", areas=list(catalogue.stations_by_area(session)), mine=who.area, may_enter=who.has("lead"))


@router.get("/paper/here")
def paper_here(request: Request, who: Calling) -> Response:
    """The sheets of this terminal's own area."""
    if who.area is None:
        raise unknown("This terminal", "a terminal that is enrolled for an area")
    return _sheets(request, who.area)


@router.get("/paper/area")
def paper_of_area(request: Request, who: Calling, area: str) -> Response:
    """The area stands behind the question mark: its name may hold what an address is parted by, such as a slash."""
    with house_of(request).reading() as session:
        if area not in catalogue.stations_by_area(session):
            raise unknown(area, "an area of the catalogue's stations")
    return _sheets(request, area)


def _sheets(request: Request, area: str) -> Response:
    with house_of(request).reading() as session:
        now = clock.now()
        lots = lots_in_area(session, area)
        shown = travellers(session, lots[:MOST], now)
        return render(request, "paper/area.html", area=area, lots=shown, left_out=max(0, len(lots) - MOST), **sheet_values(request, shown, now))
