"""Which entry was the first that was recorded since a time: numbers and times run the same way, so that a few looks find it among millions."""

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.journal.models import Entry


def first_since(session: Session, at: datetime) -> int:
    """Its number, or one more than the newest. Where a clock was set back, it may be one of the hour around it."""
    low, high = 1, (session.scalar(select(func.max(Entry.id))) or 0) + 1
    while low < high:
        middle = (low + high) // 2
        found = session.execute(select(Entry.id, Entry.recorded_at).where(Entry.id >= middle).order_by(Entry.id).limit(1)).first()
        if found is None or found.recorded_at >= at:
            high = middle
        else:
            low = found.id + 1
    return low
