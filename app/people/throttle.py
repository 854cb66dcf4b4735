"""Guessing made slow. A try is counted before it is judged, so that many at once gain nothing; a right one wipes the count."""

from collections.abc import Mapping
from datetime import timedelta

from sqlalchemy import delete, select
from sqlalchemy.dialects import postgresql, sqlite

from app import clock
from app.db import House
from app.errors import TooManyTries
from app.people.models import Throttle

_WAITS = (timedelta(seconds=15), timedelta(minutes=1), timedelta(minutes=5))  # never for good: nobody can shut a colleague out
_FORGOTTEN = timedelta(hours=1)


def begin_try(house: House, free: Mapping[str, int]) -> None:
    """Counts one try for each key of `free`: whose, and how many may go wrong before there is a wait. Refuses while there is one."""
    now = clock.now()
    insert = postgresql.insert if house.kind == "postgresql" else sqlite.insert
    with house.writing() as session:
        new = [{"who": who, "failures": 0, "until": None, "last_at": now} for who in sorted(free)]
        session.execute(insert(Throttle).on_conflict_do_nothing(), new)
        rows = list(session.scalars(select(Throttle).where(Throttle.who.in_(free)).order_by(Throttle.who).with_for_update()))
        for row in rows:
            if row.until is not None and now < row.until:
                raise TooManyTries(int((row.until - now).total_seconds()) + 1)
        for row in rows:
            row.failures = 1 if now - row.last_at > _FORGOTTEN else row.failures + 1
            row.last_at = now
            over = row.failures - free[row.who]
            row.until = now + _WAITS[min(over, len(_WAITS) - 1)] if over >= 0 else None


def forget_tries(house: House, keys: Mapping[str, int]) -> None:
    """After a right one. What nobody tried for an hour goes too."""
    with house.writing() as session:
        session.execute(delete(Throttle).where(Throttle.who.in_(keys) | (Throttle.last_at < clock.now() - _FORGOTTEN)))
