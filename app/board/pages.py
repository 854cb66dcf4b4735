"""The board's pages: the board itself and the part of it that renews itself, the lots at a step, effectiveness, the shift report."""

import asyncio
from collections.abc import AsyncIterator
from datetime import date, timedelta
from typing import Annotated, Literal

from anyio.to_thread import run_sync
from fastapi import Query, Request
from fastapi.responses import Response
from fastapi.sse import EventSourceResponse, ServerSentEvent
from sqlalchemy import func, select

from app import clock
from app.board.bags import NEWEST
from app.board.made import operations_made, stations_made
from app.board.production_day import Span, day_of, shift_at, shifts_of, the_day, week_of
from app.board.remembered import Remembered
from app.board.shift_report import shift_report
from app.board.shown import effectiveness_shown, shown
from app.board.whole import board, work_rows
from app.board.work import LotAt
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Site
from app.codes import kind_told
from app.db import House
from app.errors import bad_input
from app.journal.models import Entry
from app.people.callers import Calling, maybe_caller, page_router
from app.web.fields import Number
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
_FIRST_YEAR, _LAST_YEAR = 1970, 2200
_LOOK_EVERY = 2.0  # seconds between looks for new entries: also the least time between two renewals


@router.get("/board")
def board_page(request: Request, who: Calling, renewed: str = "") -> Response:
    """`renewed`: a browser without script asked by itself, which keeps no session open (`people/callers.py`)."""
    return _board(request, "board/board.html")


@router.get("/board/now")
def board_now(request: Request, who: Calling) -> Response:
    """The part of the page that renews itself."""
    return _board(request, "board/_now.html")


@router.get("/board/changes", response_class=EventSourceResponse)
async def board_changes(request: Request, who: Calling) -> AsyncIterator[ServerSentEvent]:
    """Says `changed`, with the newest entry's number, whenever there are new ones. Between two looks it holds no connection to the database.

    It ends when the watcher leaves, and with their session; the server does not wait for it when it stops.
    """
    house, seen = house_of(request), None
    while not await request.is_disconnected():
        newest = await run_sync(_newest, house)
        if newest != seen:
            if await run_sync(maybe_caller, request) is None:
                return
            yield ServerSentEvent(event="changed", data=newest, retry=5000)
            seen = newest
        await asyncio.sleep(_LOOK_EVERY)


@router.get("/board/lots")
def board_lots(
    request: Request, who: Calling, route: Number | None = None, step: str | None = None, mark: Literal["late", "stuck"] | None = None
) -> Response:
    """The lots (or packs) of one row, or all that are late or stuck."""
    with house_of(request).walking() as session:
        found = work_rows(session, memory_of(request), clock.now())
    rows = [row for row in found if (route is None or row.route == route) and (step is None or (row.key or "") == step)]
    lots = [(row, lot) for row in rows for lot in (row.marked(mark) if mark else row.lots)]
    row = rows[0] if rows and step is not None else None
    title = f"{mark.capitalize()} lots and packs" if mark else f"{_called(row.lots)} at {row.step}" if row else "Lots on the board"
    return render(request, "board/lots.html", title=title, lots=lots, row=row)


@router.get("/board/effectiveness")
def effectiveness_page(
    request: Request, who: Calling, of: Literal["day", "week"] = "day", on: Annotated[date | None, Query(description="A day in it.")] = None
) -> Response:
    with house_of(request).reading() as session:
        span, now = span_asked(catalogue.site(session), of, on), clock.now()
        made = stations_made(session, span.begin, min(span.end, max(span.begin, now)))
    rows = [
        (effectiveness_shown(whole), [effectiveness_shown(one) for one in made if one.operation == whole.operation])
        for whole in operations_made(made)
    ]
    return render(
        request, "board/effectiveness.html", span=span, of=of, rows=rows, day=span.day, before=span.day - _step(of), after=span.day + _step(of),
        is_open=span.end > now,
    )  # fmt: skip


@router.get("/board/shift")
def shift_report_page(
    request: Request, who: Calling, on: Annotated[date | None, Query(description="The production day.")] = None, shift: str | None = None
) -> Response:
    """The shift that runs now, or one of a day; of a day without a name, its last."""
    now = clock.now()
    with house_of(request).reading() as session:
        site = catalogue.site(session)
        here = shift_asked(site, on, shift)
        found = shift_report(session, here, now)
    return render(
        request, "board/shift.html", report=found, site=site.name, shifts=shifts_of(site, here.day), before=here.day - _step("day"),
        after=here.day + _step("day"),
    )  # fmt: skip


def span_asked(site: Site, of: str, on: date | None) -> Span:
    """A production day, or the week that it is in; today, where no day is named."""
    day = _named_day(site, on) if on else day_of(site, clock.now())
    return week_of(site, day.begin) if of == "week" else day


def shift_asked(site: Site, on: date | None, shift: str | None) -> Span:
    """The shift that runs now, or the named one of a day (today, if none is said), or that day's last."""
    if on is None and not shift:
        return shift_at(site, clock.now())
    spans = shifts_of(site, _named_day(site, on).day if on else shift_at(site, clock.now()).day)
    if shift and shift not in [one.name for one in spans]:
        raise bad_input("There is no such shift.", "shift", f"The site has no shift {shift}.", f"Name one of: {', '.join(s.name for s in spans)}.")
    return next((one for one in spans if one.name == shift), spans[-1])


def _named_day(site: Site, on: date) -> Span:
    if not _FIRST_YEAR <= on.year <= _LAST_YEAR:
        raise bad_input("There is no such day.", "on", f"The year {on.year} is out of range.", "Name a day of this plant's record.")
    return the_day(site, on)


def memory_of(request: Request) -> Remembered:
    """What this process has reckoned of days that are over."""
    kept: Remembered | None = getattr(request.app.state, "board_memory", None)
    if kept is None:
        kept = request.app.state.board_memory = Remembered()
    return kept


def _board(request: Request, template: str) -> Response:
    with house_of(request).walking() as session:
        found = board(session, memory_of(request), clock.now())
    yesterday = shown(found.yesterday.today, found.yesterday.truth)
    return render(request, template, board=found, today=shown(found.today), yesterday=yesterday, newest_packs=NEWEST)


def _newest(house: House) -> int:
    with house.reading() as session:
        return session.scalar(select(func.max(Entry.id))) or 0


def _called(lots: tuple[LotAt, ...]) -> str:
    return "Packs" if all(kind_told(lot.code) == "pack" for lot in lots) else "Lots"


def _step(of: str) -> timedelta:
    return timedelta(days=7 if of == "week" else 1)


