"""The floor terminal: one scan field. A scan asks, a second confirms; forms and links carry everything, script is not needed."""

from collections.abc import Callable
from functools import partial
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session

from app import clock, codes
from app.catalogue import queries as catalogue
from app.catalogue.definitions import STATION_STATES
from app.drawing.symbols import data_matrix
from app.errors import Refused, bad_input
from app.floor.attendance import stations_of
from app.floor.station_states import WORDS
from app.floor.typed_number import number
from app.naming.resolve import Named, candidates, code_of, codes_of, resolve
from app.people.callers import SESSION_COOKIE, TERMINAL_COOKIE, Caller, Calling, at_browser, cookie_of, page_router
from app.people.sign_in import reopen
from app.people.sign_in_pages import signed_in_here
from app.scan import doing, taping
from app.scan.choose import Meaning, choose
from app.scan.last_done import undo_of
from app.scan.questions import Question, hand_over_question, question_about
from app.scan.screens import Screen, ago, clock_time, show
from app.scan.sent import Sending, Sent
from app.scan.stations import here_of, station_rows
from app.web.fields import Number
from app.web.installation import house_of
from app.web.rendering import render
from app.web.said import saying

router = page_router()


@router.get("/floor")
def floor(request: Request, who: Calling, station: str = "", ask: str = "", where: str = "", off: str = "") -> Response:
    """The terminal, with a station chosen or not, and a question or not."""
    with house_of(request).reading() as session:
        chosen = None
        try:
            chosen = resolve(session, station, "station") if station else _only_one(session, who) if not where else None
            return show(request, session, who, _asked(session, who, chosen, ask, where, off))
        except Refused as refusal:
            return show(request, session, who, Screen(chosen, refusal=refusal))


def _only_one(session: Session, who: Caller) -> Named | None:
    """A terminal that serves one station, or a person who has just one, need not choose it."""
    only = here_of(session, who.person, who.area, None).station
    return Named("station", only, code_of(session, "station", only)) if only else None


def _asked(session: Session, who: Caller, chosen: Named | None, ask: str, where: str, off: str = "") -> Screen:
    if where:
        able = choose(session, where, here_of(session, who.person, who.area, None), None, clock.now()).able
        return Screen(chosen, where=resolve(session, where).code, able=able)
    if not ask:
        return Screen(chosen, instead=resolve(session, off, "batch", "wafer").code if off else "")
    named = resolve(session, ask)
    if named.kind == "person":
        return _takes_over(session, who, chosen, named)
    return Screen(chosen, question=_question(session, named, chosen.id, who) if chosen else None)


def _takes_over(session: Session, who: Caller, chosen: Named | None, badge: Named) -> Screen:
    """Who may not have the stations may sign in here all the same, without them."""
    try:
        return Screen(chosen, question=hand_over_question(session, badge, who.person, clock.now()))
    except Refused as refusal:
        return Screen(chosen, refusal=refusal, signs_in="" if refusal.kind == "duty" else badge.code)


def _question(session: Session, named: Named, station: int, who: Caller) -> Question:
    now = clock.now()
    packing = taping.packing_question(session, named, station, now, who.person)
    return packing or question_about(session, named, station, now, who.person)


@router.post("/floor/scan")
def scan_now(request: Request, who: Calling, form: Sending) -> Response:
    return _scanned(request, who, form)


def _scanned(request: Request, who: Caller, form: Sent) -> Response:
    if form.is_illegible:
        why = "It is too long for a code of ours, or has control characters, as other firms' labels have."
        return _refused(request, who, form.station, bad_input("That is no code of this factory.", "scan", why, "Scan our own label on it."))
    if not form.scan:  # Enter alone: a refusal is put away, a question stays
        return _again(request, who, form)
    with house_of(request).reading() as session:
        chosen = None
        try:
            chosen = resolve(session, form.station, "station") if form.station else None
            here = here_of(session, who.person, who.area, chosen)
            meaning = choose(session, form.scan, here, form.pending, clock.now())
            station = Named("station", meaning.station, code_of(session, "station", meaning.station)) if meaning.station else chosen
        except Refused as refusal:
            return show(request, session, who, Screen(chosen, refusal=refusal, typed=form.scan))
    return _do(request, who, meaning, station, form)


def _do(request: Request, who: Caller, meaning: Meaning, station: Named | None, form: Sent) -> Response:
    named, at = meaning.named, station.code if station else ""
    if meaning.do == "confirm":
        return _confirm(request, who, at, form)
    if named is None or meaning.do == "nothing":
        return _again(request, who, form)
    if meaning.do in ("ask", "ask_hand_over"):
        return _floor(request, at, ask=named.code)
    if meaning.do == "instead":
        return _floor(request, at, off=named.code)
    if meaning.do == "where":
        return _floor(request, at, where=named.code)
    if meaning.do == "mine":
        return RedirectResponse(request.url_for("my_stations").path, status_code=303)
    if meaning.do in ("look", "load"):
        return RedirectResponse(request.url_for("thing" if meaning.do == "look" else "load_page", code=named.code).path, status_code=303)
    if station is None:
        return _floor(request)
    house = house_of(request)
    if meaning.do == "choose_station":
        return _choose_station(request, who, station, form)
    if meaning.do == "state":
        return _by_card(request, who, station, named, form)
    return _then(request, who, at, lambda: doing.put_on(house, who, station, named, form.key, meaning.instead), form.scan)


def _choose_station(request: Request, who: Caller, station: Named, form: Sent) -> Response:
    """A second read of its code says again what was just said."""
    with house_of(request).reading() as session:
        is_mine = who.person is None or station.id in stations_of(session, who.person)
    if not is_mine:
        doing.attend_station(house_of(request), who, station, form.key)
    return _floor(request, station.code, said=form.said if station.code == form.station else "")


def _by_card(request: Request, who: Caller, station: Named, card: Named, form: Sent) -> Response:
    with house_of(request).reading() as session:
        reason = catalogue.with_id(session, card.id)
    if reason.body.state is None:
        query = urlencode({"station": station.code, "reason": reason.name})
        return RedirectResponse(f"{request.url_for('state_page').path}?{query}", status_code=303)
    said = partial(doing.say_state, house_of(request), who, station, reason.body.state, reason.name, form.key)
    return _then(request, who, station.code, said, form.scan)


def _confirm(request: Request, who: Caller, station: str, form: Sent) -> Response:
    house = house_of(request)
    if form.asks == "start":
        return _then(request, who, station, lambda: doing.start(house, who, form.asked, station, form.key, clear=form.clear == "yes"))
    if form.asks == "hand over":
        return _hand_over(request, who, form)
    if form.asks == "finish":
        return _finish(request, who, station, form)
    if form.asks not in taping.ASKS or _lacks(request, who, station, form):
        return _again(request, who, form)
    return _then(request, who, station, lambda: taping.confirm(house, who, station, form))


def _finish(request: Request, who: Caller, station: str, form: Sent) -> Response:
    """A number that is missing or can't be read is asked for once more; any other refusal fills the screen."""
    try:
        return _floor(request, station, said=doing.finish(house_of(request), who, form.asked, station, form.numbers, form.key))
    except Refused as refusal:
        field = refusal.reasons[0].where.replace("values.", "value.")  # as the record names it, and as the form does
        lacks = field.startswith(("value.", "count.", "bin.")) and not _is_number(form.numbers.get(field, ""))
        return _again(request, who, form) if lacks else _refused(request, who, station, refusal)


@router.post("/floor/start")
def start_now(request: Request, who: Calling, form: Sending) -> Response:
    return _confirm(request, who, form.station, form)


@router.post("/floor/finish")
def finish_now(request: Request, who: Calling, form: Sending) -> Response:
    """A number entered; a code scanned into its field; or, with all entered and looked at, the end of the run."""
    if form.is_illegible:
        return _scanned(request, who, form)
    if scanned := next((name for name, text in form.numbers.items() if _is_code(request, text)), None):
        return _scanned(request, who, form.with_scan(scanned))
    return _confirm(request, who, form.station, form) if form.confirmed or not form.numbers else _again(request, who, form)


def _is_code(request: Request, text: str) -> bool:
    if not text or _is_number(text):
        return False
    with house_of(request).reading() as session:
        return codes.tidy(text) == codes.START_CARD or bool(candidates(session, text))


def _lacks(request: Request, who: Caller, station: str, form: Sent) -> bool:
    """Whether the question still asks for a number or a reason. One that can't be asked any more is left to the act, which may have been done."""
    with house_of(request).reading() as session:
        try:
            question = _question(session, resolve(session, form.asked), resolve(session, station, "station").id, who)
        except Refused:
            return False
    if question.verb != form.asks:
        return False
    return any(not _is_number(form.numbers.get(one.key, "")) for one in question.to_enter) or (question.must_choose and not form.reason)


def _again(request: Request, who: Caller, form: Sent) -> Response:
    """The same question once more, with what was entered, at the number that is missing; or the terminal at rest, as it was."""
    if not (form.asked and form.asks):
        return _floor(request, form.station, said=form.said)
    if form.asks == "where":
        return _floor(request, form.station, where=form.asked)
    if form.asks == "instead":
        return _floor(request, form.station, off=form.asked)
    if not form.numbers:
        return _floor(request, form.station, ask=form.asked)
    wrong = next((text for text in form.numbers.values() if text and not _is_number(text)), "")
    given = {name: text for name, text in form.numbers.items() if _is_number(text)}
    with house_of(request).reading() as session:
        chosen = None
        try:
            chosen = resolve(session, form.station, "station")
            question = _question(session, resolve(session, form.asked), chosen.id, who)
            emptied = "" if wrong else _emptied(question, form)
            return show(request, session, who, Screen(chosen, question=question, given=given, wrong=wrong, emptied=emptied))
        except Refused as refusal:
            return show(request, session, who, Screen(chosen, refusal=refusal))


def _emptied(question: Question, form: Sent) -> str:
    """Numbers are typed one after another: empty are those that come later, not the one that was asked for, nor one before another that is there."""
    keys = [one.key for one in question.to_enter]
    empty = next((n for n, key in enumerate(keys) if not form.numbers.get(key)), len(keys))
    there = form.awaited in keys[empty : empty + 1] or any(form.numbers.get(key) for key in keys[empty + 1 :])
    return question.to_enter[empty].words if there else ""


@router.post("/floor/take-off")
def take_off_now(request: Request, who: Calling, form: Sending) -> Response:
    return _then(request, who, form.station, lambda: doing.take_off(house_of(request), who, form.station, form.item, form.key))


@router.get("/floor/state")
def state_page(request: Request, who: Calling, station: str, reason: str = "") -> Response:
    """What is the station now? One touch, or the card of a reason."""
    with house_of(request).reading() as session:
        return show(request, session, who, Screen(resolve(session, station, "station"), asks_state=True, reason=reason[:80]))


@router.post("/floor/state")
def say_state(request: Request, who: Calling, form: Sending) -> Response:
    with house_of(request).reading() as session:
        station = resolve(session, form.station, "station")
    return _then(request, who, station.code, lambda: doing.say_state(house_of(request), who, station, form.state, form.reason, form.key))


@router.get("/floor/undo/{entry}")
def undo_page(request: Request, who: Calling, entry: Number, station: str = "") -> Response:
    with house_of(request).reading() as session:
        chosen = _station(session, station)
        try:
            return show(request, session, who, Screen(chosen, undo=undo_of(session, entry), entry=str(entry)))
        except Refused as refusal:
            return show(request, session, who, Screen(chosen, refusal=refusal))


@router.post("/floor/undo")
def undo_now(request: Request, who: Calling, form: Sending) -> Response:
    if not (form.entry.isascii() and form.entry.isdigit() and len(form.entry) < 16):
        raise bad_input("Nothing is taken back.", "entry", f"{form.entry!r} is not an entry.", "Choose it from the last things done.")
    with house_of(request).reading() as session:
        chosen = _station(session, form.station)
        try:
            undo = undo_of(session, int(form.entry))
        except Refused as refusal:
            return show(request, session, who, Screen(chosen, refusal=refusal))
    return _then(request, who, form.station, lambda: doing.take_back(house_of(request), who, undo, form.reason, form.key))


@router.get("/floor/stations")
def my_stations(request: Request, who: Calling) -> Response:
    """All stations of a person: one scan opens any of them."""
    now = clock.now()
    with house_of(request).reading() as session:
        rows = station_rows(session, stations_of(session, who.person) if who.person else [], now)
    counts = {WORDS[state]: sum(row.state == WORDS[state] for row in rows) for state in STATION_STATES}
    return render(
        request, "scan/stations.html", station=None, rows=rows, counts=[(state, n) for state, n in counts.items() if n], asked_at=now.isoformat(),
        clock_time=clock_time(request, now), ago=lambda moment: ago(moment, now),
    )  # fmt: skip


@router.post("/floor/leave")
def leave_now(request: Request, who: Calling, form: Sending) -> Response:
    with house_of(request).reading() as session:
        station = resolve(session, form.item, "station")
    said = doing.leave_station(house_of(request), who, station, form.key)
    return RedirectResponse(f"{request.url_for('my_stations').path}?{urlencode(saying(request, said))}", status_code=303)


@router.post("/floor/hand-over")
def hand_over_now(request: Request, who: Calling, form: Sending) -> Response:
    return _hand_over(request, who, form)


def _hand_over(request: Request, who: Caller, form: Sent) -> Response:
    with house_of(request).reading() as session:
        try:
            badge = resolve(session, form.asked, "person")
        except Refused as refusal:
            return show(request, session, who, Screen(refusal=refusal))
    try:
        said = doing.hand_all_over(house_of(request), who, badge, form.key)
    except Refused as refusal:
        with house_of(request).reading() as session:
            return show(request, session, who, Screen(refusal=refusal))
    return _switch(request, badge.code, said) if who.session and who.session.terminal else _floor(request, said=said)


@router.post("/floor/switch")
def switch_now(request: Request, who: Calling, form: Sending) -> Response:
    """Another works on at this terminal; the stations stay with whom they are."""
    return _switch(request, form.asked)


def _switch(request: Request, badge: str, said: str = "") -> Response:
    """By the badge alone where that is enough; else the PIN or password is asked for."""
    terminal, before = cookie_of(request, TERMINAL_COOKIE), cookie_of(request, SESSION_COOKIE)
    opened = reopen(house_of(request), badge, terminal=terminal, before=before, browser=at_browser(request))
    told = saying(request, said)
    after = f"{request.url_for('floor').path}?{urlencode(told)}" if told else request.url_for("floor").path
    if opened:
        return signed_in_here(request, opened, after)
    return RedirectResponse(f"{request.url_for('sign_in_page').path}?{urlencode({'badge': badge, 'next': after} | told)}", status_code=303)


@router.get("/floor/cards")
def cards(request: Request, who: Calling) -> Response:
    """A sheet to print and cut: the start card, and a card for each reason of a station."""
    with house_of(request).reading() as session:
        reasons = [one for one in catalogue.every(session, "reason") if "station" in one.body.of]
        codes_by_reason = codes_of(session, "card", [one.id for one in reasons])
    found = [{"code": codes.START_CARD, "words": "Yes", "about": "confirms what the screen asks"}]
    found += [
        {"code": codes_by_reason[one.id], "words": one.name, "about": WORDS[one.body.state] if one.body.state else "the state is asked for"}
        for one in reasons
        if one.id in codes_by_reason
    ]
    return render(request, "scan/cards.html", cards=[one | {"symbol": data_matrix(one["code"], one["code"], 0.6)} for one in found])


def _then(request: Request, who: Caller, station: str, write: Callable[[], str], typed: str = "") -> Response:
    """Writes, and says on the terminal what was done; or the refusal fills its screen."""
    try:
        return _floor(request, station, said=write())
    except Refused as refusal:
        return _refused(request, who, station, refusal, typed)


def _refused(request: Request, who: Caller, station: str, refusal: Refused, typed: str = "") -> Response:
    with house_of(request).reading() as session:
        return show(request, session, who, Screen(_station(session, station), refusal=refusal, typed=typed))


def _floor(request: Request, station: str = "", said: str = "", **query: str) -> Response:
    asked = urlencode({name: text for name, text in {"station": station, **query}.items() if text} | saying(request, said))
    return RedirectResponse(request.url_for("floor").path + (f"?{asked}" if asked else ""), status_code=303)


def _station(session: Session, station: str) -> Named | None:
    try:
        return resolve(session, station, "station") if station else None
    except Refused:
        return None


def _is_number(text: str) -> bool:
    try:
        number("", text)
    except Refused:
        return False
    return True
