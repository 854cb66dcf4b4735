"""The page of an exposure: what is suspected, how many units of what and where, and the holds that stop them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import parse_qsl, urlencode

from fastapi import Depends, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from markupsafe import Markup
from sqlalchemy.orm import Session

from app.clock import now
from app.drawing.escape import escape_svg
from app.drawing.region_overlay import region_overlay
from app.errors import Refused
from app.floor.wafer_picture import wafer_picture
from app.genealogy.escape import escape_curve, some_points
from app.genealogy.exposure import Exposure, exposure
from app.genealogy.exposure_question import OPERATIONS, Question, asked_again, asked_in, region_of, suspects_of
from app.genealogy.exposure_table import exposure_csv
from app.genealogy.stop_ticked import stop_ticked
from app.genealogy.suspects import Region
from app.journal.actions import ACTIONS
from app.naming.resolve import candidates
from app.people.callers import Caller, Calling, page_router
from app.web.downloads import csv_of
from app.web.installation import house_of, zone_of
from app.web.rendering import render
from app.web.said import saying
from app.web.words import counted

router = page_router()
_TOOLS = ("rectangle", "lasso", "disc", "ring")
_PAGE = 50
Short = Annotated[str, Query(max_length=80)]
Codes = Annotated[tuple[str, ...], Query(max_length=2000)]
Many = Annotated[tuple[str, ...], Query(max_length=80)]


def question(
    suspect: Codes = (), join: Short = "any", since: Short = "", until: Short = "", operation: Short = "", shelf: Many = (), line: Many = (),
    rectangle: Short = "", ring: Short = "", lasso: Annotated[str, Query(max_length=8000)] = "", bin: Many = (), heat: Short = "",
) -> Question:  # fmt: skip
    """As the address asks it; fields of the form that were left empty ask nothing."""
    shelves, lines, bins = (tuple(one.strip() for text in several for one in text.split(",") if one.strip()) for several in (shelf, line, bin))
    return Question(suspect, join, since, until, operation, shelves, lines, rectangle, ring, lasso, bins, heat)


Asked = Annotated[Question, Depends(question)]


@router.get("/exposure")
def exposure_page(
    request: Request, who: Calling, asked: Asked, all: bool = False, first: Annotated[int | None, Query(ge=0, le=1_000_000)] = None,
    draw: Annotated[str, Query(max_length=20)] = "", even: bool = False,
) -> Response:  # fmt: skip
    """`all`: long lists to their end. `first`: so many packs of the escape curve are picked. `draw`: the tool that was drawn with last.

    `even`: the escape curve goes by even mixing though colours tell more.
    """
    return _page(request, who, asked, all=all, first=first, draw=draw, even=even)


@router.get("/exposure/csv")
def exposure_as_csv(request: Request, who: Calling, asked: Asked) -> Response:
    with house_of(request).walking() as session:
        text = exposure_csv(_answer(request, session, asked))
    return csv_of(text, "exposure.csv")


@router.post("/exposure/stop")
def stop_exposed(
    request: Request, who: Calling, query: Annotated[str, Form(max_length=20_000)] = "", reason: Annotated[str, Form(max_length=1000)] = "",
    stop: Annotated[tuple[str, ...], Form(max_length=200)] = (), key: Annotated[str, Form(max_length=200)] = "",
) -> Response:  # fmt: skip
    """The containment list: a hold on each pack that was ticked, all in one entry."""
    try:
        holds = stop_ticked(request, who, stop, reason, key, exposure=query)
    except Refused as refusal:  # what was ticked and typed stays, to be put right
        return _page(request, who, asked_in(query), all=True, refusal=refusal, ticked=stop, reason=reason)
    said = f"Stopped {counted(len(holds), 'pack')}: {', '.join(holds)}."
    back = urlencode([*parse_qsl(query), *saying(request, said).items()])
    return RedirectResponse(f"{request.url_for('exposure_page').path}?{back}", status_code=303)


def _page(
    request: Request, who: Caller, asked: Question, *, all: bool = False, first: int | None = None, draw: str = "", even: bool = False,
    refusal: Refused | None = None, ticked: Sequence[str] | None = None, reason: str = "",
) -> Response:  # fmt: skip
    found, region = None, None
    with house_of(request).walking() as session:
        try:
            found = _answer(request, session, asked) if asked.is_asked else None
            region = _region_map(request, session, asked)
        except Refused as one:  # what was asked stays in the form, to be put right
            refusal = refusal or one
    query = urlencode(asked_again(asked))
    by_colour = found is not None and found.total.exposed.by_colour is not None and not even
    order, points = escape_curve(found.packs, by_colour) if found and found.packs else ([], [])
    picked = {row.code for row in order[: len(order) if first is None else first]} if ticked is None else set(ticked)
    return render(
        request, "genealogy/exposure.html", status=refusal.status if refusal else 200, refusal=refusal, tools=_TOOLS,
        draw=draw if draw in _TOOLS else _TOOLS[0], asked=asked, found=found, query=query, operations=OPERATIONS, region=region,
        most=None if all else _PAGE, by_colour=by_colour,
        may_hold=bool(who.actor.duties & set(ACTIONS["place_hold"].duties)), first=first, picked=picked, points=some_points(points),
        words=asked.in_words(zone_of(request)), now=now(), reason=reason,
        curve=escape_svg([(one.units, one.escaping) for one in points], first) if points else "",
    )  # fmt: skip


def _answer(request: Request, session: Session, asked: Question) -> Exposure:
    return exposure(session, suspects_of(session, asked, zone_of(request)), asked.join, house_of(request))


@dataclass(frozen=True)
class RegionMap:
    """The map of the one wafer of a question, to be drawn on. `data`: what the script needs."""

    wafer: str
    image: str
    width: int
    height: int
    over: Markup
    data: dict[str, int]


def _region_map(request: Request, session: Session, asked: Question) -> RegionMap | None:
    wafers = [one for code in asked.codes for one in candidates(session, code, "wafer")]
    if len(wafers) != 1:
        return None
    frame = wafer_picture(session, wafers[0]).frame
    region = region_of(asked) or Region()
    over = region_overlay(frame, region.rectangle, region.ring, region.lasso)
    image = request.url_for("wafer_map_png", code=wafers[0].code).path
    return RegionMap(wafers[0].code, image, frame.width, frame.height, over, frame.data())
