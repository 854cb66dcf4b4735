"""Who may correct what was entered wrongly: who did it, within the shift, if nothing came after; later a lead."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import Reason, bad_input
from app.journal.act import By
from app.journal.models import Entry
from app.ledger.corrections import ContentCorrection, MountCorrection, MoveCorrection

SHIFT = timedelta(hours=12)  # our choice: the longest shift; a shorter one is not asked of the catalogue


@dataclass(frozen=True)
class Corrected:
    """By whom, when and why a row was corrected, and the number of the right one (none: it never was)."""

    right: int | None
    reason: str
    who: str
    at: datetime


def corrections_of(
    session: Session, of: type[MountCorrection] | type[ContentCorrection] | type[MoveCorrection], rows: Iterable[int]
) -> dict[int, Corrected]:
    """The corrections of such rows, by the number of the wrong row."""
    key = of.__mapper__.primary_key[0]
    query = select(key, of.right, of.reason, Entry.actor_name, Entry.recorded_at).join(Entry, Entry.id == of.e).where(key.in_(list(rows)))
    return {row: Corrected(*facts) for row, *facts in session.execute(query)}


def why_not_by(session: Session, by: By, entry: int, *, came_after: bool) -> list[Reason]:
    """Why the actor may not correct what an entry wrote; empty when they may."""
    if "lead" in by.actor.duties:
        return []
    found = []
    wrote = session.get_one(Entry, entry)
    if (wrote.actor_kind, wrote.actor) != (by.actor.kind, by.actor.id):
        found.append(Reason("duty", f"{wrote.actor_name} entered it.", "Ask the person who entered it, or a lead."))
    if by.now - wrote.recorded_at > SHIFT:
        found.append(Reason("duty", "It was entered in an earlier shift.", "Ask a lead."))
    if came_after:
        found.append(Reason("changed", "Later work on the same things was entered after it.", "Ask a lead."))
    return found


def checked_words(reason: str) -> str:
    if not reason.strip():
        raise bad_input("A correction needs a reason.", "reason", "It is empty.", "Say what was wrong.")
    return reason.strip()
