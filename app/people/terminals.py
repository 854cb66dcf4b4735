"""Floor terminals, enrolled for a station area: the browser keeps a secret in a cookie, and the PIN is enough there."""

import hashlib
import secrets

from sqlalchemy.orm import Session

from app.errors import bad_input, refuse
from app.journal.act import By
from app.naming.resolve import give_code
from app.people.models import Terminal


def enrol_terminal(session: Session, by: By, area: str) -> tuple[Terminal, str]:
    """A new terminal and the secret for its cookie."""
    if not area.strip():
        raise bad_input("A terminal stands in an area.", "area", "It is empty.", "Name the area, as the stations do.")
    secret = secrets.token_urlsafe(32)
    terminal = Terminal(e=by.e, area=area.strip(), hash=hashlib.sha256(secret.encode()).hexdigest())
    session.add(terminal)
    session.flush()
    give_code(session, by, "terminal", terminal.id)
    return terminal, secret


def retire_terminal(session: Session, by: By, terminal: int) -> None:
    row = session.get_one(Terminal, terminal)
    if row.closed_e is not None:
        raise refuse("finished", "This terminal is retired.", "Someone did it before.", "Enrol it again.")
    row.closed_e = by.e
