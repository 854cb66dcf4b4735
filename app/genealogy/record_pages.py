"""The page of a record: of a pack or lot, everything in one answer, and on paper one document."""

from fastapi import Request
from fastapi.responses import Response
from markupsafe import Markup

from app import clock
from app.drawing.symbols import data_matrix
from app.genealogy.record import record_of
from app.genealogy.sheet import span
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.web.installation import house_of, zone_of
from app.web.rendering import render

router = page_router()
RECORDED = ("pack", "lot")


@router.get("/record/{code}")
def record_page(request: Request, who: Calling, code: str) -> Response:
    house = house_of(request)
    with house.walking() as session:
        record = record_of(session, house, resolve(session, code, *RECORDED), clock.now(), zone_of(request))
    symbol = Markup(data_matrix(record.code, f"Data Matrix of {record.code}", 0.6))
    return render(request, "genealogy/record.html", record=record, symbol=symbol, span=lambda begin, end: span(request, begin, end))
