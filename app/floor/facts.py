"""Gate intentions, record facts: a broken rule refuses what is about to be done, and holds what has been done."""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from app.errors import Reason, Refused
from app.holds.place import hold_item, hold_panels
from app.journal.act import By


def refuse_or_hold(
    session: Session, by: By, what: str, reasons: Sequence[Reason], *, panels: Sequence[int] = (), loose: Sequence[int] = ()
) -> None:
    """Raises `Refused` for an intention; for a fact, places one hold on the panels and one on each loose lot."""
    if not reasons:
        return
    if not by.fact:
        raise Refused(what, *reasons)
    words = " ".join(["Recorded as a fact.", *(reason.brief for reason in reasons)])
    if panels:
        hold_panels(session, by, list(panels), words)
    for lot in loose:
        hold_item(session, by, "loose", lot, words)
