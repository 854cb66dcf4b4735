"""The state of a station, by SEMI E10's six basic states, with its reason: what was said of it, and what it has been since when."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import BindParameter, bindparam, func, select
from sqlalchemy.orm import Session, aliased

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.definitions import STATION_STATES
from app.catalogue.models import Thing
from app.db import Moment
from app.errors import bad_input
from app.floor.station_spells import Said, Spell, spells_between, unworked_between
from app.journal.act import By
from app.ledger.runs import Run, RunVoid, StationState

WORDS = {
    "productive": "productive", "standby": "standby", "engineering": "engineering", "scheduled_down": "scheduled downtime",
    "unscheduled_down": "unscheduled downtime", "non_scheduled": "non-scheduled",
}  # fmt: skip


@dataclass(frozen=True)
class Now:
    """What a station is now, why, and since when: None where that lies further back than was looked."""

    state: str
    reason: str
    since: datetime | None


def set_state(session: Session, by: By, station: int, state: str, reason: str) -> StationState:
    """A new state closes the one before. One that is told late, of a time before the state in force, is over already.

    Said `productive`, a station is what its runs make of it again; said `standby`, until its next run begins.
    """
    if state not in STATION_STATES:
        raise bad_input("That is no state of a station.", "state", f"{state!r} is not one of: {', '.join(STATION_STATES)}.", "Choose one of them.")
    if not reason.strip():
        raise bad_input("A state needs a reason.", "reason", "It is empty.", "Say why.")
    catalogue.station(session, station)
    before = said_of(session, station)
    is_over = before is not None and before.since > by.happened_at
    if before is not None and not is_over:
        before.closed_e = by.e
        session.flush()
    row = StationState(
        e=by.e, station=station, state=state, reason=reason.strip(), since=by.happened_at, closed_e=by.e if is_over else None
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def said_of(session: Session, station: int) -> StationState | None:
    """What was said last of a station, if anything was."""
    return session.scalar(select(StationState).where(StationState.station == station, StationState.closed_e.is_(None)))


def spells(session: Session, stations: list[int], begin: datetime, end: datetime) -> dict[int, list[Spell]]:
    """What each station was from `begin` to `end`, without gaps. Five statements, however many stations."""
    site = catalogue.site(session)
    unworked = unworked_between(site, begin, end)
    said, ran = _said(session, stations, begin, end), _ran(session, stations, begin, end)
    return {one: spells_between(said.get(one, []), ran.get(one, []), unworked, begin, end) for one in stations}


def states_now(session: Session, stations: list[int], at: datetime | None = None) -> dict[int, Now]:
    """What each station is now."""
    at = at or clock.now()
    begin = at - timedelta(days=1)
    found = {}
    for station, history in spells(session, stations, begin, at).items():
        last = history[-1]
        found[station] = Now(last.state, last.reason, last.begin if last.begin > begin else None)
    return found


def _said(session: Session, stations: list[int], begin: datetime, end: datetime) -> dict[int, list[Said]]:
    """Of each station what was in force at `begin`, and what was said up to `end`, in the order of time."""
    found: dict[int, list[Said]] = {}
    for row in session.execute(_AT_BEGIN, {"stations": stations, "begin": begin}):
        found[row.station] = [Said(row.state, row.reason, row.since)]
    for row in session.execute(_LATER, {"stations": stations, "begin": begin, "end": end}):
        found.setdefault(row.station, []).append(Said(row.state, row.reason, row.since))
    return found


def _ran(session: Session, stations: list[int], begin: datetime, end: datetime) -> dict[int, list[tuple[datetime, datetime | None]]]:
    """From when to when runs were open; voided ones never were."""
    found: dict[int, list[tuple[datetime, datetime | None]]] = {}
    closed = session.execute(_CLOSED_RUNS, {"stations": stations, "begin": begin, "end": end}).all()
    for station, started, ended in [*closed, *session.execute(_OPEN_RUNS, {"stations": stations, "end": end})]:
        found.setdefault(station, []).append((started, ended))
    return found


# made once: the newest of each station is costly to say
_STATIONS: BindParameter[Any] = bindparam("stations", expanding=True)
_BEGIN, _END = bindparam("begin", type_=Moment()), bindparam("end", type_=Moment())
_EARLIER = aliased(StationState)
_NEWEST = select(_EARLIER.id).where(_EARLIER.station == Thing.id, _EARLIER.since <= _BEGIN).order_by(_EARLIER.since.desc(), _EARLIER.id.desc())
_SAID = select(StationState.station, StationState.state, StationState.reason, StationState.since)
_AT_BEGIN = _SAID.join(Thing, StationState.id == _NEWEST.limit(1).correlate(Thing).scalar_subquery()).where(Thing.id.in_(_STATIONS))
_LATER = _SAID.where(StationState.station.in_(_STATIONS), StationState.since > _BEGIN, StationState.since < _END).order_by(
    StationState.since, StationState.id
)
# by their ends, which are few since a time: of a start that is asked for as well, a database might read all of a station's runs
_RAN = select(Run.station, Run.started_at, Run.ended_at).where(
    Run.station.in_(_STATIONS), func.coalesce(Run.started_at, _END) < _END, ~select(RunVoid.run).where(RunVoid.run == Run.id).exists()
)
_CLOSED_RUNS = _RAN.where(Run.ended_at > _BEGIN)
_OPEN_RUNS = _RAN.where(Run.closed_e.is_(None))
