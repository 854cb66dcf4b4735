"""Sign in and out: a badge with a PIN at an enrolled terminal, with a password anywhere. Failures are throttled by badge and address."""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.db import House
from app.errors import NotAllowed, NotFound, Reason, refuse
from app.naming.resolve import resolve
from app.people.models import Person, SignIn, Terminal, Throttle
from app.people.secrets import is_right

IDLE = timedelta(hours=1)
IDLE_AT_TERMINAL = timedelta(hours=10)  # the badge reopens it within the shift
LONGEST = timedelta(hours=12)
_FREE_TRIES = 5
_WAITS = (timedelta(seconds=15), timedelta(minutes=1), timedelta(minutes=5))


@dataclass(frozen=True)
class SignedIn:
    """A session in force: who, at which terminal, and the token of its forms."""

    person: int
    name: str
    terminal: int | None
    area: str | None
    form_token: str


def sign_in(house: House, badge: str, secret: str, *, terminal: str | None, address: str, before: str | None = None) -> str:
    """The secret of a new session. The session before it at this browser ends: its token is never used again."""
    with house.reading() as session:
        now = clock.now()
        _wait_if_throttled(session, (f"badge {badge.strip().upper()[:60]}", f"address {address}"), now)
        person = _person(session, badge)
        place = _terminal(session, terminal)
        kinds = ("pin", "password") if place is not None else ("password",)
        right = any(is_right(session, person.id if person else 0, kind, secret, cheap=house.settings.cheap_passwords) for kind in kinds)
    if person is None or not right:
        _note_failure(house, badge, address, now)
        how = "badge, PIN or password" if place is not None else "badge or password"
        raise NotAllowed("You are not signed in.", Reason("password", f"The {how} is wrong.", "Try again; a PIN works at enrolled terminals only."))
    token = secrets.token_urlsafe(32)
    with house.writing() as session:
        if before is not None and (old := session.get(SignIn, _digest(before))) is not None:
            old.ended_at = now
        session.add(SignIn(hash=_digest(token), person=person.id, terminal=place.id if place else None, begun_at=now, seen_at=now, ended_at=None))
        for who in (f"badge {badge.strip().upper()[:60]}", f"address {address}"):
            if (throttle := session.get(Throttle, who)) is not None:
                session.delete(throttle)
    return token


def sign_out(house: House, token: str) -> None:
    with house.writing() as session:
        if (row := session.get(SignIn, _digest(token))) is not None:
            row.ended_at = clock.now()


def signed_in(house: House, token: str | None) -> SignedIn | None:
    """The session of a cookie, if it is in force. Seen at most once a minute, to spare writes."""
    if not token:
        return None
    now = clock.now()
    with house.reading() as session:
        row = session.get(SignIn, _digest(token))
        if row is None or row.ended_at is not None or now - row.begun_at > LONGEST:
            return None
        if now - row.seen_at > (IDLE if row.terminal is None else IDLE_AT_TERMINAL):
            return None
        terminal = session.get(Terminal, row.terminal) if row.terminal else None
        if terminal is not None and terminal.closed_e is not None:
            return None
        found = SignedIn(
            row.person, session.get_one(Person, row.person).name, row.terminal, terminal.area if terminal else None, _digest("form " + token)[:32]
        )
        stale = now - row.seen_at > timedelta(minutes=1)
    if stale:
        with house.writing() as session:
            session.get_one(SignIn, _digest(token)).seen_at = now
    return found


def check_signature(house: House, person: int, password: str | None, address: str) -> None:
    """A signature asks for the password again, whoever is signed in. Call before the act, never under its locks."""
    with house.reading() as session:
        now = clock.now()
        _wait_if_throttled(session, (f"signature {person}",), now)
        right = password is not None and is_right(session, person, "password", password, cheap=house.settings.cheap_passwords)
    if not right:
        _note_failure(house, f"signature {person}", address, now, prefix="")
        raise NotAllowed("Nothing was signed.", Reason("password", "The password is wrong or missing.", "Give your password to sign."))


def _person(session: Session, badge: str) -> Person | None:
    try:
        return session.get(Person, resolve(session, badge, "person").id)
    except NotFound:
        return session.scalar(select(Person).where(Person.name == badge.strip()))


def _terminal(session: Session, token: str | None) -> Terminal | None:
    if not token:
        return None
    return session.scalar(select(Terminal).where(Terminal.hash == _digest(token), Terminal.closed_e.is_(None)))


def _wait_if_throttled(session: Session, keys: tuple[str, ...], now: datetime) -> None:
    for key in keys:
        throttle = session.get(Throttle, key)
        if throttle is not None and throttle.until is not None and now < throttle.until:
            seconds = int((throttle.until - now).total_seconds()) + 1
            raise refuse("password", "Too many wrong tries.", f"Wait {seconds} seconds.", "Then try again, or ask an administrator.")


def _note_failure(house: House, badge: str, address: str, now: datetime, prefix: str = "badge ") -> None:
    """A person waits after five failures; an address, which a whole shift may share, after fifty."""
    with house.writing() as session:
        for key, free in ((f"{prefix}{badge.strip().upper()[:60]}", _FREE_TRIES), (f"address {address}", 10 * _FREE_TRIES)):
            row = session.get(Throttle, key)
            if row is None or now - row.last_at > timedelta(hours=1):
                if row is not None:
                    session.delete(row)
                    session.flush()
                row = Throttle(who=key, failures=0, until=None, last_at=now)
                session.add(row)
            row.failures, row.last_at = row.failures + 1, now
            if row.failures >= free:
                row.until = now + _WAITS[min(row.failures - free, len(_WAITS) - 1)]


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
