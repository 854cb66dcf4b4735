"""Production days and shifts in the site's zone, over the change of clocks too."""

from datetime import UTC, date, datetime, time, timedelta

from app.board.production_day import day_of, shift_at, shifts_of, the_day, week_of
from app.catalogue.definitions import Shift, Site

SHIFTS = (
    Shift(name="early", begins=time(6), ends=time(14)), Shift(name="late", begins=time(14), ends=time(22)),
    Shift(name="night", begins=time(22), ends=time(6)),
)  # fmt: skip
VIENNA = Site(name="Hall 1", zone="Europe/Vienna", day_start=time(6), shifts=SHIFTS)


def test_before_the_days_start_it_is_still_yesterday() -> None:
    assert day_of(VIENNA, datetime(2026, 11, 25, 4, 59, tzinfo=UTC)).day == date(2026, 11, 24)  # 05:59 in Vienna
    assert day_of(VIENNA, datetime(2026, 11, 25, 5, 0, tzinfo=UTC)).day == date(2026, 11, 25)


def test_a_day_is_an_hour_longer_when_summer_time_ends_and_shorter_when_it_begins() -> None:
    """Directive 2000/84/EC: the last Sundays of October and March."""
    assert the_day(VIENNA, date(2026, 10, 24)).hours == 25
    assert the_day(VIENNA, date(2026, 3, 28)).hours == 23
    assert the_day(VIENNA, date(2026, 11, 25)).hours == 24


def test_shifts_follow_one_another_through_the_night() -> None:
    early, late, night = shifts_of(VIENNA, date(2026, 11, 25))
    assert [one.name for one in (early, late, night)] == ["early", "late", "night"]
    assert early.begin == the_day(VIENNA, date(2026, 11, 25)).begin
    assert (early.end, late.end) == (late.begin, night.begin)
    assert night.end == the_day(VIENNA, date(2026, 11, 25)).end


def test_a_shift_that_begins_before_the_days_start_is_of_the_day_before() -> None:
    site = VIENNA.model_copy(update={"day_start": time(7)})
    assert [one.name for one in shifts_of(site, date(2026, 11, 25))] == ["late", "night", "early"]


def test_the_shift_of_a_moment() -> None:
    assert shift_at(VIENNA, datetime(2026, 11, 25, 12, 59, tzinfo=UTC)).name == "early"
    assert shift_at(VIENNA, datetime(2026, 11, 25, 13, 0, tzinfo=UTC)).name == "late"
    night = shift_at(VIENNA, datetime(2026, 11, 25, 2, 0, tzinfo=UTC))
    assert (night.name, night.day) == ("night", date(2026, 11, 24))


def test_without_shifts_the_day_is_the_shift() -> None:
    site = Site(name="Hall 2", zone="UTC", day_start=time(6))
    assert [(one.name, one.hours) for one in shifts_of(site, date(2026, 11, 25))] == [("day", 24)]


def test_a_week_runs_from_monday_to_sunday() -> None:
    week = week_of(VIENNA, datetime(2026, 11, 25, 12, tzinfo=UTC))
    assert (week.name, week.hours) == ("2026-W48", 7 * 24)
    assert week_of(VIENNA, week.end - timedelta(seconds=1)) == week
