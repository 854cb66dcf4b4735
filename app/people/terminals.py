"""Floor terminals, enrolled for a station area: the browser keeps a secret in a cookie, and the PIN is enough there."""

import hashlib
import secrets
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input, refuse, unknown
from app.journal.act import By, lock
from app.naming.resolve import codes_of, give_code
from app.people.models import Terminal


@dataclass(frozen=True)
class Enrolled:
    id: int
    code: str
    area: str


def enrol_terminal(session: Session, by: By, area: str, *, instead_of: int | None = None) -> tuple[Terminal, str]:
    """A new terminal and the secret for its cookie. `instead_of`: the one that its browser was until now, whose cookie it overwrites."""
    if not area.strip():
        raise bad_input("A terminal stands in an area.", "area", "It is empty.", "Name the area, as the stations do.")
    if instead_of is not None:
        retire_terminal(session, by, instead_of)
    secret = secrets.token_urlsafe(32)
    terminal = Terminal(e=by.e, area=area.strip(), hash=hashlib.sha256(secret.encode()).hexdigest())
    session.add(terminal)
    session.flush()
    give_code(session, by, "terminal", terminal.id)
    return terminal, secret


def retire_terminal(session: Session, by: By, terminal: int) -> None:
    """Its cookie is worth nothing from now on, and whoever signed in there is signed out."""
    lock(session, Terminal, [terminal])
    row = session.get(Terminal, terminal, populate_existing=True)
    if row is None:
        raise unknown(str(terminal), "a terminal")
    if row.closed_e is not None:
        raise refuse("finished", "This terminal is retired.", "Someone already retired it.", "Enrol it again.")
    row.closed_e = by.e


def enrolled(session: Session) -> list[Enrolled]:
    """The terminals in use."""
    rows = list(session.scalars(select(Terminal).where(Terminal.closed_e.is_(None)).order_by(Terminal.area, Terminal.id)))
    codes = codes_of(session, "terminal", [row.id for row in rows])
    return [Enrolled(row.id, codes[row.id], row.area) for row in rows]
