"""ISO 8601 week dates: Monday starts a week, and week 01 holds the first Thursday of the year, so 4 January.

The pairs follow from that rule of ISO 8601-1:2019; the standard's own text was not seen (from memory). `by_the_rule` below is a
second way to the same answer, written from the rule alone.
"""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from app.packing.date_codes import date_code

PAIRS = [
    ("2020-12-27", "2052"), ("2020-12-28", "2053"), ("2020-12-31", "2053"), ("2021-01-01", "2053"), ("2021-01-03", "2053"),
    ("2021-01-04", "2101"), ("2008-12-29", "0901"), ("2010-01-03", "0953"), ("2012-01-01", "1152"), ("2016-01-03", "1553"),
    ("2018-12-31", "1901"), ("2019-12-30", "2001"), ("2024-12-29", "2452"), ("2024-12-30", "2501"), ("2026-12-31", "2653"),
    ("2027-01-01", "2653"), ("2027-01-03", "2653"), ("2027-01-04", "2701"), ("2005-01-01", "0453"), ("2006-01-01", "0552"),
    ("2007-12-31", "0801"), ("2033-01-01", "3253"),
]  # fmt: skip
YEARS_OF_53_WEEKS = [2004, 2009, 2015, 2020, 2026, 2032, 2037, 2043, 2048]  # of 2000 to 2050


def noon(day: date) -> datetime:
    return datetime.combine(day, time(12), UTC)


def by_the_rule(day: date) -> str:
    """The week belongs to the year of its Thursday, and counts from that year's first."""
    thursday = day - timedelta(days=day.weekday()) + timedelta(days=3)
    return f"{thursday.year % 100:02d}{(thursday.timetuple().tm_yday - 1) // 7 + 1:02d}"


@pytest.mark.parametrize(("day", "code"), PAIRS)
def test_the_days_around_new_year_have_their_week(day: str, code: str) -> None:
    assert date_code(noon(date.fromisoformat(day)), "UTC") == code


def test_every_day_of_fifty_years_follows_the_rule() -> None:
    day = date(2000, 1, 1)
    while day < date(2051, 1, 1):
        assert date_code(noon(day), "UTC") == by_the_rule(day), day
        day += timedelta(days=1)


def test_the_long_years_are_known() -> None:
    assert [year for year in range(2000, 2051) if date_code(noon(date(year, 12, 28)), "UTC").endswith("53")] == YEARS_OF_53_WEEKS


def test_the_week_is_that_of_the_factory() -> None:
    """Taping ended at 23:30 on Sunday in UTC: in Taipei the next week had begun, in New York it had not."""
    ended = datetime(2027, 1, 3, 23, 30, tzinfo=UTC)
    assert date_code(ended, "Asia/Taipei") == "2701"
    assert date_code(ended, "America/New_York") == "2653"


def test_a_time_without_a_zone_has_no_week() -> None:
    with pytest.raises(ValueError, match="zone"):
        date_code(datetime(2027, 1, 1), "UTC")
