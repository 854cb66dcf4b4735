"""Words that every refusal shares."""

import pytest

from app.errors import few


@pytest.mark.parametrize(("names", "told"), [("", ""), ("abc", "a, b, c"), ("abcd", "a, b, c and 1 more"), ("abcdefg", "a, b, c and 4 more")])
def test_names_beyond_what_a_sentence_bears_are_counted(names: str, told: str) -> None:
    assert few(names) == few(iter(names)) == told
