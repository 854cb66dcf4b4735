"""What a station was from when to when, from what was said of it and what ran there. Pure.

The six basic states of SEMI E10. Said `engineering`, a downtime or `non_scheduled` holds until something else is said. Said `standby`
holds until the next run begins. Else a station is productive while a run is open, standby while none is, and non-scheduled while
nothing runs outside the site's shifts. (How the states are derived from scans is our choice; the six and what they mean are E10's.)
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from app.catalogue.definitions import Site

Span = tuple[datetime, datetime]
NO_SHIFT = "no shift"  # the reason of a station that is non-scheduled because the site does not work then
_UNTIL_SAID = ("engineering", "scheduled_down", "unscheduled_down", "non_scheduled")


@dataclass(frozen=True)
class Said:
    state: str
    reason: str
    since: datetime


@dataclass(frozen=True)
class Spell:
    """One state, unbroken. `reason` is empty where nobody gave one and the runs say it."""

    state: str
    reason: str
    begin: datetime
    end: datetime


def spells_between(
    said: Sequence[Said], runs: Sequence[tuple[datetime, datetime | None]], unworked: Sequence[Span], begin: datetime, end: datetime
) -> list[Spell]:
    """`said` in the order of time, runs in any (one that is open has no end), `unworked` apart from each other and in order."""
    starts = sorted(start for start, _ in runs)
    busy = _joined([(start, stop or end) for start, stop in runs])
    moments = {begin, end} | {one.since for one in said} | {t for span in [*busy, *unworked] for t in span}
    found: list[Spell] = []
    for here, there in pairwise(sorted(t for t in moments if begin <= t <= end)):
        state, reason = _state_at(here, said, starts, busy, unworked)
        if found and (found[-1].state, found[-1].reason) == (state, reason):
            found[-1] = Spell(state, reason, found[-1].begin, there)
        else:
            found.append(Spell(state, reason, here, there))
    return found


def time_by_state(spells: Sequence[Spell]) -> dict[str, timedelta]:
    """How long each state lasted in all."""
    total: dict[str, timedelta] = {}
    for one in spells:
        total[one.state] = total.get(one.state, timedelta()) + (one.end - one.begin)
    return total


def unworked_between(site: Site, begin: datetime, end: datetime) -> list[Span]:
    """Times that no shift of the site covers; a site without shifts works always."""
    if not site.shifts:
        return []
    zone = ZoneInfo(site.zone)
    first, days = begin.astimezone(zone).date() - timedelta(days=1), (end - begin).days + 3
    worked = _joined([span for day in range(days) for span in _shifts_on(site, zone, first + timedelta(days=day))])
    edges = [begin, *(t for span in worked for t in span), end]
    gaps = [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
    return [(max(a, begin), min(b, end)) for a, b in gaps if max(a, begin) < min(b, end)]


def _shifts_on(site: Site, zone: ZoneInfo, day: date) -> list[Span]:
    """The shifts that begin on a day, in UTC; one that ends no later than it begins ends on the next day."""
    spans = []
    for shift in site.shifts:
        last = day if shift.ends > shift.begins else day + timedelta(days=1)
        spans.append((datetime.combine(day, shift.begins, zone).astimezone(UTC), datetime.combine(last, shift.ends, zone).astimezone(UTC)))
    return spans


def _state_at(t: datetime, said: Sequence[Said], starts: list[datetime], busy: list[Span], unworked: Sequence[Span]) -> tuple[str, str]:
    i = bisect_right(said, t, key=lambda one: one.since)
    if i:
        last = said[i - 1]
        begun_since = bisect_right(starts, t) > bisect_right(starts, last.since)
        if last.state in _UNTIL_SAID or (last.state == "standby" and not begun_since):
            return last.state, last.reason
    if _inside(t, busy):
        return "productive", ""
    return ("non_scheduled", NO_SHIFT) if _inside(t, unworked) else ("standby", "")


def _inside(t: datetime, spans: Sequence[Span]) -> bool:
    i = bisect_right(spans, t, key=lambda span: span[0])
    return i > 0 and t < spans[i - 1][1]


def _joined(spans: list[Span]) -> list[Span]:
    """The same time in spans that neither overlap nor touch."""
    found: list[Span] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((begin, end))
    return found
