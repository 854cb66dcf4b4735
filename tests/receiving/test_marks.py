"""Marks on lead frames: one panel a mark, however it was typed."""

import pytest

from app.db import House
from app.errors import BadInput
from app.receiving.panels import receive_panels
from tests.small_factory import Factory


def test_a_mark_is_the_same_with_spaces_around_it(house: House) -> None:
    factory = Factory(house).load()
    frames = factory.batch("FRAME")
    factory.do("receive_panels", lambda s, by: receive_panels(s, by, frames, marks=[" Q7 0098 "]))
    for typed in ("Q7 0098", " Q7 0098", "Q7 0098 "):
        with pytest.raises(BadInput, match="known already"):
            factory.do("receive_panels", lambda s, by, typed=typed: receive_panels(s, by, frames, marks=[typed]))
    with pytest.raises(BadInput, match="can't be read"):
        factory.do("receive_panels", lambda s, by: receive_panels(s, by, frames, marks=["  "]))
