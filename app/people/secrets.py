"""PINs and passwords: Argon2 hashes. Made and checked before an act begins, never under its locks: each takes a tenth of a second."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from argon2 import PasswordHasher, profiles
from argon2.exceptions import InvalidHashError, VerifyMismatchError
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import NotAllowed, Reason, bad_input
from app.journal.act import By, lock
from app.people.models import GivenSecret, Person, Secret
from app.people.sessions import end_sessions

_LEAST = {"pin": 4, "password": 8}
_MOST = 200
_TRIED_FIRST = 3000  # guesses: as many as OWASP ASVS 5.0, 6.2.4, asks common passwords of
_ESTIMATED = 24  # signs of a password: 72 that may each stand for a letter (4, @, 8) took seven seconds of a processor that all scans share
_CONTEXT = ("reelroot", "password", "factory")


@dataclass(frozen=True)
class NewSecret:
    """A PIN or password that may be kept: only its hash is left."""

    kind: str
    hash: str


def called(kind: str) -> str:
    """As people read it: "PIN", "password"."""
    return "PIN" if kind == "pin" else kind


def set_secret(session: Session, by: By, person: int, kind: str, secret: str, *, cheap: bool = False) -> None:
    """As its owner does, for setting up, where no one waits at the lock: hashes inside the act."""
    keep_secret(session, by, person, new_secret(kind, secret, cheap=cheap), given=False)


def new_secret(kind: str, secret: str, about: Sequence[str] = (), *, cheap: bool = False) -> NewSecret:
    """A PIN (digits, for enrolled terminals) or a password. Call before the act. `about`: what others know of the person, name and badge."""
    if kind not in _LEAST:
        raise bad_input("That is neither a PIN nor a password.", "kind", f"{kind!r} is not pin or password.", "Choose one of them.")
    if not _LEAST[kind] <= len(secret) <= _MOST:
        raise bad_input(f"The {called(kind)} is too short or too long.", kind, f"It needs {_LEAST[kind]} to {_MOST} characters.", "Choose another.")
    if kind == "pin" and not (secret.isascii() and secret.isdigit()):
        raise bad_input("A PIN is digits.", "pin", "It has other characters.", "Choose digits only.")
    if kind == "password" and _is_common(secret, about):
        why = "It is among the thousands that are tried first: a common one, a row of keys, a repeat, or what is known of the person."
        raise bad_input("This password is easily guessed.", "password", why, "Choose another, like a few words that do not belong together.")
    return NewSecret(kind, hasher(cheap=cheap).hash(secret))


def check_again(kind: str, secret: str, again: str) -> None:
    """Of a form: what is typed unseen is typed twice, for a slip would lock its owner out."""
    if secret != again:
        why = f"The {called(kind)} was typed in two ways."
        raise bad_input(f"No {called(kind)} was set.", "again", why, "Type it again, in both fields alike.")


def _is_common(password: str, about: Sequence[str]) -> bool:
    """By its lists of common passwords, names and words, and by rows of keys, repeats and dates.

    A common password is refused wherever it stands in the list. The standard counts those alone that are long enough (6.2.4), and of the 3000
    first of them hardly a thousand are tried among the first 3000 of any length.
    """
    from zxcvbn import zxcvbn  # reads its lists when it is imported
    from zxcvbn.matching import RANKED_DICTIONARIES

    if password.casefold() in RANKED_DICTIONARIES["passwords"]:
        return True
    known = [word.casefold() for text in (*about, *_CONTEXT) for word in (text, *text.split())]
    if password.casefold().rstrip("0123456789!.-_ ") in known:
        return True
    return bool(zxcvbn(password[:_ESTIMATED], known)["guesses"] <= _TRIED_FIRST)


def keep_secret(session: Session, by: By, person: int, new: NewSecret, *, given: bool) -> None:
    """The one before stops working, and whoever signed in with it is signed out. `given`: by another, so that its owner must choose one first."""
    if given and by.actor.text == f"person:{person}":  # who finds their browser open would be them
        why = Reason("password", "One's own asks for the current one.", "Choose it on your own page.")
        raise NotAllowed(f"Your {called(new.kind)} is chosen, not given.", why)
    lock(session, Person, [person])
    for before in session.scalars(select(Secret).where(Secret.person == person, Secret.kind == new.kind, Secret.closed_e.is_(None))):
        before.closed_e = by.e
    session.flush()
    kept = Secret(e=by.e, person=person, kind=new.kind, hash=new.hash)
    session.add(kept)
    session.flush()
    if given:
        session.add(GivenSecret(e=by.e, secret=kept.id))
    end_sessions(session, person, by.now)
    session.flush()


def is_given(session: Session, person: int, kind: str) -> bool:
    """Whether it was another who gave it, and its owner has not chosen one yet."""
    query = select(GivenSecret.secret).join(Secret).where(Secret.person == person, Secret.kind == kind, Secret.closed_e.is_(None))
    return session.scalar(query) is not None


def is_right(session: Session, person: int, kind: str, secret: str, *, cheap: bool = False) -> bool:
    """Whether the secret is the person's. As slow for a person without one."""
    return right_one(session, person, kind, secret, cheap=cheap) is not None


def right_one(session: Session, person: int, kind: str, secret: str, *, cheap: bool = False) -> int | None:
    """The number of the secret, if it is the person's."""
    query = select(Secret.id, Secret.hash).where(Secret.person == person, Secret.kind == kind, Secret.closed_e.is_(None))
    number, kept = next(iter(session.execute(query)), (None, None))
    try:
        is_it = hasher(cheap=cheap).verify(kept or _nobody(cheap=cheap), secret[:_MOST]) and len(secret) <= _MOST
    except (VerifyMismatchError, InvalidHashError):
        return None
    return number if is_it else None


def is_in_force(session: Session, number: int) -> bool:
    return session.scalar(select(Secret.id).where(Secret.id == number, Secret.closed_e.is_(None))) is not None


@lru_cache(maxsize=2)
def hasher(*, cheap: bool) -> PasswordHasher:
    """`cheap` is for tests and the demo's building only."""
    return PasswordHasher.from_parameters(profiles.CHEAPEST) if cheap else PasswordHasher()


@lru_cache(maxsize=2)
def _nobody(*, cheap: bool) -> str:
    return hasher(cheap=cheap).hash("nobody has this")
