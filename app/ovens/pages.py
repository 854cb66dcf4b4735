"""The page of an oven load: what is on its shelves, and start, end or abort it."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Form, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Step
from app.codes import kind_told, tidy
from app.errors import Refused
from app.floor.dispositions import judgements_in_force
from app.floor.ends import open_lines_of
from app.floor.line_steps import step_of_line
from app.journal.act import By, act
from app.ledger.judgements import VERDICTS
from app.ledger.places import Load
from app.ledger.runs import Line, Run
from app.ledger.sets import panels_of
from app.naming.resolve import code_of, codes_of, resolve
from app.ovens import loads
from app.ovens.judging import abort_load, end_load, interrupt_load
from app.ovens.panel_heat import HEAT_COLUMNS, AdhesiveHeat, heat_of_load, heat_of_panels, heat_rows
from app.ovens.trace_pictures import SENSOR_COLUMNS, LoadTrace, files_of, load_trace, readings, sensor_rows
from app.people.callers import Caller, Calling, page_router
from app.web.downloads import csv_file
from app.web.fields import FormNumber
from app.web.installation import house_of, zone_of
from app.web.rendering import redirect, render
from app.web.said import saying

router = page_router()
Text = Annotated[str, Form(max_length=200)]
Lines = Annotated[tuple[FormNumber, ...], Form(max_length=1000)]


@router.post("/loads")
def begin_load_now(request: Request, who: Calling, oven: Text, recipe: Text, key: Text = "") -> Response:

    def verb(session: Session, by: By) -> dict[str, Any]:
        load = loads.begin_load(session, by, catalogue.named(session, "station", oven).id, recipe)
        return {"load": code_of(session, "load", load.id)}

    answer = act(house_of(request), who.actor, "begin_load", {"station": oven, "recipe": recipe}, verb, key=key or None)
    return redirect(request, "load_page", code=answer.body["load"])


@router.get("/loads/{code}")
def load_page(request: Request, who: Calling, code: str, shelf: str = "") -> Response:
    with house_of(request).reading() as session:
        return _page(request, session, code, shelf)


@router.get("/loads/{code}/trace")
def cure_trace_page(request: Request, who: Calling, code: str) -> Response:
    """What the sensors said of a load, shelf by shelf, with the judgement's reasons where they happened."""
    with house_of(request).reading() as session:
        load = session.get_one(Load, resolve(session, code, "load").id)
        found = load_trace(session, load, clock.now(), zone_of(request))
        recipe = catalogue.definition(session, load.recipe).body
        oven = catalogue.station(session, load.station)
        run = code_of(session, "run", load.run) if load.run else None
        files = files_of(session, found.run, clock.now()) if found else []
    return render(request, "ovens/trace.html", code=code, found=found, recipe=recipe, oven=oven.name, run=run, files=files, time=_as_time)


@router.get("/loads/{code}/trace.csv")
def cure_trace_csv(request: Request, who: Calling, code: str) -> Response:
    """Every reading of the load's time, as the logger files have it."""
    trace = _found_trace(request, code)
    sensors = trace.trace.sensors if trace and trace.trace else ()
    return csv_file(f"{code}-trace", ("time (UTC)", *(f"{name} (C)" for name in sensors)), readings(trace))


@router.get("/loads/{code}/sensors.csv")
def cure_sensors_csv(request: Request, who: Calling, code: str) -> Response:
    """What the judgement counted of each sensor."""
    return csv_file(f"{code}-sensors", SENSOR_COLUMNS, sensor_rows(_found_trace(request, code)))


@router.get("/panels/{code}/heat")
def panel_heat_page(request: Request, who: Calling, code: str) -> Response:
    """What every cure did to each adhesive on a panel, and what is short."""
    with house_of(request).reading() as session:
        found = _heat_of_panel(session, code)
    return render(request, "ovens/heat.html", code=code, adhesives=found)


@router.get("/panels/{code}/heat.csv")
def panel_heat_csv(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        found = _heat_of_panel(session, code)
    return csv_file(f"{code}-heat", HEAT_COLUMNS, heat_rows(found))


def _heat_of_panel(session: Session, code: str) -> tuple[AdhesiveHeat, ...]:
    return heat_of_panels(session, [resolve(session, code, "panel").id])[0].adhesives


def _found_trace(request: Request, code: str) -> LoadTrace | None:
    with house_of(request).reading() as session:
        return load_trace(session, session.get_one(Load, resolve(session, code, "load").id), clock.now(), zone_of(request))


def _as_time(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


@router.post("/loads/{code}/put")
def put_in_load(request: Request, who: Calling, code: str, thing: Text, shelf: Text, key: Text = "") -> Response:
    """A station's code goes into no oven: it leaves the load as it is, and leads to the station. A double read starts nothing."""
    if kind_told(tidy(thing)) == "station":
        return RedirectResponse(f"{request.url_for('floor').path}?{urlencode({'station': tidy(thing)})}", status_code=303)

    def lies_there(session: Session, load: Load) -> str:
        one = resolve(session, thing)
        return f"{one.code} is on shelf {shelf} already." if loads.lie_on(session, load, [one], shelf) else ""

    return _do(
        request, who, code, "add_to_load", {"things": [thing], "shelf": shelf}, key,
        lambda s, by, load: loads.add_to_load(s, by, load, [resolve(s, thing)], shelf), shelf, lies_there,
    )  # fmt: skip


@router.post("/loads/{code}/take-out")
def take_out_of_load(request: Request, who: Calling, code: str, thing: Text, key: Text = "") -> Response:
    return _do(
        request, who, code, "take_from_load", {"things": [thing]}, key, lambda s, by, load: loads.take_from_load(s, by, load, [resolve(s, thing)])
    )


@router.post("/loads/{code}/start")
def start_load_now(request: Request, who: Calling, code: str, version: FormNumber, key: Text = "") -> Response:
    return _do(
        request, who, code, "start_load", {"version": version}, key, lambda s, by, load: loads.start_load(s, by, load, version, person=who.person)
    )


@router.post("/loads/{code}/end")
def end_load_now(request: Request, who: Calling, code: str, key: Text = "") -> Response:
    return _do(request, who, code, "end_load", {}, key, lambda s, by, load: end_load(s, by, load, person=who.person))


@router.post("/loads/{code}/abort")
def abort_load_now(request: Request, who: Calling, code: str, key: Text = "") -> Response:
    return _do(request, who, code, "abort_load", {}, key, lambda s, by, load: abort_load(s, by, load, person=who.person))


@router.post("/loads/{code}/interrupt")
def interrupt_load_now(request: Request, who: Calling, code: str, done: Lines = (), key: Text = "") -> Response:
    """`done`: what had all of its cure, by line; nothing where all of it comes again."""
    return _do(
        request, who, code, "interrupt_run", {"done": sorted(done)}, key, lambda s, by, load: interrupt_load(s, by, load, done, person=who.person)
    )


@router.post("/loads/{code}/cancel")
def cancel_load_now(request: Request, who: Calling, code: str, key: Text = "") -> Response:
    return _do(request, who, code, "cancel_load", {}, key, lambda s, by, load: loads.cancel_load(s, by, load))


def _do(
    request: Request, who: Caller, code: str, action: str, arguments: dict[str, Any], key: str, what: Callable[[Session, By, Load], Any],
    shelf: str = "", was_done: Callable[[Session, Load], str] = lambda *_: "",
) -> Response:
    """`shelf`: the one that stays chosen, for what is put in next is most often beside it. `was_done`: what is so already, in words."""

    def verb(session: Session, by: By) -> dict[str, Any]:
        what(session, by, session.get_one(Load, resolve(session, code, "load").id))
        return {"load": code}

    try:
        act(house_of(request), who.actor, action, arguments | {"load": code}, verb, key=key or None)
    except Refused as refusal:
        with house_of(request).reading() as session:
            load = session.get_one(Load, resolve(session, code, "load").id)
            if refusal.kind == "in_work" and (said := was_done(session, load)):
                return _to_page(request, code, shelf, said)
            return _page(request, session, code, shelf, refusal)
    return _to_page(request, code, shelf)


def _to_page(request: Request, code: str, shelf: str, said: str = "") -> Response:
    asked = urlencode(({"shelf": shelf} if shelf else {}) | saying(request, said))
    page = request.url_for("load_page", code=code).path
    return RedirectResponse(f"{page}?{asked}" if asked else page, status_code=303)


def _page(request: Request, session: Session, code: str, shelf: str = "", refusal: Refused | None = None) -> Response:
    load = session.get_one(Load, resolve(session, code, "load").id)
    station = catalogue.station(session, load.station)
    places = loads.places_of(session, load)
    lots = codes_of(session, "lot", [place.lot for place in places])
    run = session.get(Run, load.run or 0)
    lines = open_lines_of(session, run) if run else []
    lots |= codes_of(session, "lot", [line.lot for line in lines if line.lot])
    steps = [step_of_line(session, line) for line in lines]
    inside = [
        {"line": line.id, "shelf": line.shelf or "", "lot": lots[line.lot or 0], "step": step.name if step else "",
         "panels": len(panels_of(session, line.set or 0))}
        for line, step in zip(lines, steps, strict=True)
    ]  # fmt: skip
    verdicts, all_judged = _verdicts(session, run) if run else ([], False)
    routes = catalogue.with_ids(session, [place.route for place in places])
    return render(
        request, "ovens/load.html", status=refusal.status if refusal else 200, code=code, refusal=refusal, oven=station.name, shelf=shelf,
        recipe=catalogue.definition(session, load.recipe).body, state=loads.state_of(session, load), version=loads.version(session, load),
        shelves=station.body.shelves, run=code_of(session, "run", run.id) if run else None, inside=inside,
        verdicts=verdicts, all_judged=all_judged,
        heat=heat_of_load(session, run) if run else [], run_row=run, until=_until(run, [step for step in steps if step]) if run else None,
        places=[
            {"shelf": p.shelf, "lot": lots[p.lot], "step": catalogue.step_of(routes[p.route].body, p.step).name,
             "panels": len(panels_of(session, p.set))}
            for p in places
        ],
    )  # fmt: skip


def _verdicts(session: Session, run: Run) -> tuple[list[dict[str, str]], bool]:
    """What its lines are judged to be, in words, and whether all of them are that have to be."""
    lines = list(session.scalars(select(Line).where(Line.run == run.id, Line.judged == "cure").order_by(Line.id)))
    found = judgements_in_force(session, [line.id for line in lines])
    lots = codes_of(session, "lot", [line.lot for line in lines if line.lot])
    told = [
        {"lot": lots.get(line.lot or 0, ""), "shelf": line.shelf or "", "verdict": VERDICTS[found[line.id].verdict]}
        for line in lines
        if line.id in found
    ]
    return told, len(told) == len(lines)


def _until(run: Run, steps: list[Step]) -> datetime | None:
    """By the longest standard time of what is in it: no promise of the recipe."""
    standard = max((step.standard_minutes for step in steps), default=None)
    return run.started_at + timedelta(minutes=standard) if standard else None
