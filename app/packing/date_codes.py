"""Date codes: the ISO 8601 week of the end of taping, in the site's zone, as YYWW of the week-year."""

from datetime import datetime
from zoneinfo import ZoneInfo


def date_code(moment: datetime, zone: str) -> str:
    """ISO 8601 week date: 2021-01-03 lies in 2020-W53 and is 2053."""
    year, week, _ = moment.astimezone(ZoneInfo(zone)).isocalendar()
    return f"{year % 100:02d}{week:02d}"
