"""A person's open sessions: where each is, and the end of one or of all. A floor terminal's session that rests counts: the badge opens it again."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from app.journal.act import By, lock
from app.naming.resolve import codes_of
from app.people.models import Person, SignIn, Terminal

IDLE = timedelta(hours=1)
IDLE_AT_TERMINAL = timedelta(hours=10)  # the badge reopens it within the shift
LONGEST = timedelta(hours=12)
_HANDLE = 16  # signs of the digest
_BROWSERS = (("Edg", "Edge"), ("OPR", "Opera"), ("Firefox", "Firefox"), ("Chrome", "Chrome"), ("Safari", "Safari"))  # the first that is named
_SYSTEMS = (("Android", "Android"), ("iPhone", "iOS"), ("iPad", "iOS"), ("Windows", "Windows"), ("Mac OS", "macOS"), ("Linux", "Linux"))


@dataclass(frozen=True)
class OpenSession:
    """`handle` names it in a form and opens nothing. `rests`: at its terminal, until the badge is read there."""

    handle: str
    begun_at: datetime
    seen_at: datetime
    where: str
    browser: str
    rests: bool
    is_this: bool


def open_sessions(session: Session, person: int, now: datetime, this: str = "") -> list[OpenSession]:
    """The newest first. `this`: the digest of the cookie that asks."""
    query = (
        select(SignIn, Terminal.area)
        .outerjoin(Terminal, Terminal.id == SignIn.terminal)
        .where(SignIn.person == person, SignIn.begun_at > now - LONGEST, Terminal.closed_e.is_(None))
        .order_by(SignIn.seen_at.desc())
    )
    rows = [(row, area) for row, area in session.execute(query)]
    codes = codes_of(session, "terminal", list({row.terminal for row, _ in rows if row.terminal}))
    told: list[OpenSession] = []
    resting: set[int | None] = {row.terminal for row, _ in rows if is_open(row, now)}
    for row, area in rows:
        rests = not is_open(row, now)
        if rests and (row.terminal in resting or row.reopens_until is None or row.reopens_until <= now):
            continue  # of several that rest at one terminal the newest stands for all
        resting.add(row.terminal)
        where = f"terminal {codes[row.terminal]}, {area}" if row.terminal else row.network or "an address that was not kept"
        told.append(OpenSession(row.hash[:_HANDLE], row.begun_at, row.seen_at, where, row.browser, rests, row.hash == this))
    return told


def is_open(row: SignIn, now: datetime) -> bool:
    """By its own times; its terminal may be retired, and its owner's duties gone."""
    idle = IDLE if row.terminal is None else IDLE_AT_TERMINAL
    return row.ended_at is None and now - row.begun_at <= LONGEST and now - row.seen_at <= idle


def end_sessions(session: Session, person: int, now: datetime, *, keep: str = "") -> None:
    """All of a person, but the one with the digest `keep`; none is opened again by the badge alone."""
    mine = update(SignIn).where(SignIn.person == person, SignIn.hash != keep)
    session.execute(mine.where(SignIn.ended_at.is_(None)).values(ended_at=now))
    session.execute(mine.where(SignIn.reopens_until.is_not(None)).values(reopens_until=None))


def end_all(session: Session, by: By, person: int) -> int:
    """By an administrator, on the record: how many were open."""
    lock(session, Person, [person])
    number = len(open_sessions(session, person, by.now))
    end_sessions(session, person, by.now)
    return number


def end_session(session: Session, person: int, handle: str, now: datetime) -> bool:
    """One of a person's, by its handle; at a terminal the badge alone opens none of theirs again. False: there is none such."""
    named = select(SignIn).where(SignIn.person == person, SignIn.hash.startswith(handle, autoescape=True))
    row = session.scalar(named) if len(handle) == _HANDLE else None
    if row is None:
        return False
    row.ended_at = row.ended_at or now
    session.execute(update(SignIn).where(SignIn.person == person, SignIn.terminal == row.terminal).values(reopens_until=None))
    return True


def browser_of(agent: str) -> str:
    """ "Firefox on Linux": of what a browser says of itself no more is kept."""
    named = next((name for sign, name in _BROWSERS if sign in agent), "another program")
    system = next((name for sign, name in _SYSTEMS if sign in agent), "")
    return f"{named} on {system}" if system else named
