"""The terminal's screens, from ready values: at rest, a question, a refusal, where, a station's state, a thing to take back."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from fastapi import Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.definitions import STATION_STATES
from app.clock import local
from app.errors import Refused
from app.floor.attendance import stations_of
from app.floor.reasons import offered_reasons
from app.floor.route_strip import minutes_in_words, route_strip
from app.floor.station_states import WORDS
from app.naming.resolve import Named
from app.people.callers import Caller
from app.scan.last_done import Undo, last_done
from app.scan.questions import Question
from app.scan.stations import StationRow, filling_at, look_of, station_rows
from app.scan.taping import mixing
from app.web.installation import house_of, zone_of
from app.web.rendering import render

_ON_THE_FIRST_SCREEN = 6  # stations at hand; more of them have a page of their own


@dataclass(frozen=True)
class Screen:
    """What stands on it beside the scan field. At most one of question, refusal, where, state and undo."""

    station: Named | None = None
    question: Question | None = None
    refusal: Refused | None = None
    typed: str = ""  # what the refusal is about
    signs_in: str = ""  # the badge that is refused the stations, and may sign in without them
    given: dict[str, str] = field(default_factory=dict)  # numbers entered so far
    wrong: str = ""  # what is no number
    emptied: str = ""  # the words of the number that was sent empty though it was asked for
    where: str = ""  # the code that several stations could take
    instead: str = ""  # the material that comes off for what is scanned next
    able: Sequence[int] = ()
    asks_state: bool = False
    reason: str = ""  # that a card gave
    undo: Undo | None = None
    entry: str = ""


def show(request: Request, session: Session, who: Caller, screen: Screen) -> Response:
    now = clock.now()
    at_rest = not (screen.question or screen.refusal or screen.where or screen.asks_state or screen.undo)
    mine = stations_of(session, who.person) if who.person and at_rest else []
    rows = station_rows(session, list({*mine, *([screen.station.id] if screen.station and at_rest else []), *screen.able}), now)
    here = next((row for row in rows if screen.station and row.id == screen.station.id), None)
    question = screen.question
    missing = [one.key for one in question.to_enter if not screen.given.get(one.key)] if question else []
    starts_panels = question is not None and question.verb == "start" and any(group.panels for group in question.groups)
    may_load = screen.station is not None and (at_rest or starts_panels)
    filling = filling_at(session, screen.station.id) if screen.station and may_load else ""
    values: dict[str, Any] = {
        "filling": filling, "recipes": _recipes(session, screen.station, question) if screen.station and may_load and not filling else [],
        "station": screen.station, "station_name": _name(session, screen.station), "area": who.area, "asked_at": now.isoformat(), "row": here,
        "question": question, "missing": missing[0] if missing else "", "given": screen.given, "wrong": screen.wrong,
        "emptied": screen.emptied,
        "strip": route_strip(session, question.groups[0], now, around=3) if question and len(question.groups) == 1 else None,
        "time_left": _time_left(question), "gone": _gone(question, now), "refusal": screen.refusal, "typed": screen.typed,
        "signs_in": screen.signs_in,
        "where": screen.where, "able": [row for row in rows if row.id in screen.able], "instead": screen.instead,
        "undo": screen.undo, "entry": screen.entry,
        "mine": [row for row in rows if row.id in mine], "shown": _first(rows, mine, screen.station),
        "last": last_done(session, who.person, who.actor.duties, screen.station, now) if at_rest else [],
        "states": _states(session, screen) if screen.asks_state else [], "asks_state": screen.asks_state,
        "reasons": _reasons(session, screen.undo.purpose) if screen.undo else [], "reason": screen.reason,
        "mixing": mixing(house_of(request), question, screen.given) if question else (),
        "clock_time": clock_time(request, now), "ago": lambda moment: ago(moment, now),
    }  # fmt: skip
    return render(request, "scan/floor.html", status=screen.refusal.status if screen.refusal else 200, **values)


def clock_time(request: Request, now: datetime) -> Callable[[datetime], str]:
    """ "14:02" of today, "yesterday 22:55", with the date before; the zone stands at the page's foot."""
    zone = zone_of(request)
    today = local(now, zone).date()

    def words(moment: datetime) -> str:
        here = local(moment, zone)
        day = {today: "", today - timedelta(days=1): "yesterday "}.get(here.date(), f"{here:%Y-%m-%d} ")
        return f"{day}{here:%H:%M}"

    return words


def ago(moment: datetime, now: datetime) -> str:
    seconds = int((now - moment).total_seconds())
    return "just now" if seconds < 60 else f"{minutes_in_words(seconds)} ago"


def _name(session: Session, station: Named | None) -> str:
    return catalogue.station(session, station.id).name if station else ""


def _recipes(session: Session, station: Named, question: Question | None) -> list[str]:
    """Those that a load may be begun for at an oven: the one that is asked about, or any; none at other stations."""
    if "cure" not in catalogue.station(session, station.id).body.operations:
        return []
    return ([question.recipe] if question.recipe else []) if question else [one.name for one in catalogue.every(session, "recipe")]


def _first(rows: list[StationRow], mine: list[int], station: Named | None) -> list[StationRow]:
    """The stations on the first screen: all of a few; of many those that are neither running nor idle, before the others."""
    own = [row for row in rows if row.id in mine and (station is None or row.id != station.id)]
    urgent = sorted(own, key=lambda row: (row.look in ("go", "rest"), row.name))
    return own if len(own) <= _ON_THE_FIRST_SCREEN else urgent[:_ON_THE_FIRST_SCREEN]


def _time_left(question: Question | None) -> str:
    if question is None or question.window_seconds is None:
        return ""
    words = minutes_in_words(question.window_seconds)
    return words if question.window_seconds > 0 else f"over by {words}"


def _gone(question: Question | None, now: datetime) -> str:
    """How long the run that is to be finished has been open."""
    return minutes_in_words(int((now - question.run_since).total_seconds())) if question and question.run_since else ""


def _states(session: Session, screen: Screen) -> list[dict[str, str]]:
    """What may be said: each reason of the catalogue with its state; or every state, for a reason that has none."""
    if screen.reason:
        said = [(state, screen.reason) for state in STATION_STATES]
    else:
        order = (*STATION_STATES, None)
        reasons = [(one.body.state, one.name) for one in catalogue.every(session, "reason") if "station" in one.body.of]
        said = sorted(reasons, key=lambda one: (order.index(one[0]), one[1]))
    return [{"state": state or "", "words": WORDS.get(state, ""), "look": look_of(state), "reason": reason} for state, reason in said]


def _reasons(session: Session, purpose: str) -> list[str]:
    return offered_reasons(session, purpose) if purpose else []
