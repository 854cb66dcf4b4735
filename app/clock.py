"""The only clock: UTC with zone; and the site's, for people to read."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

MAY_DIFFER = timedelta(minutes=1)  # what a person's or a machine's clock may be ahead of ours: one further ahead is wrong


def now() -> datetime:
    return datetime.now(UTC)


def told(moment: datetime, zone: str) -> str:
    """ "2026-11-25 23:10 CET": a time as people of that zone read it, with the zone said."""
    local = moment.astimezone(ZoneInfo(zone))
    return f"{local:%Y-%m-%d %H:%M} {local.tzname()}"


def day(moment: datetime, zone: str) -> str:
    """ "2026-11-25": the date that people of that zone read."""
    return moment.astimezone(ZoneInfo(zone)).date().isoformat()
