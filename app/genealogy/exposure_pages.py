"""The page of an exposure: what is suspected, how many units of what and where, and the holds that stop them."""

from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app.drawing.escape import escape_svg
from app.errors import bad_input
from app.genealogy.escape import escape_curve, some_points
from app.genealogy.exposure import Exposure, exposure
from app.genealogy.exposure_question import OPERATIONS, Question, asked_again, suspects_of
from app.genealogy.exposure_table import exposure_csv
from app.holds.place import place_hold
from app.journal.act import By, act
from app.journal.actions import ACTIONS
from app.naming.resolve import candidates, code_of, resolve
from app.people.callers import Calling
from app.web import house_of, render, zone_of

router = APIRouter(include_in_schema=False)
_PAGE = 50
Short = Annotated[str, Query(max_length=80)]
Codes = Annotated[tuple[str, ...], Query(max_length=2000)]
Many = Annotated[tuple[str, ...], Query(max_length=80)]


@router.get("/exposure")
def exposure_page(
    request: Request, who: Calling, suspect: Codes = (), join: Short = "any", since: Short = "", until: Short = "", operation: Short = "",
    shelf: Many = (), line: Many = (), rectangle: Short = "", ring: Short = "", lasso: Annotated[str, Query(max_length=8000)] = "",
    bin: Many = (), all: bool = False, first: Annotated[int | None, Query(ge=0, le=1_000_000)] = None,
) -> Response:  # fmt: skip
    """`all`: long lists to their end. `first`: so many packs of the escape curve are picked."""
    asked = Question(suspect, join, since, until, operation, shelf, line, rectangle, ring, lasso, tuple(one for one in bin if one))
    found = None
    with house_of(request).walking() as session:
        if asked.is_asked:
            found = _answer(request, session, asked)
        wafer = _wafer(session, asked)
    query = urlencode(asked_again(asked))
    order, points = escape_curve(found.packs) if found and found.packs else ([], [])
    picked = {row.code for row in order[: len(order) if first is None else first]}
    return render(
        request, "genealogy/exposure.html", asked=asked, found=found, query=query, operations=OPERATIONS, wafer=wafer, most=None if all else _PAGE,
        may_hold=bool(who.actor.duties & set(ACTIONS["place_hold"].duties)), first=first, picked=picked, points=some_points(points),
        curve=escape_svg([(one.units, one.escaping) for one in points], first) if points else "",
    )  # fmt: skip


@router.get("/exposure/csv")
def exposure_as_csv(
    request: Request, who: Calling, suspect: Codes = (), join: Short = "any", since: Short = "", until: Short = "", operation: Short = "",
    shelf: Many = (), line: Many = (), rectangle: Short = "", ring: Short = "", lasso: Annotated[str, Query(max_length=8000)] = "",
    bin: Many = (),
) -> Response:  # fmt: skip
    asked = Question(suspect, join, since, until, operation, shelf, line, rectangle, ring, lasso, bin)
    with house_of(request).walking() as session:
        text = exposure_csv(_answer(request, session, asked))
    return Response(text, media_type="text/csv; charset=utf-8", headers={"Content-Disposition": 'attachment; filename="exposure.csv"'})


@router.post("/exposure/stop")
def stop_exposed(
    request: Request, who: Calling, query: Annotated[str, Form(max_length=20_000)] = "", reason: Annotated[str, Form(max_length=1000)] = "",
    stop: Annotated[tuple[str, ...], Form(max_length=200)] = (), key: Annotated[str, Form(max_length=200)] = "",
) -> Response:  # fmt: skip
    """The containment list: a hold on each pack that was ticked, all in one entry."""
    if not stop:
        raise bad_input("Nothing was stopped.", "stop", "Nothing is ticked.", "Tick what is to be stopped, then say why.")

    def verb(session: Session, by: By) -> dict[str, Any]:
        holds = [place_hold(session, by, resolve(session, one), reason) for one in dict.fromkeys(stop)]
        return {"holds": [code_of(session, "hold", hold.id) for hold in holds]}

    answer = act(house_of(request), who.actor, "place_hold", {"subjects": list(stop), "reason": reason, "exposure": query}, verb, key=key or None)
    said = f"Stopped {len(answer.body['holds'])} packs: {', '.join(answer.body['holds'])}."
    return Response(status_code=303, headers={"Location": f"{request.url_for('exposure_page').path}?{query}&{urlencode([('said', said[:300])])}"})


def _answer(request: Request, session: Session, asked: Question) -> Exposure:
    return exposure(session, suspects_of(session, asked, zone_of(request)), asked.join)


def _wafer(session: Session, asked: Question) -> str | None:
    """The one wafer of the question, whose map may be drawn on."""
    codes = [code for text in asked.suspects for code in text.replace(",", " ").split()]
    wafers = [one.code for code in codes for one in candidates(session, code, "wafer")]
    return wafers[0] if len(wafers) == 1 else None
