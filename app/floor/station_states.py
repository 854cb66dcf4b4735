"""The state of a station, by SEMI E10's six basic states, with its reason: what was said of it, and what it has been since when."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.definitions import STATION_STATES
from app.catalogue.models import Thing
from app.db import Moment
from app.errors import bad_input
from app.floor.station_spells import Said, Spell, spells_between, unworked_between
from app.journal.act import By, lock
from app.ledger.runs import StationState
from app.listed import ask, listed

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
        raise bad_input("That is not a state of a station.", "state", f"{state!r} is not one of: {', '.join(STATION_STATES)}.", "Choose one of them.")
    if not reason.strip():
        raise bad_input("A state needs a reason.", "reason", "It is empty.", "Say why.")
    catalogue.station(session, station)
    lock(session, Thing, [station])  # a row that two acts close would have the entry of the second alone
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
    """What each station was from `begin` to `end`, without gaps. One statement, however many stations."""
    unworked = unworked_between(catalogue.site(session), begin, end)
    said: defaultdict[int, list[Said]] = defaultdict(list)
    ran: defaultdict[int, list[tuple[datetime, datetime | None]]] = defaultdict(list)
    for row in sorted(ask(session, _BETWEEN, stations=stations, begin=begin, end=end), key=_in_order):
        if row.state is None:
            ran[row.station].append((row.since, row.until))
            continue
        said[row.station].append(Said(row.state, row.reason, row.since))
        if row.until:  # a run began after it: of no length here, it ends a said standby, and is read with its times if it matters to them
            ran[row.station].append((row.until, row.until))
    return {one: spells_between(said[one], ran[one], unworked, begin, end) for one in stations}


def states_now(session: Session, stations: list[int], at: datetime | None = None) -> dict[int, Now]:
    """What each station is now. Where things move, the last minutes say it; the day is read of the others only."""
    at, found = at or clock.now(), dict[int, Now]()
    for begin in (at - back for back in _LOOKED_BACK):
        if unknown := [one for one in stations if one not in found or found[one].since is None]:
            for station, history in spells(session, unknown, begin, at).items():
                last = history[-1]
                found[station] = Now(last.state, last.reason, last.begin if last.begin > begin else None)
    return found


def _in_order(row: Any) -> tuple[datetime, int]:
    return row.since, row.number


_LOOKED_BACK = (timedelta(minutes=10), timedelta(hours=2), timedelta(days=1))
# of each station what was in force at `begin`, what was said up to `end`, and from when to when runs were open; voided ones never were.
# Runs by their ends, which are few since a time: of a start that is asked for as well, a database might read all of a station's runs.
# A range with both its ends is few to PostgreSQL whatever the values, so that it keeps its plan; else it makes one each time
_BETWEEN = listed(
    """
    select r.station, null as state, null as reason, r.started_at as since, r.ended_at as until, r.id as number from run r
    where r.station in :stations and r.ended_at > :begin and r.ended_at < 'infinity' and coalesce(r.started_at, :end) < :end
      and not exists (select 1 from run_void v where v.run = r.id)
    union all
    select r.station, null, null, r.started_at, null, r.id from run r
    where r.station in :stations and r.closed_e is null and coalesce(r.started_at, :end) < :end
      and not exists (select 1 from run_void v where v.run = r.id)
    union all
    select s.station, s.state, s.reason, s.since, (
      select r.started_at from run r where r.station = s.station and r.started_at > s.since
      and not exists (select 1 from run_void v where v.run = r.id) order by r.started_at limit 1), s.id
    from thing t join station_state s on s.id = (
      select b.id from station_state b where b.station = t.id and b.since <= :begin order by b.since desc, b.id desc limit 1)
    where t.id in :stations
    union all
    select s.station, s.state, s.reason, s.since, null, s.id from station_state s
    where s.station in :stations and s.since > :begin and s.since < :end
    """,
    "stations", begin=Moment(), end=Moment(),
).columns(since=Moment(), until=Moment())  # fmt: skip
