"""The page of a trace: what was asked, the flow picture, lists by stage, runs, holds; the same as CSV and JSON; and a stop from the page."""

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import parse_qs, urlencode

from fastapi import Form, Query, Request
from fastapi.encoders import jsonable_encoder
from fastapi.responses import JSONResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from app.errors import Refused
from app.genealogy.flow_stages import FlowPicture, Opened, flow_of
from app.genealogy.stop_ticked import stop_ticked
from app.genealogy.tables import trace_csv
from app.genealogy.trace import Trace, trace_back, trace_forward
from app.genealogy.trace_lists import STAGES, after_of, holds_on, item_list, only, run_list, steps_of
from app.genealogy.traced import subject_of
from app.journal.actions import ACTIONS
from app.naming.resolve import Named
from app.people.callers import Caller, Calling, page_router
from app.receiving.origin_documents import told_of
from app.web.downloads import csv_file, csv_of
from app.web.installation import house_of
from app.web.rendering import render
from app.web.said import saying

router = page_router()
Text = Annotated[str, Form(max_length=1000)]
Only = Annotated[str, Query(alias="list", max_length=40)]
Many = Annotated[tuple[str, ...], Query(max_length=40)]
_BACK = ("wafers", "batches", "panels", "lots", "packs", "samples")
_FORWARD = ("packs", "lots", "samples", "panels")


@router.get("/trace/{code}")
def trace_page(
    request: Request, who: Calling, code: str, forward: bool = False, open: Many = (), after: Many = (), begin: Many = (), at: Many = ()
) -> Response:  # fmt: skip
    """`open`, `after`, `begin`: what the picture shows opened. `at`: where lists begin."""
    return _page(request, who, code, forward, Opened.read(open, after, begin), after_of(at))


@router.get("/trace/{code}/csv")
def trace_as_csv(request: Request, who: Calling, code: str, forward: bool = False, list_: Only = "") -> Response:
    """All of it, or one of its lists."""
    with house_of(request).walking() as session:
        _, trace = _traced(session, code, forward)
    return csv_of(trace_csv(only(trace, list_)), f"{code}-{'forward' if forward else 'back'}{'-' + list_ if list_ in STAGES else ''}.csv")


@router.get("/trace/{code}/json")
def trace_as_json(request: Request, who: Calling, code: str, forward: bool = False, list_: Only = "") -> Response:
    with house_of(request).walking() as session:
        _, trace = _traced(session, code, forward)
    return JSONResponse(jsonable_encoder(only(trace, list_).as_json()))


@router.get("/trace/{code}/flow.csv")
def flow_as_csv(request: Request, who: Calling, code: str, forward: bool = False, open: Many = (), after: Many = (), begin: Many = ()) -> Response:
    """What the picture shows, a row for each ribbon; for a bar that nothing goes on from, one without a target."""
    with house_of(request).walking() as session:
        _, trace = _traced(session, code, forward)
    bars = _picture(request, trace, Opened.read(open, after, begin), forward, {}).rows
    rows = [(bar.stage, bar.name, bar.note, bar.least, bar.greatest, *to) for bar in bars for to in bar.goes_to or [("", "", "")]]
    return csv_file(f"{code}-flow", ("stage", "from", "words", "least", "greatest", "to_stage", "to", "up_to"), rows)


@router.post("/trace/{code}/stop")
def stop_now(
    request: Request, who: Calling, code: str, reason: Text = "", stop: Annotated[tuple[str, ...], Form(max_length=200)] = (),
    query: Annotated[str, Form(max_length=20_000)] = "", key: Text = "",
) -> Response:  # fmt: skip
    """A hold on each thing that was ticked, all in one entry. `query`: what the page showed, which is shown again."""
    shown = parse_qs(query)
    opened, begins = Opened.read(*(shown.get(name, ()) for name in ("open", "after", "begin"))), after_of(shown.get("at", ()))
    forward = "forward" in shown
    try:
        holds = stop_ticked(request, who, stop, reason, key)
    except Refused as refusal:  # what was ticked and typed stays, to be put right
        return _page(request, who, code, forward, opened, begins, refusal=refusal, ticked=stop, reason=reason)
    said = f"Stopped, with all that comes of {'it' if len(stop) == 1 else 'them'}: {', '.join(holds)}."
    path = request.url_for("trace_page", code=code).path
    again = "&".join(filter(None, (_query(forward, opened, begins), urlencode(saying(request, said)))))
    return RedirectResponse(f"{path}?{again}", status_code=303)  # which spells letters of any script


def _page(
    request: Request, who: Caller, code: str, forward: bool, opened: Opened, begins: dict[str, str], *,
    refusal: Refused | None = None, ticked: Sequence[str] = (), reason: str = "",
) -> Response:  # fmt: skip
    with house_of(request).walking() as session:
        subject, trace = _traced(session, code, forward)
        holds = holds_on(session, trace)
        told = told_of(session, [subject.id]) if subject.kind in ("wafer", "batch") else []
        runs = run_list(trace, begins.get("runs", ""))
        steps = steps_of(session, runs)
    lists = [item_list(trace, name, begins.get(name, "")) for name in (_FORWARD if forward else _BACK)]
    page = request.url_for("trace_page", code=subject.code).path  # where a refused stop stands, too, is another address
    return render(
        request, "genealogy/trace.html", status=refusal.status if refusal else 200, refusal=refusal, ticked=ticked, reason=reason,
        trace=trace, code=subject.code, kind=subject.kind, forward=forward,
        picture=_picture(request, trace, opened, forward, begins), query=_query(forward, opened, begins), holds=holds, told=told,
        lists=[one for one in lists if one.total], runs=runs, steps=steps,
        tests=[run for run in trace.runs if run.by_bin],
        at=lambda name, code: f"{page}?{_query(forward, opened, begins | {name: code})}#{name}",
        may_hold=bool(who.actor.duties & set(ACTIONS["place_hold"].duties)),
    )  # fmt: skip


def _traced(session: Session, code: str, forward: bool) -> tuple[Named, Trace]:
    subject = subject_of(session, code)
    return subject, (trace_forward if forward else trace_back)(session, subject, with_ways=True)


def _picture(request: Request, trace: Trace, opened: Opened, forward: bool, begins: dict[str, str]) -> FlowPicture:
    def link_of(code: str) -> str:
        return "#packs" if code.startswith("customer ") else request.url_for("thing", code=code).path

    page = request.url_for("trace_page", code=trace.subject.code).path
    return flow_of(trace, opened, link_of, lambda turned: f"{page}?{_query(forward, turned, begins)}#flow")


def _query(forward: bool, opened: Opened, begins: dict[str, str]) -> str:
    direction = [("forward", "true")] if forward else []
    return urlencode(direction + opened.query() + [("at", f"{name}:{code}") for name, code in begins.items()])

