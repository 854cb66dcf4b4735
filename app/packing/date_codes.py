"""Date codes on packs: four figures, the year of the week and the week, of the end of taping where the factory stands."""

from datetime import datetime
from zoneinfo import ZoneInfo


def date_code(ended_at: datetime, zone: str) -> str:
    """YYWW by ISO 8601 week dates (weeks begin on Monday, week 01 holds 4 January). YY is the year of the week, not of the day."""
    if ended_at.tzinfo is None:
        raise ValueError("a date code needs a time with its zone")
    week = ended_at.astimezone(ZoneInfo(zone)).isocalendar()
    return f"{week.year % 100:02d}{week.week:02d}"
