"""Tokens of machines: shown once, kept as their SHA-256, with the least rights and an end date."""

import hashlib
import secrets
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import Boolean, String, or_, select
from sqlalchemy.orm import Session

from app import clock
from app.db import Moment
from app.errors import bad_input, refuse, unknown
from app.journal.act import Actor, By, lock
from app.listed import ask, listed
from app.people.models import Token
from app.people.people import check_duties

USUAL_DAYS, MOST_DAYS = 365, 730  # our choice: a machine that nobody has looked after for two years shall be asked about


def make_token(
    session: Session, by: By, name: str, duties: tuple[str, ...], valid_until: datetime | None = None, *, may_state_facts: bool = False
) -> tuple[Token, str]:
    """A new token and its secret, which nobody sees again. It ends after a year, unless another day is stated."""
    check_duties(duties)
    if not name.strip() or not duties:
        raise bad_input("A token needs a name and a duty.", "name", "One of them is missing.", "Give both.")
    until = valid_until or by.now + timedelta(days=USUAL_DAYS)
    if until <= by.now:
        raise bad_input("A token needs a day to come.", "valid_until", "It has passed.", "Give a later one, or none.")
    if until > by.now + timedelta(days=MOST_DAYS + 1):  # a day is told by its date, and ends at its end
        raise bad_input("A token is not for ever.", "valid_until", f"That is more than {MOST_DAYS} days from now.", "Give an earlier day, or none.")
    secret = "rr_" + secrets.token_urlsafe(32)
    token = Token(
        e=by.e, name=name.strip(), hash=digest(secret), duties=",".join(sorted(duties)), may_state_facts=may_state_facts, valid_until=until
    )
    session.add(token)
    session.flush()
    return token, secret


def revoke_token(session: Session, by: By, token: int) -> None:
    lock(session, Token, [token])
    row = session.get(Token, token, populate_existing=True)
    if row is None:
        raise unknown(str(token), "the number of a token")
    if row.closed_e is not None:
        raise refuse("finished", f"Token {row.name} is revoked.", "Someone already revoked it.", "Make a new one.")
    row.closed_e = by.e


def tokens_in_force(session: Session) -> list[Token]:
    is_to_come = or_(Token.valid_until.is_(None), Token.valid_until > clock.now())
    return list(session.scalars(select(Token).where(Token.closed_e.is_(None), is_to_come).order_by(Token.id)))


class Bearer(NamedTuple):
    """Who calls with a token: a machine, and whether it may tell what was done without asking."""

    actor: Actor
    may_state_facts: bool


def bearer_of(session: Session, secret: str, now: datetime) -> Bearer | None:
    """Whose secret this is, if its token is in force. Asked at every call."""
    rows = ask(session, _IN_FORCE, hash=digest(secret))
    if not rows or (rows[0].valid_until is not None and now >= rows[0].valid_until):
        return None
    token = rows[0]
    return Bearer(Actor("machine", token.id, token.name, frozenset(token.duties.split(","))), token.may_state_facts)


_IN_FORCE = listed(
    "select id, name, duties, may_state_facts, valid_until from token where hash = :hash and closed_e is null", hash=String()
).columns(may_state_facts=Boolean(), valid_until=Moment())


def digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
