"""A last line without an end: half of one, or whole."""

import pytest

from app.receiving.delimited import TAIL, may_be_cut

HALVES = ("a,12\nb,1", "a,0.31\nb,0.3", "a,OPEN\nb,OP", "a,1", "a,1\n" + "1" * TAIL, "1" * 2 * TAIL)
WHOLE = ("a,12\nb,13", "a,0.31\nb,0.32", "a,PASS\nb,FAIL\nc,PASS", "a,OPEN\nb,\nc,", "a,1\nb,12\n", "")


@pytest.mark.parametrize("text", HALVES)
def test_a_field_that_may_go_on_is_half(text: str) -> None:
    assert may_be_cut(text.encode(), ",")


@pytest.mark.parametrize("text", WHOLE)
def test_what_looks_like_the_lines_before_is_whole(text: str) -> None:
    assert not may_be_cut(text.encode(), ",")
