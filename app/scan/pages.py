"""The floor terminal: one scan field. A scan asks, a second confirms; forms and links carry everything, script is not needed."""

from datetime import datetime
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.errors import Refused, bad_input, refuse
from app.final_test.singulate import singulate
from app.floor.attendance import attend, hand_over, stations_of
from app.floor.ends import Said, Value, change_over, finish_run
from app.floor.gates import loaded_on
from app.floor.mounts import mount, swap, unmount
from app.floor.route_strip import minutes_in_words, route_strip
from app.floor.starts import start_run
from app.journal.act import By, act
from app.journal.actions import ACTIONS
from app.journal.models import Entry
from app.ledger.runs import Run
from app.naming.resolve import Named, candidates, code_of, codes_of, resolve
from app.people.callers import Caller, Calling
from app.scan.choose import Meaning, Pending, Question, choose, question_about
from app.web import check_form, house_of, render

router = APIRouter(include_in_schema=False)
Text = Annotated[str, Form(max_length=200)]


@router.get("/floor")
def floor(request: Request, who: Calling, station: str = "", ask: str = "") -> Response:
    """The terminal, with a station chosen or not, and a question or not."""
    with house_of(request).reading() as session:
        question, chosen = None, None
        try:
            chosen = resolve(session, station, "station") if station else None
            if ask and chosen is not None:
                question = question_about(session, resolve(session, ask), chosen.id, clock.now(), who.person)
        except Refused as refusal:
            return _page(request, session, who, chosen, None, refusal=refusal)
        return _page(request, session, who, chosen, question)


@router.post("/floor/scan")
def scan_now(
    request: Request,
    who: Calling,
    scan: Text = "",
    station: Text = "",
    asked: Text = "",
    asks: Text = "",
    asked_at: Text = "",
    key: Text = "",
    form_token: Text = "",
) -> Response:
    check_form(request, form_token)
    return _scanned(request, who, scan, station, asked, asks, asked_at, key)


def _scanned(request: Request, who: Caller, scan: str, station: str, asked: str, asks: str, asked_at: str, key: str) -> Response:
    house = house_of(request)
    if not scan.strip():  # Enter alone: a refusal is put away, a question stays
        return _ask(request, station, asked) if asked and station else _floor(request, station)
    with house.reading() as session:
        try:
            chosen = resolve(session, station, "station") if station else _only_station(session, who)
            pending = Pending(asked, datetime.fromisoformat(asked_at)) if asked and asked_at else None
            meaning = choose(session, scan, chosen.id if chosen else None, pending, clock.now(), who.person)
        except Refused as refusal:
            return _page(request, session, who, _named_station(session, station), None, refusal=refusal, typed=scan)
        if meaning.do == "nothing" and pending is not None and chosen is not None:  # a double read: the question stays
            return _ask(request, chosen.code, pending.code)
        if meaning.do == "ask" and meaning.named is not None and meaning.station is not None:
            return _ask(request, code_of(session, "station", meaning.station), meaning.named.code)
        if meaning.do == "look" and meaning.named is not None:
            return RedirectResponse(request.url_for("thing", code=meaning.named.code).path, status_code=303)
        if meaning.do == "load" and meaning.named is not None:
            return RedirectResponse(request.url_for("load_page", code=meaning.named.code).path, status_code=303)
    return _write(request, who, meaning, chosen, asked, asks, key)


@router.post("/floor/start")
def start_now(request: Request, who: Calling, thing: Text, station: Text, key: Text = "", clear: Text = "", form_token: Text = "") -> Response:
    check_form(request, form_token)
    return _start(request, who, thing, station, key, clear=clear == "yes")


@router.post("/floor/take-off")
def take_off_now(request: Request, who: Calling, item: Text, station: Text, key: Text = "", form_token: Text = "") -> Response:
    check_form(request, form_token)

    def verb(session: Session, by: By) -> dict[str, Any]:
        one = resolve(session, item, "batch", "wafer")
        unmount(session, by, resolve(session, station, "station").id, one.id)
        return {"said": f"{one.code} is off {station}."}

    return _done_or_refused(request, who, station, "unmount", {"station": station, "item": item}, verb, key)


@router.post("/floor/finish")
async def finish_now(request: Request, who: Calling) -> Response:
    form = {name: str(value) for name, value in (await request.form()).items()}
    check_form(request, form.get("form_token"))
    values = {name: text.strip() for name, text in form.items() if name.startswith("value.")}
    if scanned := next((text for text in values.values() if _is_code(request, text)), None):  # a scan in the middle of typing
        return _scanned(
            request, who, scanned, form.get("station", ""), form.get("thing", ""), "finish", form.get("asked_at", ""), form.get("key", "")
        )
    if not all(values.values()):
        return _ask_on(request, who, form, values)
    try:
        return _finish(request, who, form)
    except Refused as refusal:  # a value that is no number
        return _stop(request, who, form.get("station", ""), refusal)


def _is_code(request: Request, text: str) -> bool:
    with house_of(request).reading() as session:
        return bool(text) and not _is_number(text) and bool(candidates(session, text))


def _ask_on(request: Request, who: Caller, form: dict[str, str], values: dict[str, str]) -> Response:
    """The same question again with what was typed, at the value that is still missing."""
    with house_of(request).reading() as session:
        at = resolve(session, form.get("station", ""), "station")
        question = question_about(session, resolve(session, form.get("thing", "")), at.id, clock.now(), who.person)
        return _page(request, session, who, at, question, given=values)


def _write(request: Request, who: Caller, meaning: Meaning, chosen: Named | None, asked: str, asks: str, key: str) -> Response:
    """The scans that change something at once: a confirmation, a mount, a choice of station, a hand-over."""
    named = meaning.named
    if named is None:
        return _floor(request)
    try:
        if meaning.do == "confirm" and chosen is not None:
            return _confirm(request, who, chosen, asked, asks, key)
        if meaning.do == "mount" and chosen is not None:
            said = _mount(request, who, chosen, named, key)
        elif meaning.do == "choose_station":
            _act(request, who, "attend_station", {"station": named.code}, lambda s, by: _attend(s, by, who, named.id), key)
            return _floor(request, named.code)
        else:
            giver = who.person
            _act(request, who, "hand_over", {"to": named.code}, lambda s, by: {"stations": hand_over(s, by, giver or 0, named.id)}, key)
            said = f"Your stations are with {named.code} now."
    except Refused as refusal:
        return _stop(request, who, chosen.code if chosen else "", refusal)
    return _floor(request, chosen.code if chosen else "", said)


def _confirm(request: Request, who: Caller, chosen: Named, asked: str, asks: str, key: str) -> Response:
    with house_of(request).reading() as session:
        question = question_about(session, resolve(session, asked), chosen.id, clock.now(), who.person)
    if (asks or question.verb) == "start":  # a form that is sent twice asks what it asked, and gets its first answer
        return _start(request, who, asked, chosen.code, key, clear=False)
    if question.records:
        return _ask(request, chosen.code, asked)  # values must be given first
    return _finish(request, who, {"thing": asked, "station": chosen.code, "key": key})


def _start(request: Request, who: Caller, thing: str, station: str, key: str, *, clear: bool) -> Response:
    def verb(session: Session, by: By) -> dict[str, Any]:
        one, at = resolve(session, thing), resolve(session, station, "station")
        done = start_run(session, by, at.id, [one], person=who.person, line_clear=clear)
        return {"said": f"Started on {one.code}: run {code_of(session, 'run', done.run.id)}."}

    return _done_or_refused(request, who, station, "start_run", {"station": station, "things": [thing], "line_clear": clear}, verb, key)


def _finish(request: Request, who: Caller, form: dict[str, str]) -> Response:
    thing, station = form.get("thing", ""), form.get("station", "")
    values = [Value(name.removeprefix("value."), _number(name, text)) for name, text in form.items() if name.startswith("value.")]

    def verb(session: Session, by: By) -> dict[str, Any]:
        one, at = resolve(session, thing), resolve(session, station, "station")
        question = question_about(session, one, at.id, by.now, who.person)
        if question.verb != "finish" or question.run is None:
            raise refuse("finished", f"Nothing runs on {one.code} at {question.station_name}.", "It was finished before.", "Scan it again.")
        run = session.get_one(Run, question.run)
        if run.operation == "singulate":
            box = one.id if one.kind == "container" else None
            lot = singulate(session, by, run, values, person=who.person)
            return {"said": f"Finished. Loose lot {code_of(session, 'lot', lot.item)}.", "container": box}
        if run.operation in ("test", "tape"):
            raise refuse(
                "changed", "This run ends with its results.", "A test ends with its unit results, taping with its pack.", "Import or close there."
            )
        finish_run(session, by, run, values, person=who.person)
        return {"said": f"Finished {question.step} on {one.code}."}

    arguments = {"thing": thing, "station": station, "values": {value.name: value.value for value in values}}
    return _done_or_refused(request, who, station, "singulate" if form.get("singulate") else "finish_run", arguments, verb, form.get("key", ""))


def _done_or_refused(request: Request, who: Caller, station: str, action: str, arguments: dict[str, Any], verb: Any, key: str) -> Response:
    try:
        answer = _act(request, who, action, arguments, verb, key)
    except Refused as refusal:
        return _stop(request, who, station, refusal)
    return _floor(request, station, answer["said"])


def _stop(request: Request, who: Caller, station: str, refusal: Refused) -> Response:
    """The refusal fills the terminal's screen."""
    with house_of(request).reading() as session:
        return _page(request, session, who, _named_station(session, station), None, refusal=refusal)


def _act(request: Request, who: Caller, action: str, arguments: dict[str, Any], verb: Any, key: str) -> dict[str, Any]:
    return act(house_of(request), who.actor, action, arguments, verb, key=key or None, source="server").body


def _mount(request: Request, who: Caller, chosen: Named, item: Named, key: str) -> str:
    """Material onto the station; where runs are open there, it is a change-over."""
    with house_of(request).reading() as session:
        running = session.scalar(select(Run.id).where(Run.station == chosen.id, Run.closed_e.is_(None)).limit(1)) is not None
        there = {one.item: one.code for one in loaded_on(session, chosen.id)}
    if item.id in there:
        return f"{item.code} is on {chosen.code} already."

    def verb(session: Session, by: By) -> dict[str, Any]:
        if running:
            change_over(session, by, chosen.id, item, None, Said())
        else:
            _put_on(session, by, chosen.id, item.id)
        left = {one.item for one in loaded_on(session, chosen.id)}
        return {"mounted": item.code, "off": [code for one, code in there.items() if one not in left]}

    answer = _act(request, who, "change_over" if running else "mount", {"station": chosen.code, "item": item.code}, verb, key)
    off = answer.get("off", [])
    return f"{item.code} is on {chosen.code}." + (f" {', '.join(off)} came off." if off else "")


def _put_on(session: Session, by: By, station: int, item: int) -> None:
    """A fresh batch takes the place of the one that is there: who scans it has it in hand."""
    try:
        mount(session, by, station, item)
    except Refused as refusal:
        if set(refusal.kinds) != {"container_taken"}:
            raise
        swap(session, by, station, item)


def _attend(session: Session, by: By, who: Caller, station: int) -> dict[str, Any]:
    if who.person is not None:
        attend(session, by, who.person, station)
    return {"station": station}


def _page(
    request: Request,
    session: Session,
    who: Caller,
    station: Named | None,
    question: Question | None,
    *,
    refusal: Refused | None = None,
    typed: str = "",
    given: dict[str, str] | None = None,
) -> Response:
    mine = stations_of(session, who.person) if who.person else []
    own = select(Entry).where(Entry.actor_kind == "person", Entry.actor == who.person, Entry.action != "attend_station")
    last = session.scalars(own.order_by(Entry.id.desc()).limit(5))
    given = given or {}
    return render(
        request, "scan/floor.html", status=refusal.status if refusal else 200, station=station, question=question, refusal=refusal, typed=typed,
        station_name=catalogue.station(session, station.id).name if station else "", asked_at=clock.now().isoformat(),
        loaded=loaded_on(session, station.id) if station else [], area=who.area, mine=_stations(session, mine), given=given,
        missing=next((one.name for one in question.records if not given.get(f"value.{one.name}")), "") if question else "",
        strip=route_strip(session, question.groups[0], clock.now(), around=3) if question and len(question.groups) == 1 else None,
        time_left=_time_left(question),
        last=[{"action": ACTIONS[one.action].words, "at": one.recorded_at, "outcome": one.outcome, "about": _about(one)} for one in last],
    )  # fmt: skip


def _stations(session: Session, mine: list[int]) -> list[dict[str, Any]]:
    """What a person attends, with what runs where and since when."""
    names, codes = catalogue.with_ids(session, mine), codes_of(session, "station", mine)
    runs = list(session.scalars(select(Run).where(Run.station.in_(mine), Run.closed_e.is_(None)).order_by(Run.started_at)))
    run_codes = codes_of(session, "run", [run.id for run in runs])
    return [
        {
            "code": codes[one], "name": names[one].name,
            "runs": [{"code": run_codes[r.id], "operation": r.operation, "since": r.started_at} for r in runs if r.station == one],
        }
        for one in mine
    ]  # fmt: skip


def _time_left(question: Question | None) -> str:
    if question is None or question.window_seconds is None:
        return ""
    words = minutes_in_words(question.window_seconds)
    return words if question.window_seconds > 0 else f"over by {words}"


def _about(entry: Entry) -> str:
    """The codes that an entry was about."""
    named = [entry.arguments.get(name) for name in ("thing", "item", "station", "to")]
    things = entry.arguments.get("things")
    return ", ".join(one for one in [*(things if isinstance(things, list) else []), *named] if isinstance(one, str))


def _floor(request: Request, station: str = "", said: str = "") -> Response:
    query = {name: text for name, text in (("station", station), ("said", said)) if text}
    return RedirectResponse(request.url_for("floor").path + (f"?{urlencode(query)}" if query else ""), status_code=303)


def _ask(request: Request, station: str, code: str) -> Response:
    return RedirectResponse(f"{request.url_for('floor').path}?{urlencode({'station': station, 'ask': code})}", status_code=303)


def _only_station(session: Session, who: Caller) -> Named | None:
    """The station of a person who attends just one."""
    mine = stations_of(session, who.person) if who.person else []
    return Named("station", mine[0], code_of(session, "station", mine[0])) if len(mine) == 1 else None


def _named_station(session: Session, station: str) -> Named | None:
    try:
        return resolve(session, station, "station") if station else None
    except Refused:
        return None


def _is_number(text: str) -> bool:
    try:
        _number("", text)
    except Refused:
        return False
    return True


def _number(name: str, text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError as error:
        raise bad_input("That is no number.", name, f"{text[:40]!r} can't be read.", "Enter digits, with a point or comma.") from error
    if value != value or value in (float("inf"), float("-inf")):
        raise bad_input("That is no number.", name, f"{text[:40]!r} has no size.", "Enter digits.")
    return value
