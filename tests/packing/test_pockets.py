"""Pocket ranges against the plainest model: a list with one entry a pocket."""

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BadInput, Refused
from app.packing.pockets import Content, Fill, append, cut, join, re_reel, take_off, units_in

fills = st.lists(st.tuples(st.integers(1, 3), st.integers(1, 40)), max_size=8)


def content_of(parts: list[tuple[int, int]]) -> Content:
    content: Content = ()
    for loose, units in parts:
        content = append(content, loose, units)
    return content


def pockets(content: Content) -> list[int]:
    """The loose lot behind every pocket, from the hub outwards."""
    return [fill.loose for fill in content for _ in range(fill.units)]


def lies_in_order(content: Content) -> bool:
    """From pocket 1 on without a gap, no empty range, and no two neighbours that could be one."""
    starts = not content or content[0].pocket_from == 1
    closed = all(a.pocket_to + 1 == b.pocket_from and (a.loose, a.was_in) != (b.loose, b.was_in) for a, b in pairwise(content))
    return starts and closed and all(fill.units >= 1 for fill in content)


@given(fills)
def test_filling_is_a_list_that_grows_outwards(parts: list[tuple[int, int]]) -> None:
    content = content_of(parts)
    assert pockets(content) == [loose for loose, units in parts for _ in range(units)]
    assert lies_in_order(content)


@given(fills.filter(bool), st.data())
def test_pockets_taken_off_are_a_slice(parts: list[tuple[int, int]], data: st.DataObject) -> None:
    content = content_of(parts)
    model = pockets(content)
    first = data.draw(st.integers(1, len(model)))
    last = data.draw(st.integers(first, len(model)))
    parted = take_off(content, first, last)
    assert pockets(parted.left) == model[first - 1 : last]
    assert pockets(parted.stays) == model[: first - 1] + model[last:]
    assert lies_in_order(parted.left) and lies_in_order(parted.stays)


@given(fills.filter(bool), st.data())
def test_a_cut_takes_the_outer_end_and_keeps_the_order(parts: list[tuple[int, int]], data: st.DataObject) -> None:
    content = content_of(parts)
    model = pockets(content)
    units = data.draw(st.integers(1, len(model)))
    parted = cut(content, units)
    assert pockets(parted.left) == model[len(model) - units :]
    assert pockets(parted.stays) == model[: len(model) - units]


@given(fills, fills)
def test_joining_and_winding_round_are_list_operations(one: list[tuple[int, int]], other: list[tuple[int, int]]) -> None:
    a, b = content_of(one), content_of(other)
    assert pockets(join(a, b)) == pockets(a) + pockets(b)
    assert pockets(re_reel(a)) == pockets(a)[::-1]
    assert re_reel(re_reel(a)) == a
    assert re_reel(join(a, b)) == join(re_reel(b), re_reel(a))
    assert lies_in_order(join(a, b)) and lies_in_order(re_reel(a))


@given(fills.filter(bool), st.lists(st.sampled_from(["cut", "take", "wind", "join"]), max_size=12), st.data())
def test_no_unit_is_lost_or_made(parts: list[tuple[int, int]], acts: list[str], data: st.DataObject) -> None:
    """Pieces are cut, wound and spliced at random: together they hold the units of each loose lot that were filled in."""
    pieces = [content_of(parts)]
    before = Counter(pockets(pieces[0]))
    for act in acts:
        piece = pieces.pop(data.draw(st.integers(0, len(pieces) - 1)))
        if act == "wind" or not piece:
            pieces.append(re_reel(piece))
        elif act == "join" and pieces:
            pieces.append(join(piece, pieces.pop()))
        else:
            first = data.draw(st.integers(1, units_in(piece)))
            last = units_in(piece) if act == "cut" else data.draw(st.integers(first, units_in(piece)))
            parted = cut(piece, last - first + 1) if act == "cut" else take_off(piece, first, last)
            pieces += [parted.stays, parted.left]
    after: Counter[int] = Counter()
    for piece in pieces:
        assert lies_in_order(piece)
        after.update(pockets(piece))
    assert after == before


def test_the_piece_that_was_cut_off_has_nothing_of_the_fill_at_the_hub() -> None:
    content = content_of([(11, 1500), (12, 3000)])
    parted = cut(content, 2000)
    assert parted.left == (Fill(12, 1, 2000),)
    assert parted.stays == (Fill(11, 1, 1500), Fill(12, 1501, 2500))


def test_units_that_came_another_way_stay_apart() -> None:
    """Two fills of one loose lot are one only when their units lay in the same packs before."""
    back = Fill(11, 1, 10, was_in=((7, 40),))
    assert len(join((back,), (Fill(11, 1, 5),))) == 2
    assert join((back,), (back,)) == (Fill(11, 1, 20, was_in=((7, 40),)),)


@pytest.mark.parametrize(("first", "last"), [(0, 3), (5, 4), (8, 11), (-1, -1)])
def test_pockets_that_are_not_there_are_refused(first: int, last: int) -> None:
    with pytest.raises(BadInput, match="1 to 10"):
        take_off((Fill(1, 1, 10),), first, last)


def test_more_than_the_pack_holds_can_not_be_cut_off() -> None:
    with pytest.raises(Refused, match="holds 10") as refusal:
        cut((Fill(1, 1, 10),), 11)
    assert refusal.value.kind == "too_few_units"
    with pytest.raises(BadInput):
        append((), 1, 0)
