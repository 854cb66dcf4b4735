"""The only clock: UTC with zone; and the site's, for people to read."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from app.errors import bad_input

MAY_DIFFER = timedelta(minutes=1)  # what a person's or a machine's clock may be ahead of ours: one further ahead is wrong


def now() -> datetime:
    return datetime.now(UTC)


def local(moment: datetime, zone: str) -> datetime:
    """As clocks there show it. The end of the year 9999, by which many a system says never, is past all of theirs east of Greenwich: it stays UTC."""
    try:
        return moment.astimezone(ZoneInfo(zone))
    except OverflowError:
        return moment


def as_shown(here: datetime, field: str) -> datetime:
    """`here`, if clocks of its zone ever showed it: over an hour in spring, mostly, they are set forward."""
    try:
        again = here.astimezone(UTC).astimezone(here.tzinfo)
    except OverflowError:  # of the first day or the last of all that there are; said where UTC is wanted of it
        return here
    if again.replace(tzinfo=None) == here.replace(tzinfo=None):
        return here
    why = f"No clock in {here.tzinfo} showed {here:%H:%M} on {here:%Y-%m-%d}: clocks were set forward over it."
    raise bad_input("That time never was.", field, why, "Give the time that the clock showed.")


def told(moment: datetime, zone: str) -> str:
    """ "2026-11-25 23:10 CET": a time as people of that zone read it, with the zone said."""
    here = local(moment, zone)
    return f"{here:%Y-%m-%d %H:%M} {here.tzname()}"


def day(moment: datetime, zone: str) -> str:
    """ "2026-11-25": the date that people of that zone read."""
    return local(moment, zone).date().isoformat()
