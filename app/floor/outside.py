"""Outside work: a move out, a run at the outside firm, a move back, with units counted out and back where that is said."""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from app.floor.counting import Counted, count_units
from app.floor.moves import Place, move_item
from app.journal.act import By


def send_out(session: Session, by: By, items: Sequence[int], firm: str) -> Place:
    """Panels, panel lots or loose lots leave for an outside firm. Held things stay here."""
    return [move_item(session, by, item, "outside", firm) for item in items][-1]


def bring_back(session: Session, by: By, items: Sequence[int], place: str = "") -> Place:
    """They are on the floor again. What the firm did to them is a run of its own (`steps.py`)."""
    return [move_item(session, by, item, "floor", place) for item in items][-1]


def count_back(session: Session, by: By, lot: int, units: int, method: str, u: float) -> Counted:
    """The units of a lot as counted when they came back, against the book."""
    return count_units(session, by, lot, units, method, u, reason="came back from outside")
