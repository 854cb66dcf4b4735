"""A code that changes each half minute, made by a device that its owner carries: beside the password at a desk (RFC 6238, time-based one-time).

Signing in at a floor terminal has two factors already, the enrolled terminal and the PIN. The seed lies in the database as it is, as both
sides must have it: who reads the database has that factor, and still no password.
"""

import base64
import hashlib
import hmac
import secrets
from datetime import datetime
from urllib.parse import quote

from sqlalchemy import select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from app.db import House
from app.errors import NotAllowed, Reason, refuse
from app.journal.act import By, lock
from app.people.models import Person, SecondFactor, SecondFactorUse

DIGITS, SECONDS = 6, 30  # what every authenticator takes; RFC 6238, 5.2: thirty seconds
_DRIFT = 1  # steps that a device may be before or behind, as the RFC recommends
_SEED_BYTES = 20  # RFC 4226, 4, R6: 160 bits


def new_seed() -> str:
    return base64.b32encode(secrets.token_bytes(_SEED_BYTES)).decode()


def code_at(seed: str, step: int, digits: int = DIGITS) -> str:
    """RFC 4226, 5.3: HMAC-SHA-1 of the step, four bytes from where its last half byte says, and their last digits."""
    made = hmac.new(base64.b32decode(seed), step.to_bytes(8, "big"), hashlib.sha1).digest()
    at = made[-1] & 15
    return str((int.from_bytes(made[at : at + 4], "big") & 0x7FFFFFFF) % 10**digits).zfill(digits)


def step_of(seed: str, code: str, now: datetime) -> int | None:
    """The half minute, now or just before or after, whose code it is. All are compared, in the same time whatever was typed."""
    this, typed = int(now.timestamp()) // SECONDS, "".join(code.split()).encode()
    right = [step for step in range(this - _DRIFT, this + _DRIFT + 1) if hmac.compare_digest(code_at(seed, step).encode(), typed)]
    return right[-1] if right else None


def address_of(seed: str, badge: str) -> str:
    """What an authenticator reads from the picture, in the form that they agreed on."""
    return f"otpauth://totp/Reelroot:{quote(badge)}?secret={seed}&issuer=Reelroot&digits={DIGITS}&period={SECONDS}"


def factor_of(session: Session, person: int) -> SecondFactor | None:
    return session.scalar(select(SecondFactor).where(SecondFactor.person == person, SecondFactor.closed_e.is_(None)))


def set_factor(session: Session, by: By, person: int, seed: str) -> None:
    """The one before is worth nothing from now on."""
    lock(session, Person, [person])
    if (before := factor_of(session, person)) is not None:
        before.closed_e = by.e
        session.flush()
    session.add(SecondFactor(e=by.e, person=person, seed=seed))


def end_factor(session: Session, by: By, person: int) -> None:
    """A device is lost: an administrator who knows that it is they who ask, and another than they."""
    if by.actor.text == f"person:{person}":  # who has a PIN of theirs alone would be rid of it
        why = Reason("password", "One's own is ended by another administrator.", "Ask one.")
        raise NotAllowed("Your second factor is not ended.", why)
    lock(session, Person, [person])
    if (factor := factor_of(session, person)) is None:
        raise refuse("finished", "There is no second factor.", "None was set up, or it was ended before.", "There is nothing to do.")
    factor.closed_e = by.e


def use_code(house: House, person: int, code: str, now: datetime) -> bool:
    """Whether it is a right code; each half minute's is right once."""
    with house.reading() as session:
        factor = factor_of(session, person)
        step = step_of(factor.seed, code, now) if factor else None
    if step is None:
        return False
    insert = postgresql.insert if house.kind == "postgresql" else sqlite.insert
    add = insert(SecondFactorUse.__table__).values(person=person, step=step)  # type: ignore[arg-type]
    with house.writing() as session:
        newer = add.on_conflict_do_update(index_elements=["person"], set_={"step": step}, where=SecondFactorUse.step < step)
        return bool(session.execute(newer.returning(SecondFactorUse.__table__.c.step)).all())
