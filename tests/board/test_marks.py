"""Late and stuck, and where each begins."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from app.board.marks import end_of, held_too_long, in_hours, late, quantile, runs_too_long, wait_limit, waits_too_long
from app.catalogue.definitions import Step
from tests.board.line import STEPS

NOON = datetime(2026, 11, 27, 11, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def test_a_due_day_ends_at_midnight_where_the_site_is() -> None:
    assert end_of(date(2026, 11, 27), "Europe/Vienna") == datetime(2026, 11, 27, 23, 0, tzinfo=UTC)


def test_late_when_now_and_the_standard_time_left_pass_the_due_days_end() -> None:
    """All six steps are 185 min: from 20:00 UTC they end at 23:05, five minutes after midnight in Vienna."""
    due, zone = date(2026, 11, 27), "Europe/Vienna"
    at = datetime(2026, 11, 27, 20, 0, tzinfo=UTC)
    mark = late(at, due, zone, STEPS, timedelta())
    assert mark is not None
    assert mark.by == timedelta(minutes=5)
    assert "3 h 05 min of standard work left" in mark.reason
    assert late(at - timedelta(minutes=5), due, zone, STEPS, timedelta()) is None
    assert late(at, due, zone, STEPS, timedelta(minutes=5)) is None  # five minutes of the first step are behind it


def test_work_already_spent_beyond_the_standard_takes_nothing_off_the_other_steps() -> None:
    at = datetime(2026, 11, 27, 20, 20, tzinfo=UTC)
    mark = late(at, date(2026, 11, 27), "Europe/Vienna", STEPS, 5 * HOUR)
    assert mark is not None
    assert mark.by == timedelta(minutes=5)


def test_what_has_no_due_day_or_nothing_left_is_never_late() -> None:
    assert late(NOON, None, "UTC", STEPS, timedelta()) is None
    assert late(NOON, date(2020, 1, 1), "UTC", (), timedelta()) is None


def test_the_limit_of_a_wait_is_that_of_the_step_else_the_95th_percentile() -> None:
    step = STEPS[0]
    waits = [float(n) for n in range(101)]
    assert wait_limit(step, waits) == (timedelta(minutes=95), "95 % of the waits there in 30 days")
    assert wait_limit(step, waits[:19]) is None
    limited = step.model_copy(update={"wait_limit_minutes": 30.0})
    assert wait_limit(limited, waits) == (timedelta(minutes=30), "its limit")
    limit = wait_limit(step, waits)
    assert waits_too_long(timedelta(minutes=95), limit) is None
    mark = waits_too_long(timedelta(minutes=96), limit)
    assert mark is not None
    assert mark.reason == "waits 1 h 36 min; 95 % of the waits there in 30 days: 1 h 35 min"


def test_held_over_24_hours() -> None:
    assert held_too_long(24 * HOUR, "H26-000001-X") is None
    assert held_too_long(25 * HOUR, "H26-000001-X") is not None


def test_a_run_beyond_twice_its_standard() -> None:
    bond = next(step for step in STEPS if step.key == "bond")
    assert runs_too_long(2 * HOUR, bond, "Bond 1") is None
    mark = runs_too_long(timedelta(minutes=121), bond, "Bond 1")
    assert mark is not None
    assert mark.reason == "runs 2 h 01 min at Bond 1; standard is 60 min"


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.95, 1.0])
def test_quantiles_are_those_of_numpy(share: float) -> None:
    values = sorted(float(x) for x in np.random.default_rng(7).exponential(40, 57))
    assert quantile(values, share) == pytest.approx(float(np.quantile(values, share)))


def test_spans_in_words() -> None:
    assert [in_hours(timedelta(minutes=n)) for n in (45, 185, 3120)] == ["45 min", "3 h 05 min", "2 d 4 h"]


def test_a_steps_limit_stands_in_the_catalogue() -> None:
    with pytest.raises(ValueError, match="greater than 0"):
        Step(key="a", name="a", operation="inspect", wait_limit_minutes=0)
