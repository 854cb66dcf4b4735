"""The stations at hand: what each is, what runs there and since when, what is on it; jams and refills included."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import BindParameter, bindparam, func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.floor.attendance import stations_of
from app.floor.station_states import WORDS, states_now
from app.ledger.places import Mount
from app.ledger.runs import Line, Run
from app.naming.resolve import Named, codes_of, codes_of_items
from app.scan.choose import Here

LOOKS = {"productive": "go", "standby": "rest", "unscheduled_down": "stop"}  # the others: take care


@dataclass(frozen=True)
class RunsThere:
    code: str
    operation: str
    since: datetime
    lots: str


@dataclass(frozen=True)
class OnIt:
    code: str
    place: str
    since: datetime


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


def station_rows(session: Session, stations: list[int], at: datetime) -> list[StationRow]:
    """In the order of names; as many statements for one station as for forty."""
    if not stations:
        return []
    defined, codes, states = catalogue.with_ids(session, stations), codes_of(session, "station", stations), states_now(session, stations, at)
    runs, on = _runs(session, stations), _on(session, stations)
    rows = [
        StationRow(
            one, codes[one], defined[one].name, WORDS[states[one].state], LOOKS.get(states[one].state, "care"), states[one].reason,
            states[one].since, tuple(runs.get(one, ())), tuple(on.get(one, ())),
        )
        for one in stations
    ]  # fmt: skip
    return sorted(rows, key=lambda row: row.name)


def _runs(session: Session, stations: list[int]) -> dict[int, list[RunsThere]]:
    rows = session.execute(_OPEN_LINES, {"stations": stations}).all()
    names, codes = codes_of_items(session, [row.item for row in rows]), codes_of(session, "run", [row.id for row in rows])
    lots: dict[int, set[str]] = {}
    for row in rows:
        lots.setdefault(row.id, set()).update([names[row.item]] if row.item else [])
    found: dict[int, list[RunsThere]] = {}
    for run in {row.id: row for row in rows}.values():
        found.setdefault(run.station, []).append(RunsThere(codes[run.id], run.operation, run.started_at, ", ".join(sorted(lots[run.id]))))
    return found


def _on(session: Session, stations: list[int]) -> dict[int, list[OnIt]]:
    mounts = session.execute(_MOUNTED, {"stations": stations}).all()
    names = codes_of_items(session, [mount.item for mount in mounts])
    found: dict[int, list[OnIt]] = {}
    for mount in mounts:
        found.setdefault(mount.station, []).append(OnIt(names[mount.item], mount.place, mount.on_at))
    return found


_STATIONS: BindParameter[Any] = bindparam("stations", expanding=True)
# a row an open run and what it has in its open lines
_OPEN_LINES = (
    select(Run.id, Run.station, Run.operation, Run.started_at, func.coalesce(Line.lot, Line.item).label("item"))
    .outerjoin(Line, (Line.run == Run.id) & Line.closed_e.is_(None))
    .where(Run.station.in_(_STATIONS), Run.closed_e.is_(None))
    .order_by(Run.started_at)
)
_MOUNTED = (
    select(Mount.station, Mount.item, Mount.place, Mount.on_at)
    .where(Mount.station.in_(_STATIONS), Mount.closed_e.is_(None))
    .order_by(Mount.place)
)
