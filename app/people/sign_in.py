"""Sign in and out: a badge or name, with a PIN at an enrolled terminal, with a password anywhere. A session is a random cookie, kept hashed."""

import hashlib
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import String, delete, select, update
from sqlalchemy.orm import Session

from app import clock
from app.db import House, Moment
from app.errors import NotAllowed, NotFound, Reason, Refused
from app.journal.act import lock
from app.listed import ask, listed
from app.naming.resolve import resolve
from app.people.addresses import network_of, place_of
from app.people.models import Person, SignIn, Terminal
from app.people.people import duties_of
from app.people.second_factor import factor_of, use_code
from app.people.secrets import is_given, is_in_force, is_right, right_one
from app.people.security import note
from app.people.sessions import LONGEST, is_open
from app.people.throttle import Try, begin_try, was_right

FACTOR = "factor"  # what is to be set up where a second one is asked for
_KEPT = timedelta(days=7)  # ended sessions are of no use to anybody


@dataclass(frozen=True)
class SignedIn:
    """A session in force: who, with which duties now, at which terminal, and the token of its forms.

    `must_choose`: the kind of secret that another gave and that opened it; until its owner has chosen one, it is for nothing else.
    """

    person: int
    name: str
    duties: frozenset[str]
    terminal: int | None
    area: str | None
    form_token: str
    must_choose: str | None = None


@dataclass(frozen=True)
class Browser:
    """Where a session is: its address, and what kind of program."""

    address: str = ""
    kind: str = ""


class NoLonger(NotAllowed):
    """What would have opened a session was taken away meanwhile."""

    def __init__(self) -> None:
        why = Reason("password", "Your PIN, password or second factor was changed at this very moment.", "Sign in with the new one.")
        super().__init__("You are not signed in.", why)


def sign_in(
    house: House, badge: str, secret: str, *, terminal: str | None, address: str, before: str | None = None, browser: str = "", code: str = ""
) -> str:  # fmt: skip
    """The secret of a new session. The session before it at this browser ends: its token is never used again.

    `code`: of the second factor, where its owner has set one up and this is no floor terminal, which is a factor by itself.
    """
    cheap = house.settings.cheap_passwords
    with house.reading() as session:
        person, place = _person(session, badge), terminal_of(session, terminal)
    # by person, however the badge was typed; at enrolled terminals apart, so that who guesses at a desk shuts nobody out of the floor; and where
    # that person was signed in before apart, so that who guesses elsewhere, be it at the same address, shuts nobody out of their own desk
    is_theirs = bool(person and place is None and before and owner_of(house, before) == person)
    whose, where = f"person {person}" if person else f"badge {digest(badge)}", f"terminal {place}" if place else f"address {place_of(address)}"
    whose += " at terminals" if place else " at a browser of theirs" if is_theirs else ""
    one = Try(whose, None if is_theirs else where)
    waits = _begin_try(house, one, person, place, address)
    with house.reading() as session:
        kinds = ("pin", "password") if place else ("password",)
        # all of them: as slow for a PIN as for a password
        right = [(kind, found) for kind in kinds if (found := right_one(session, person or 0, kind, secret, cheap=cheap)) is not None]
        may_enter = person is not None and bool(right) and bool(duties_of(session, person))
        must_choose = right[0][0] if person is not None and right and is_given(session, person, right[0][0]) else None
        has_factor = person is not None and place is None and factor_of(session, person) is not None
    if has_factor and may_enter:
        may_enter = use_code(house, person or 0, code, clock.now())
    elif may_enter and place is None and house.settings.second_factor:
        must_choose = must_choose or FACTOR
    if person is None or not may_enter:
        note(house, "wrong_secret", person=person, terminal=place, address=address)
        how = "badge, PIN or password" if place else "badge, password or code"
        raise NotAllowed("You are not signed in.", Reason("password", f"The {how} is wrong.", "Try again; a PIN works at enrolled terminals only."))
    was_right(house, one, waits)
    opened_by, who = right[0][1], person

    def is_so_still(session: Session) -> bool:
        return is_in_force(session, opened_by) and (place is not None or (factor_of(session, who) is not None) == has_factor)

    token = begin_session(
        house, person, place, before=before, browser=Browser(address, browser), must_choose=must_choose, is_so_still=is_so_still
    )  # fmt: skip
    note(house, "signed_in", person=person, terminal=place, address=address)
    return token


def reopen(house: House, badge: str, *, terminal: str | None, before: str | None = None, browser: Browser | None = None) -> str | None:
    """The badge alone, at the terminal where its owner gave a secret within the shift and did not sign out. None: the secret is asked for."""
    with house.reading() as session:
        person, place = _person(session, badge), terminal_of(session, terminal)
        query = select(SignIn.begun_at).where(SignIn.person == person, SignIn.terminal == place, SignIn.reopens_until > clock.now())
        newest = query.order_by(SignIn.begun_at.desc()).limit(1)
        begun_at = session.scalar(newest) if person and place else None
        if person is None or begun_at is None or not duties_of(session, person):
            return None
    try:
        token = begin_session(
            house, person, place, before=before, begun_at=begun_at, browser=browser, is_so_still=lambda s: s.scalar(newest) is not None
        )  # fmt: skip
    except NoLonger:
        return None
    note(house, "reopened", person=person, terminal=place, address=browser.address if browser else "")
    return token


def begin_session(
    house: House, person: int, terminal: int | None, *, before: str | None = None, begun_at: datetime | None = None,
    browser: Browser | None = None, must_choose: str | None = None, is_so_still: Callable[[Session], bool] | None = None,
) -> str:  # fmt: skip
    """The secret of a new session of someone who has just proved who they are; `begun_at`: when they proved it, if earlier.

    `is_so_still`: asked when nothing about the person can change any more. Who knows a password could keep trying while its owner gives it up,
    and of all their sessions one would begin just after the others had been ended.
    """
    token, now, at = secrets.token_urlsafe(32), clock.now(), browser or Browser()
    begun = begun_at or now
    with house.writing() as session:
        if is_so_still is not None:
            lock(session, Person, [person])
            if not is_so_still(session):
                raise NoLonger
        if before is not None and (old := session.get(SignIn, digest(before))) is not None:
            old.ended_at = old.ended_at or now
        session.execute(delete(SignIn).where(SignIn.begun_at < now - _KEPT))
        session.add(
            SignIn(
                hash=digest(token), person=person, terminal=terminal, begun_at=begun, seen_at=now, ended_at=None,
                reopens_until=begun + LONGEST if terminal and not must_choose else None, must_choose=must_choose,
                browser=at.kind, network=network_of(at.address),
            )
        )  # fmt: skip
    return token


def sign_out(house: House, token: str) -> None:
    with house.writing() as session:
        if (row := session.get(SignIn, digest(token))) is not None:
            row.ended_at = clock.now()
            mine = (SignIn.person == row.person) & (SignIn.terminal == row.terminal)
            session.execute(update(SignIn).where(mine).values(reopens_until=None))  # who signs out wants the PIN asked again


# a row a duty: who has none is not signed in
_SIGNED_IN = listed(
    """
    select s.person, s.terminal, s.begun_at, s.seen_at, s.ended_at, s.must_choose, p.name, d.duty, t.area, t.closed_e as retired
    from sign_in s join person p on p.id = s.person join person_duty d on d.person = s.person and d.closed_e is null
    left join terminal t on t.id = s.terminal where s.hash = :hash
    """,
    hash=String(),
).columns(begun_at=Moment(), seen_at=Moment(), ended_at=Moment())


def signed_in(house: House, token: str | None, *, by_itself: bool = False) -> SignedIn | None:
    """The session of a cookie, if it is in force. Seen at most once a minute, to spare writes.

    `by_itself`: a page asks that renews itself. That shows nobody at the desk, so the session still ends when it is idle.
    """
    if not token:
        return None
    now = clock.now()
    with house.reading() as session:
        rows = ask(session, _SIGNED_IN, hash=digest(token))
    if not rows:
        return None
    row = rows[0]
    if row.retired is not None or not is_open(row, now):
        return None
    if not by_itself and now - row.seen_at > timedelta(minutes=1):
        with house.writing() as session:
            session.execute(update(SignIn).where(SignIn.hash == digest(token)).values(seen_at=now))
    return SignedIn(row.person, row.name, frozenset(one.duty for one in rows), row.terminal, row.area, form_token(token), row.must_choose)


def owner_of(house: House, token: str) -> int | None:
    """Whose session a cookie is or was, whether or not it is in force: for nothing but to tell who signs in again."""
    with house.reading() as session:
        return session.scalar(select(SignIn.person).where(SignIn.hash == digest(token)))


def check_signature(house: House, person: int, password: str | None, address: str, *, is_brought: bool = False) -> None:
    """A signature asks for the password again, whoever is signed in, and not one that another gave: the giver could sign with it.

    `is_brought`: to a call of someone else's. Call before the act, never under its locks.
    """
    wrong = Reason("password", "The password is wrong or missing.", "Give your password to sign.")
    check_secret(house, person, ("password",), password, address, NotAllowed("Nothing was signed.", wrong), is_brought=is_brought)
    with house.reading() as session:
        if is_given(session, person, "password"):
            why = Reason("password", "Someone else gave you this password.", "Sign in with it, choose one of your own, and sign with that.")
            raise NotAllowed("Nothing was signed.", why)


def check_secret(
    house: House, person: int, kinds: Sequence[str], secret: str | None, address: str, wrong: NotAllowed, *, is_brought: bool = False
) -> None:
    """That it is one of the person's, before something that weighs; `wrong` is what is said if not.

    What is brought to others' calls is counted apart: who guesses there keeps nobody from signing in a session of their own.
    """
    one = Try(f"brought signature {person}", f"signing at {place_of(address)}") if is_brought else Try(f"signature {person}", None)
    waits = _begin_try(house, one, person, None, address)
    with house.reading() as session:
        right = [is_right(session, person, kind, secret or "", cheap=house.settings.cheap_passwords) for kind in kinds]
    if not any(right):
        note(house, "wrong_signature", person=person, address=address)
        raise wrong
    was_right(house, one, waits)


def _begin_try(house: House, one: Try, person: int | None, terminal: int | None, address: str) -> datetime | None:
    try:
        return begin_try(house, one)
    except Refused:
        note(house, "made_to_wait", person=person, terminal=terminal, address=address)
        raise


def is_terminal(house: House, token: str | None) -> bool:
    """Whether a browser's cookie is that of an enrolled terminal: a PIN is enough there."""
    with house.reading() as session:
        return terminal_of(session, token) is not None


def form_token(token: str) -> str:
    return digest("form " + token)[:32]


def digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _person(session: Session, badge: str) -> int | None:
    """By badge code, or by a name that only one has; in whatever letters, small or capital, as long as no two differ by them alone."""
    try:
        return resolve(session, badge, "person").id
    except NotFound:
        if not badge.isprintable():
            return None
    name = badge.strip()
    names = {one: other for one, other in session.execute(select(Person.id, Person.name))}  # a database folds the letters of English alone
    as_it_is = [one for one, other in names.items() if other == name]
    alike = as_it_is or [one for one, other in names.items() if other.casefold() == name.casefold()]
    return alike[0] if len(alike) == 1 else None


def terminal_of(session: Session, token: str | None) -> int | None:
    """The enrolled terminal that a browser's cookie is of."""
    return session.scalar(select(Terminal.id).where(Terminal.hash == digest(token), Terminal.closed_e.is_(None))) if token else None
