"""The two marks of the board with their reasons: late and stuck. Pure.

Late: now and the standard time of what is left come after the due day's end. Stuck: waiting longer than 19 of 20 did at that step in the last
30 days (or than the limit that the step sets), held over 24 hours, or a run open beyond twice its standard. The limits are our choice.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from app.catalogue.definitions import Step
from app.floor.route_strip import minutes_in_words

HELD_HOURS = 24
RUN_TIMES_STANDARD = 2
WAIT_SHARE = 0.95
_MINUTE = timedelta(minutes=1)
LEAST_WAITS = 20  # fewer waits say nothing about their 95th percentile


@dataclass(frozen=True)
class Mark:
    """`kind`: late or stuck. `by`: how far it is over, to put the worst first."""

    kind: str
    reason: str
    by: timedelta


@lru_cache
def end_of(due: date, zone: str) -> datetime:
    """A due day ends with its last moment in the site's zone."""
    if due == date.max:  # how some systems write "at any time": no day comes after it
        return datetime.max.replace(tzinfo=UTC)
    return datetime.combine(due + timedelta(days=1), time(), ZoneInfo(zone)).astimezone(UTC)


def late(now: datetime, due: date | None, zone: str, left: Sequence[Step], spent: timedelta) -> Mark | None:
    """`left`: the steps not done yet, the first in work since `spent` (nothing, while it waits)."""
    if due is None or not left:
        return None
    first = max(timedelta(), timedelta(minutes=left[0].standard_minutes) - spent)
    work = first + timedelta(minutes=sum(step.standard_minutes for step in left[1:]))
    over = now + work - end_of(due, zone)
    if over <= timedelta():
        return None
    if now >= end_of(due, zone):
        return Mark("late", f"was due {due.isoformat()}, {in_hours(work)} of standard work left", over)
    return Mark("late", f"due {due.isoformat()}, {in_hours(work)} of standard work left: {in_hours(over)} too late at best", over)


def wait_limit(step: Step, waits: Sequence[float]) -> tuple[timedelta, str] | None:
    """The longest wait before a step that is no mark yet, and where it comes from. `waits`: minutes waited there, sorted."""
    if step.wait_limit_minutes is not None:
        return timedelta(minutes=step.wait_limit_minutes), "its limit"
    if len(waits) < LEAST_WAITS:
        return None
    return timedelta(minutes=quantile(waits, WAIT_SHARE)), "95 % of the waits there in 30 days"


def waits_too_long(waited: timedelta, limit: tuple[timedelta, str] | None) -> Mark | None:
    if limit is None or waited <= limit[0]:
        return None
    return Mark("stuck", f"waits {in_hours(waited)}; {limit[1]}: {in_hours(limit[0])}", waited - limit[0])


def held_too_long(held: timedelta, what: str) -> Mark | None:
    over = held - timedelta(hours=HELD_HOURS)
    return Mark("stuck", f"held {in_hours(held)} by {what}", over) if over > timedelta() else None


def runs_too_long(ran: timedelta, step: Step, where: str) -> Mark | None:
    over = ran - RUN_TIMES_STANDARD * timedelta(minutes=step.standard_minutes)
    if over <= timedelta():
        return None
    return Mark("stuck", f"runs {in_hours(ran)} at {where}; standard is {step.standard_minutes:g} min", over)


def quantile(values: Sequence[float], share: float) -> float:
    """Of sorted values, between neighbours in proportion (definition 7 of Hyndman and Fan, The American Statistician 50, 1996)."""
    at = share * (len(values) - 1)
    low = int(at)
    high = min(low + 1, len(values) - 1)
    return values[low] + (at - low) * (values[high] - values[low])


def in_hours(span: timedelta) -> str:
    """ "45 min", "3 h 05 min", "2 d 4 h"."""
    minutes = abs(span) // _MINUTE
    days, hours = minutes // 1440, minutes // 60
    if days:
        return f"{days} d {hours % 24} h"
    return minutes_in_words(minutes * 60)
