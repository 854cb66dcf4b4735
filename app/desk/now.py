"""The few numbers on the first page: what waits for someone now, each a link to its list."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.desk.listing import Linked
from app.floor.attendance import stations_of
from app.ledger.items import Batch, Pack
from app.ledger.places import Load
from app.ledger.runs import Run, StationState
from app.ledger.stops import Hold
from app.naming.resolve import codes_of

_SOON = timedelta(days=7)


@dataclass(frozen=True)
class Count:
    n: int
    words: str
    list: str  # a route by name
    asked: str = ""
    meaning: str = ""


@dataclass(frozen=True)
class Now:
    counts: list[Count]
    stations: list[Linked]  # that the person at this page has


def now_for(session: Session, person: int | None) -> Now:
    down = StationState.state.in_(("unscheduled_down", "scheduled_down"))
    soon = clock.now() + _SOON
    counts = [
        _count(_n(session, Run.id, Run.closed_e.is_(None)), "run", "runs", " open", "runs", "outcome=open"),
        _count(_n(session, Load.id, Load.closed_e.is_(None)), "oven load", "oven loads", " being filled", "every_load", "state=being+filled"),
        _count(_n(session, Hold.id, Hold.closed_e.is_(None)), "hold", "holds", " in force", "holds", "state=in+force", "stop"),
        _count(_n(session, StationState.id, StationState.closed_e.is_(None), down), "station", "stations", " down", "stations", "", "care"),
        _count(
            _n(session, Batch.item, Batch.expires_at.between(clock.now(), soon)), "batch expires", "batches expire", " within a week", "batches",
            "sort=expiry&life=good",
        ),
        _count(_n(session, Pack.item, Pack.closed_e.is_(None)), "pack", "packs", " being filled", "packs", "state=open"),
    ]
    mine = stations_of(session, person) if person else []
    names, codes = catalogue.with_ids(session, mine), codes_of(session, "station", mine)
    return Now([one for one in counts if one.n], [Linked(names[one].name, codes[one]) for one in mine])


def _count(n: int, one: str, many: str, words: str, listed: str, asked: str, meaning: str = "") -> Count:
    return Count(n, (one if n == 1 else many) + words, listed, asked, meaning)


def _n(session: Session, column: Any, *where: Any) -> int:
    return session.scalar(select(func.count(column)).where(*where)) or 0
