"""The only clock: UTC with zone; and the site's, for people to read."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo


def now() -> datetime:
    return datetime.now(UTC)


def told(moment: datetime, zone: str) -> str:
    """ "2026-11-25 23:10 CET": a time as people of that zone read it, with the zone said."""
    local = moment.astimezone(ZoneInfo(zone))
    return f"{local:%Y-%m-%d %H:%M} {local.tzname()}"


def day(moment: datetime, zone: str) -> str:
    """ "2026-11-25": the date that people of that zone read."""
    return moment.astimezone(ZoneInfo(zone)).date().isoformat()
