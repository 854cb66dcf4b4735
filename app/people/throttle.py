"""Guessing made slow. A try is counted before it is judged, so that many at once gain nothing; a right one wipes the count of its person.

Of its place a right one takes back no more than itself: whoever has an account of their own could guess for ever otherwise, signing in between.
A place forgets by the hour instead, for a shift that shares it types wrong now and then.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from app import clock
from app.db import House
from app.errors import TooManyTries
from app.people.models import Throttle

_FREE, _FREE_AT_ONE_PLACE = 5, 50  # of a person in all, of a place in an hour: a whole shift may share an address or a terminal
_WAITS = (timedelta(seconds=15), timedelta(minutes=1), timedelta(minutes=5))  # never for good: nobody can shut a colleague out
_FORGOTTEN = timedelta(hours=1)
_LEAK = _FORGOTTEN / _FREE_AT_ONE_PLACE


@dataclass(frozen=True)
class Try:
    """Whose secret is tried, and where; no place: at a browser that its owner was signed in at, where nobody else's tries count."""

    whose: str
    where: str | None


def begin_try(house: House, one: Try) -> datetime | None:
    """Counts it, and refuses while there is a wait. Answers until when its place waits for its sake, for `was_right`."""
    now = clock.now()
    insert = postgresql.insert if house.kind == "postgresql" else sqlite.insert
    keys = sorted(filter(None, (one.whose, one.where)))
    with house.writing() as session:
        # one that is there is locked by it: nobody forgets it before it is counted
        mine = insert(Throttle).on_conflict_do_update(index_elements=["who"], set_={"who": Throttle.who})
        session.execute(mine, [{"who": who, "failures": 0, "until": None, "last_at": now} for who in keys])
        rows = _locked(session, keys)
        for row in rows.values():
            if row.until is not None and now < row.until:
                raise TooManyTries(int((row.until - now).total_seconds()) + 1)
        whose = rows[one.whose]
        _count(whose, 0 if now - whose.last_at > _FORGOTTEN else whose.failures, _FREE, now, now)
        if one.where is None:
            return None
        where = rows[one.where]
        leaked = min(where.failures, max(0, (now - where.last_at) // _LEAK))
        left = where.failures - leaked
        _count(where, left, _FREE_AT_ONE_PLACE, now, where.last_at + leaked * _LEAK if left else now)
        return where.until


def _count(row: Throttle, failures: int, free: int, now: datetime, last_at: datetime) -> None:
    row.failures, row.last_at = failures + 1, last_at
    over = row.failures - free
    row.until = now + _WAITS[min(over, len(_WAITS) - 1)] if over >= 0 else None


def was_right(house: House, one: Try, waits_until: datetime | None) -> None:
    """`waits_until`: of `begin_try`. What nobody tried for an hour goes too.

    Nothing goes that is not locked here in its turn, or each might wait for the other: no old count that another has just now, and none of this
    person that came while the place was waited for, after another right try had wiped the one before. That is wiped by its own try.
    """
    old = select(Throttle.who).where(Throttle.last_at < clock.now() - _FORGOTTEN).with_for_update(skip_locked=True)
    with house.writing() as session:
        rows = _locked(session, list(filter(None, (one.whose, one.where))))
        if one.where is not None and (row := rows.get(one.where)) is not None:
            row.failures = max(0, row.failures - 1)
            row.until = None if row.until == waits_until else row.until
        wiped = Throttle.who.in_([who for who in (one.whose,) if who in rows])
        session.execute(delete(Throttle).where(wiped | Throttle.who.in_(old)))


def _locked(session: Session, keys: list[str]) -> dict[str, Throttle]:
    """In their order, as `begin_try` counts them: of two at once one waits for the other."""
    rows = session.scalars(select(Throttle).where(Throttle.who.in_(keys)).order_by(Throttle.who).with_for_update())
    return {row.who: row for row in rows}
