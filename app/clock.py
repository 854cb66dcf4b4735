"""The only clock: UTC with zone."""

from datetime import UTC, datetime, timedelta


def now() -> datetime:
    return datetime.now(UTC)


def as_utc(moment: datetime) -> datetime:
    """`moment` in UTC; a time without a zone is a mistake of the caller."""
    if moment.tzinfo is None:
        raise ValueError("a time without a zone")
    return moment.astimezone(UTC)


def hours_between(start: datetime, end: datetime) -> float:
    return (end - start) / timedelta(hours=1)
