"""The ovens and what is on each shelf: loads that run and loads that are being filled."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Row, text
from sqlalchemy.orm import Session

from app.board.marks import in_hours
from app.board.parts import Parts, step_of
from app.board.stations import StationNow
from app.db import Moment


@dataclass(frozen=True)
class Shelf:
    name: str
    lots: tuple[tuple[str, str, int], ...]  # code, step, panels


@dataclass(frozen=True)
class Oven:
    """`load`: its code, empty where nothing is in it. `ends_at`: by the standard time of the step, no promise of the recipe."""

    station: StationNow
    load: str
    state: str  # running, being filled, empty
    since: datetime | None
    ends_at: datetime | None
    shelves: tuple[Shelf, ...]
    panels: int

    def is_due(self, now: datetime) -> bool:
        """Its standard time is over: somebody should look whether the door may be opened."""
        return self.ends_at is not None and now > self.ends_at

    def late_words(self, now: datetime) -> str:
        return in_hours(now - self.ends_at) if self.ends_at else ""


def ovens(session: Session, stations: list[StationNow], parts: Parts) -> list[Oven]:
    """One statement. Cures that were started without a load stand there too."""
    by_station: defaultdict[int, list[Row[Any]]] = defaultdict(list)
    for row in session.execute(_ON_SHELVES):
        by_station[row.station].append(row)
    return [_oven(one, by_station[one.id], parts) for one in stations if "cure" in one.operations]


def _oven(station: StationNow, found: list[Row[Any]], parts: Parts) -> Oven:
    if not found:
        return Oven(station, "", "empty", None, None, (), 0)
    running = [row for row in found if row.started_at is not None]
    shelves: defaultdict[str, list[tuple[str, str, int]]] = defaultdict(list)
    for row in running or found:
        step = step_of(parts.routes.get(row.route), row.step)
        shelves[row.shelf or ""].append((row.lot, step.name if step else "", row.panels))
    since = min((row.started_at for row in running), default=None)
    standard = max((step.standard_minutes for row in running if (step := step_of(parts.routes.get(row.route), row.step))), default=None)
    return Oven(
        station, next((row.load for row in running or found if row.load), ""), "running" if running else "being filled", since,
        since + timedelta(minutes=standard) if since and standard else None,
        tuple(Shelf(name, tuple(lots)) for name, lots in sorted(shelves.items())), sum(row.panels for row in running or found),
    )  # fmt: skip


_ON_SHELVES = text("""
    select r.station, l.shelf, lc.code as lot, l.route, l.step, s.n as panels, oc.code as load, r.started_at
    from run r cross join line l cross join panel_set s cross join code lc
    left join load o on o.run = r.id left join code oc on oc.kind = 'load' and oc.thing = o.id
    where r.closed_e is null and r.operation = 'cure' and l.run = r.id and l.closed_e is null
      and s.id = l."set" and lc.kind = 'lot' and lc.thing = l.lot and not exists (select 1 from run_void v where v.run = r.id)
    union all
    select o.station, p.shelf, lc.code, p.route, p.step, s.n, oc.code, null
    from load o cross join load_place p cross join panel_set s cross join code lc
    left join code oc on oc.kind = 'load' and oc.thing = o.id
    where o.closed_e is null and p.load = o.id and p.closed_e is null and s.id = p."set" and lc.kind = 'lot' and lc.thing = p.lot
""").columns(started_at=Moment())
