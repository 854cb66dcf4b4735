"""The stations at hand: what each is, what runs there and since when, what is on it; jams and refills included."""

from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import Moment
from app.floor.attendance import stations_of
from app.floor.station_states import WORDS, states_now
from app.ledger.places import Load
from app.listed import ask, listed
from app.naming.resolve import Named, code_of
from app.scan.choose import Here

_LOOKS = {"productive": "go", "standby": "rest", "unscheduled_down": "stop"}  # the others: take care


@dataclass(frozen=True)
class RunsThere:
    code: str
    operation: str
    since: datetime
    load: str | None = None  # of an oven
    lots: str = ""


@dataclass(frozen=True)
class OnIt:
    """`good_until`: the end of its pot life; `is_unopened`: it would have one, and nobody told that it is open."""

    code: str
    place: str
    since: datetime
    good_until: datetime | None = None
    is_unopened: bool = False


@dataclass(frozen=True)
class StationRow:
    id: int
    code: str
    name: str
    state: str  # in words
    look: str  # go, rest, care, stop
    reason: str
    since: datetime | None
    runs: tuple[RunsThere, ...]
    on: tuple[OnIt, ...]


def here_of(session: Session, person: int | None, area: str | None, station: Named | None) -> Here:
    """Without a station chosen it is the only one at hand, if there is just one."""
    mine = stations_of(session, person) if person else []
    at_hand = mine or [one.id for one in catalogue.every(session, "station") if area and one.body.area == area]
    chosen = station.id if station else at_hand[0] if len(at_hand) == 1 else None
    return Here(person, chosen, tuple(at_hand))


def look_of(state: str) -> str:
    """How a state of a station looks at the terminal: go, rest, care or stop."""
    return _LOOKS.get(state, "care")


def station_rows(session: Session, stations: list[int], at: datetime) -> list[StationRow]:
    """In the order of names. Four statements at most, for one station or for forty; two where something moved within minutes."""
    if not stations:
        return []
    defined, states = catalogue.with_ids(session, stations), states_now(session, stations, at)
    codes, runs, on = _there(session, stations)
    rows = [
        StationRow(
            one, codes[one], defined[one].name, WORDS[states[one].state], look_of(states[one].state), states[one].reason,
            states[one].since, tuple(runs.get(one, ())), tuple(on.get(one, ())),
        )
        for one in stations
    ]  # fmt: skip
    return sorted(rows, key=lambda row: row.name)


def filling_at(session: Session, station: int) -> str:
    """The code of the load that is being filled at an oven; empty for other stations, which cost no statement."""
    if "cure" not in catalogue.station(session, station).body.operations:
        return ""
    load = session.scalar(select(Load.id).where(Load.station == station, Load.closed_e.is_(None)).order_by(Load.id.desc()).limit(1))
    return code_of(session, "load", load) if load else ""


def _there(session: Session, stations: list[int]) -> tuple[dict[int, str], dict[int, list[RunsThere]], dict[int, list[OnIt]]]:
    """Of each station its code, what runs there, the oldest first, and what is on it, by place."""
    codes: dict[int, str] = {}
    lots: dict[tuple[int, RunsThere], set[str]] = {}
    on: dict[int, list[OnIt]] = {}
    for row in ask(session, _THERE, stations=stations):
        if row.what == "is":
            codes[row.station] = row.code
        elif row.what == "runs":
            lots.setdefault((row.station, RunsThere(row.code, row.words, row.since, row.load)), set()).update([row.lot] if row.lot else [])
        else:
            waits = row.part is not None and row.opened is None and catalogue.with_id(session, row.part).body.pot_life_minutes is not None
            on.setdefault(row.station, []).append(OnIt(row.code, row.words, row.since, row.ends, waits))
    runs: dict[int, list[RunsThere]] = {}
    for (station, run), some in sorted(lots.items(), key=lambda one: one[0][1].since):
        runs.setdefault(station, []).append(replace(run, lots=", ".join(sorted(some))))
    return codes, runs, {station: sorted(some, key=lambda one: one.place) for station, some in on.items()}


# a row a station, an open run and what it has in its open lines, and a thing on a station
_THERE = listed(
    """
    select m.station as station, 'on' as what, c.code as code, m.place as words, m.on_at as since, null as lot, null as load,
        b.part as part, o.batch as opened, o.pot_life_ends_at as ends
    from mount m join item i on i.id = m.item join code c on c.kind = i.kind and c.thing = i.id
    left join batch b on b.item = i.id left join opening o on o.batch = i.id
    where m.station in :stations and m.closed_e is null
    union all
    select r.station, 'runs', c.code, r.operation, r.started_at, lot.code, (
        select load.code from load d join code load on load.kind = 'load' and load.thing = d.id where d.run = r.id
    ), null, null, null
    from run r join code c on c.kind = 'run' and c.thing = r.id
    left join line l on l.run = r.id and l.closed_e is null left join item i on i.id = coalesce(l.lot, l.item)
    left join code lot on lot.kind = i.kind and lot.thing = i.id
    where r.station in :stations and r.closed_e is null
    union all
    select c.thing, 'is', c.code, '', null, null, null, null, null, null from code c where c.kind = 'station' and c.thing in :stations
    """,
    "stations",
).columns(since=Moment(), ends=Moment())
