"""A span in the site's own time over the night when its clocks are set back: it takes in both of the hours that have one name."""

from datetime import UTC, datetime

import pytest

from app.errors import BadInput
from app.genealogy.exposure_question import _span

ZONE = "America/St_Johns"  # 02:00 NDT (UTC-2:30) became 01:00 NST (UTC-3:30) on 2026-11-01: IANA time zone database


def test_from_the_first_to_the_second_of_them() -> None:
    assert _span("2026-11-01T01:15", "2026-11-01T01:30", ZONE) == (datetime(2026, 11, 1, 3, 45, tzinfo=UTC), datetime(2026, 11, 1, 5, 0, tzinfo=UTC))


def test_its_end_may_be_earlier_on_the_clock() -> None:
    since, until = _span("2026-11-01T01:45", "2026-11-01T01:15", ZONE)
    assert since is not None and until is not None and since < until


def test_a_time_beyond_the_calendar_is_no_time() -> None:
    with pytest.raises(BadInput):
        _span("0001-01-01T00:00", "", "Asia/Kolkata")


def test_a_time_that_clocks_were_set_forward_over_is_no_time() -> None:
    """02:00 NST (UTC-3:30) became 03:00 NDT (UTC-2:30) on 2026-03-08: IANA time zone database."""
    with pytest.raises(BadInput, match="never was") as caught:
        _span("", "2026-03-08T02:30", ZONE)
    assert caught.value.reasons[0].where == "until"
    assert _span("2026-03-08T01:59", "2026-03-08T03:00", ZONE) == (datetime(2026, 3, 8, 5, 29, tzinfo=UTC), datetime(2026, 3, 8, 5, 30, tzinfo=UTC))
    assert _span("2026-03-08T02:30Z", "", ZONE) == (datetime(2026, 3, 8, 2, 30, tzinfo=UTC), None), "a time with its zone stands for itself"
