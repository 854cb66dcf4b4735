"""Until when a closed dry pack keeps its units dry. Its floor life once opened is as IPC/JEDEC J-STD-033 says for its level."""

from calendar import monthrange
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from app.errors import bad_input


def use_before(sealed_at: datetime, shelf_months: int, zone: str = "UTC") -> datetime:
    """The end of the shelf life of a sealed bag, in UTC. Our choice for months without that day: their last day."""
    if sealed_at.tzinfo is None:
        raise ValueError("a seal needs a time with its zone")
    local = sealed_at.astimezone(ZoneInfo(zone))
    years, month = divmod(local.month - 1 + shelf_months, 12)
    if shelf_months < 1 or local.year + years > 9998:
        why = f"{shelf_months} months end outside the calendar."
        raise bad_input("No such shelf life.", "shelf_months", why, "Give months from 1 up; 12 are usual.")
    day = min(local.day, monthrange(local.year + years, month + 1)[1])
    return local.replace(year=local.year + years, month=month + 1, day=day).astimezone(UTC)
