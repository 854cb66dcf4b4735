"""Limits in words: a limit may have one end only."""

import pytest

from app.floor.ends import beyond_limits, limits_in_words


@pytest.mark.parametrize(("low", "high", "words"), [(3, 8, "3 to 8"), (3, None, "at least 3"), (None, 0.5, "at most 0.5"), (None, None, "")])
def test_limits_are_said_with_the_ends_that_they_have(low: float | None, high: float | None, words: str) -> None:
    assert limits_in_words(low, high) == words


def test_what_is_beyond_says_value_unit_and_limit() -> None:
    assert beyond_limits("pull", 2.4, "gf", 3, None) == "pull is 2.4 gf; it must be at least 3"
    assert beyond_limits("score", 12, "", 0, 10) == "score is 12; it must be 0 to 10"
