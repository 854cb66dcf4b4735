"""Who tried what: sign-ins, right and wrong, tries while made to wait, what was refused for want of a duty, forms from elsewhere,
what nobody sends by mistake, files in which the site's scanner found something.

They are no entries of the journal: its chain only grows, is sealed and kept for ever, and a stranger at the sign-in could make it grow. Here
tries are a number in the row of their hour, kind, person, terminal and address; a day has so many rows and no more, and they go after ninety
days. They are counted in memory and written every few seconds by the server's timer, so that who tries a thousand times a second costs a
thousand additions and one write. What was counted since the last write is lost with a process that is killed. No secret and nothing that was
typed is kept: a badge that nobody has may be a password typed into the wrong field.
"""

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from weakref import WeakKeyDictionary

from sqlalchemy import delete, func, select
from sqlalchemy.dialects import postgresql, sqlite

from app import clock
from app.db import House
from app.people.addresses import place_of
from app.people.models import SecurityEvent

KINDS: Mapping[str, str] = {  # closed; the words stand on the page
    "signed_in": "signed in",
    "reopened": "opened a session again by the badge",
    "wrong_secret": "wrong badge, PIN, password or code",
    "made_to_wait": "tried while made to wait",
    "wrong_signature": "wrong password for a signature or a change",
    "chose_secret": "chose a PIN or password",
    "set_factor": "set up a second factor",
    "ended_sessions": "ended sessions of their own",
    "not_allowed": "was refused for want of a duty",
    "unknown_token": "a token that is not in force",
    "from_elsewhere": "sent from another site, or a stale form",
    "wrong_link": "a wrong link for the first administrator",
    "crafted": "sent what no page, terminal or machine sends of itself",
    "suspect_file": "sent a file in which the scanner found something",
}
CARE = ("wrong_secret", "made_to_wait", "wrong_signature", "not_allowed", "unknown_token", "from_elsewhere", "wrong_link", "crafted", "suspect_file")
_KEPT = timedelta(days=90)
_MOST_A_DAY = 2000  # rows: beyond that kinds are counted, and no longer who and where
_MOST_WAITING = 2000


@dataclass(frozen=True, order=True)
class _Tried:
    hour: datetime
    kind: str
    person: int = 0
    terminal: int = 0
    address: str = ""

    @property
    def bare(self) -> "_Tried":
        return _Tried(self.hour, self.kind)


_Times = tuple[int, datetime, datetime]  # how often, first, last
_waiting: "WeakKeyDictionary[House, dict[_Tried, _Times]]" = WeakKeyDictionary()
_lock = threading.Lock()


def note(house: House, kind: str, *, person: int | None = None, terminal: int | None = None, address: str = "") -> None:
    """One more. It never asks the database, and never fails."""
    if kind not in KINDS:
        raise ValueError(f"unknown kind of security event: {kind}")
    now = clock.now()
    hour = now.replace(minute=0, second=0, microsecond=0)
    _count(house, {_Tried(hour, kind, person or 0, terminal or 0, place_of(address)): (1, now, now)})


def write_noted(house: House) -> None:
    """What was counted goes into the table: by the server's timer, and before the page is read."""
    with _lock:
        noted = _waiting.pop(house, {})
    if not noted:
        return
    try:
        _write(house, noted)
    except Exception:
        _count(house, noted)  # the next round
        raise


def forget_old_events(house: House) -> None:
    with house.writing() as session:
        session.execute(delete(SecurityEvent).where(SecurityEvent.hour < clock.now() - _KEPT))


def _count(house: House, more: Mapping[_Tried, _Times]) -> None:
    with _lock:
        _add(_waiting.setdefault(house, {}), more)


def _add(noted: dict[_Tried, _Times], more: Mapping[_Tried, _Times]) -> None:
    for tried, (times, first, last) in more.items():
        key = tried if tried in noted or len(noted) < _MOST_WAITING else tried.bare
        before = noted.get(key)
        noted[key] = (before[0] + times, min(before[1], first), max(before[2], last)) if before else (times, first, last)


def _write(house: House, noted: Mapping[_Tried, _Times]) -> None:
    insert = postgresql.insert if house.kind == "postgresql" else sqlite.insert
    with house.writing() as session:
        day = clock.now() - timedelta(days=1)
        room = _MOST_A_DAY - (session.scalar(select(func.count()).select_from(SecurityEvent).where(SecurityEvent.hour > day)) or 0)
        fitted: dict[_Tried, _Times] = {}
        for n, (tried, times) in enumerate(sorted(noted.items())):
            _add(fitted, {tried if n < room else tried.bare: times})
        add = insert(SecurityEvent)
        add = add.on_conflict_do_update(
            index_elements=["hour", "kind", "person", "terminal", "address"],
            set_={"times": SecurityEvent.times + add.excluded.times, "last_at": add.excluded.last_at},
        )
        rows = [vars(tried) | {"times": times, "first_at": first, "last_at": last} for tried, (times, first, last) in sorted(fitted.items())]
        session.execute(add, rows)
