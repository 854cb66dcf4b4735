"""The site's production day and shifts: local times of day, turned into moments. A day may last 23 or 25 hours when the clocks change."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from app.catalogue.definitions import Site


@dataclass(frozen=True)
class Span:
    """From `begin` up to and not with `end`. `name`: a day as "2026-11-25", or a shift of it."""

    name: str
    day: date
    begin: datetime
    end: datetime

    @property
    def hours(self) -> float:
        return (self.end - self.begin) / timedelta(hours=1)

    def until(self, now: datetime) -> "Span":
        """What of it has passed."""
        return Span(self.name, self.day, self.begin, min(self.end, max(self.begin, now)))


def day_of(site: Site, moment: datetime) -> Span:
    """The production day that a moment falls into."""
    local = moment.astimezone(ZoneInfo(site.zone))
    day = local.date()
    if moment < _at(site, day, site.day_start):
        day -= timedelta(days=1)
    return the_day(site, day)


def the_day(site: Site, day: date) -> Span:
    return Span(day.isoformat(), day, _at(site, day, site.day_start), _at(site, day + timedelta(days=1), site.day_start))


def week_of(site: Site, moment: datetime) -> Span:
    """The ISO 8601 week of production days: Monday to Sunday."""
    monday = day_of(site, moment).day
    monday -= timedelta(days=monday.weekday())
    year, week, _ = monday.isocalendar()
    return Span(f"{year}-W{week:02}", monday, the_day(site, monday).begin, the_day(site, monday + timedelta(days=6)).end)


def shifts_of(site: Site, day: date) -> list[Span]:
    """The shifts of a production day in their order; where the catalogue names none, the day itself is the only one."""
    whole = the_day(site, day)
    found = []
    for shift in site.shifts:
        begins = _on_or_after(site, whole.begin, shift.begins)
        ends = _at(site, _local_day(site, begins) + timedelta(days=shift.ends <= shift.begins), shift.ends)
        found.append(Span(shift.name, day, begins, ends))
    return sorted(found, key=lambda one: one.begin) or [Span("day", day, whole.begin, whole.end)]


def shift_at(site: Site, moment: datetime) -> Span:
    """The shift that a moment falls into; between shifts, the last one that began."""
    day = day_of(site, moment).day
    spans = [*shifts_of(site, day - timedelta(days=1)), *shifts_of(site, day)]
    return next((one for one in reversed(spans) if one.begin <= moment), spans[0])


def _on_or_after(site: Site, begin: datetime, local: time) -> datetime:
    day = _local_day(site, begin)
    moment = _at(site, day, local)
    return moment if moment >= begin else _at(site, day + timedelta(days=1), local)


def _local_day(site: Site, moment: datetime) -> date:
    return moment.astimezone(ZoneInfo(site.zone)).date()


def _at(site: Site, day: date, local: time) -> datetime:
    return datetime.combine(day, local, ZoneInfo(site.zone)).astimezone(UTC)
