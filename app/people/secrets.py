"""PINs and passwords: Argon2 hashes. Checked before an act begins, never under its locks."""

from functools import lru_cache

from argon2 import PasswordHasher, profiles
from argon2.exceptions import InvalidHashError, VerifyMismatchError
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input
from app.journal.act import By
from app.people.models import Secret

_LEAST = {"pin": 4, "password": 8}
_MOST = 200


def set_secret(session: Session, by: By, person: int, kind: str, secret: str, *, cheap: bool = False) -> None:
    """A new PIN (digits, for enrolled terminals) or password; the one before stops working."""
    if kind not in _LEAST:
        raise bad_input("That is no secret.", "kind", f"{kind!r} is not pin or password.", "Choose one of them.")
    if not _LEAST[kind] <= len(secret) <= _MOST:
        raise bad_input(f"The {kind} is too short or too long.", kind, f"It needs {_LEAST[kind]} to {_MOST} characters.", "Choose another.")
    if kind == "pin" and not secret.isdigit():
        raise bad_input("A PIN is digits.", "pin", "It has other signs.", "Choose digits only.")
    for before in session.scalars(select(Secret).where(Secret.person == person, Secret.kind == kind, Secret.closed_e.is_(None))):
        before.closed_e = by.e
    session.flush()
    session.add(Secret(e=by.e, person=person, kind=kind, hash=hasher(cheap=cheap).hash(secret)))
    session.flush()


def is_right(session: Session, person: int, kind: str, secret: str, *, cheap: bool = False) -> bool:
    """Whether the secret is the person's. As slow for a person without one."""
    kept = session.scalar(select(Secret.hash).where(Secret.person == person, Secret.kind == kind, Secret.closed_e.is_(None)))
    try:
        return hasher(cheap=cheap).verify(kept or _nobody(cheap=cheap), secret[:_MOST]) and kept is not None
    except (VerifyMismatchError, InvalidHashError):
        return False


@lru_cache(maxsize=2)
def hasher(*, cheap: bool) -> PasswordHasher:
    """`cheap` is for tests and the demo's building only."""
    return PasswordHasher.from_parameters(profiles.CHEAPEST) if cheap else PasswordHasher()


@lru_cache(maxsize=2)
def _nobody(*, cheap: bool) -> str:
    return hasher(cheap=cheap).hash("nobody has this")
