"""When something happened, as the terminal says it: a time of day alone is of today."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import pytest

from app.scan.screens import clock_time

NOW = datetime(2026, 11, 27, 16, 36, tzinfo=UTC)  # 17:36 in Vienna
AT_NIGHT = datetime(2026, 11, 27, 0, 10, tzinfo=UTC)  # 01:10
AT: Any = cast(Any, SimpleNamespace(app=SimpleNamespace(state=SimpleNamespace(zone="Europe/Vienna"))))


@pytest.mark.parametrize(
    ("now", "hours", "words"),
    [
        (NOW, 1, "16:36"), (NOW, 17.5, "00:06"), (NOW, 18.5, "yesterday 23:06"), (NOW, 42, "2026-11-25 23:36"),
        (AT_NIGHT, 1, "00:10"), (AT_NIGHT, 2, "yesterday 23:10"), (AT_NIGHT, 26, "2026-11-25 23:10"),
    ],
)  # fmt: skip
def test_a_time_of_another_day_says_which(now: datetime, hours: float, words: str) -> None:
    """A tape that was put on at 22:55 stood there at 17:36 as put on tonight."""
    assert clock_time(AT, now)(now - timedelta(hours=hours)) == words
