"""The first run: a one-time link makes the first administrator. Its secret lies in the data folder until it is used."""

import os
import secrets
import tempfile
from pathlib import Path

from sqlalchemy.orm import Session

from app.db import House
from app.errors import NotFound, Reason
from app.journal.act import SYSTEM, By, act
from app.naming.resolve import code_of
from app.people.people import add_person, there_is_an_administrator
from app.people.secrets import keep_secret, new_secret

_FILE = "first-administrator"


def link(house: House) -> str | None:
    """The path of the one-time link, made if it is not there; None once there is an administrator."""
    with house.reading() as session:
        if there_is_an_administrator(session):
            return None
    house.data_dir.mkdir(parents=True, exist_ok=True)
    return f"/first/{_secret(house.data_dir / _FILE)}"


def _secret(path: Path) -> str:
    """Whole or not there: a server that is killed while it writes leaves no empty one behind, which would lead nowhere for ever."""
    if not (path.exists() and path.read_text()):
        handle, beside = tempfile.mkstemp(prefix=f"{_FILE}-", dir=path.parent)  # for its owner only
        with os.fdopen(handle, "w") as file:
            file.write(secrets.token_urlsafe(24))
        os.replace(beside, path)
    return path.read_text()


def check(house: House, secret: str) -> None:
    with house.reading() as session:
        if there_is_an_administrator(session):
            raise _used()
    try:
        kept = (house.data_dir / _FILE).read_bytes()
    except FileNotFoundError:
        raise _no_link() from None
    if not secrets.compare_digest(kept, secret.encode()):
        raise _no_link()


def make_administrator(house: House, secret: str, name: str, password: str) -> str:
    """The first administrator's badge code. The link works once."""
    check(house, secret)
    new = new_secret("password", password, (name,), cheap=house.settings.cheap_passwords)

    def verb(session: Session, by: By) -> dict[str, str]:
        if there_is_an_administrator(session):
            raise _used()
        person = add_person(session, by, name, ["administer", "engineer"])
        keep_secret(session, by, person.id, new, given=False)
        return {"person": code_of(session, "person", person.id)}

    answer = act(house, SYSTEM, "make_administrator", {"name": name}, verb)
    (house.data_dir / _FILE).unlink(missing_ok=True)
    return str(answer.body["person"])


def _used() -> NotFound:
    why = Reason("unknown_code", "The first link works once, and was used.", "Sign in if it was you; else ask them to add you.")
    return NotFound("There is an administrator already.", why)


def _no_link() -> NotFound:
    why = Reason("unknown_code", "It is not the one that the first start of the server printed.", "Take the link from the server's log.")
    return NotFound("This link leads nowhere.", why)
