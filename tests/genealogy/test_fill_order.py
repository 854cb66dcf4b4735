"""The order of fills against enumeration on packs filled unit by unit, and simulated recalls that shrink with it."""

from itertools import permutations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from app.genealogy.fill_order import Origin, Waiting, best_order, reach_apart, reach_filled, reach_merged, reach_of, worst_of

ORIGINS: list[Origin] = [("wafer", i) for i in range(5)]


@st.composite
def at_hand(draw: st.DrawFn, most: int = 5) -> list[Waiting]:
    n = draw(st.integers(2, most))
    return [Waiting(i, draw(st.integers(1, 25)), draw(st.frozensets(st.sampled_from(ORIGINS), min_size=1, max_size=3))) for i in range(n)]


def _by_units(order: list[Waiting], size: int) -> dict[Origin, int]:
    """Every unit is put into its pack, and the packs of each origin are counted."""
    units = [one.origins for one in order for _ in range(one.units)]
    packs = [frozenset().union(*units[i : i + size]) for i in range(0, len(units), size)]
    return {origin: n for origin in ORIGINS if (n := sum(origin in pack for pack in packs))}


@settings(max_examples=80, deadline=None)
@given(at_hand(), st.integers(1, 12))
def test_equals_the_best_of_all_orders(lots: list[Waiting], size: int) -> None:
    told = best_order(lots, size)
    by_lot = {one.lot: one for one in lots}
    assert told.is_best
    assert told.reach == _by_units([by_lot[lot] for lot in told.lots], size)
    least = min(sum(_by_units(list(order), size).values()) for order in permutations(lots))
    assert told.total == least


@settings(max_examples=60, deadline=None)
@given(at_hand(), st.integers(1, 12))
def test_reach_as_given_apart_and_merged(lots: list[Waiting], size: int) -> None:
    assert reach_of(lots, size) == _by_units(lots, size)
    apart = reach_apart(lots, size)
    assert apart == {o: sum(len(range(0, one.units, size)) for one in lots if o in one.origins) for o in apart}
    merged, packs = reach_merged(lots, size), -(-sum(one.units for one in lots) // size)
    assert all(reach_of(lots, size)[origin] <= n <= packs for origin, n in merged.items())


@settings(max_examples=60, deadline=None)
@given(at_hand(), st.integers(0, 4), st.data())
def test_reach_before_and_after_a_fill_equals_packs_filled_unit_by_unit(lots: list[Waiting], n: int, data: st.DataObject) -> None:
    size = 60
    inside, coming = lots[:n], [(one, data.draw(st.integers(0, one.units))) for one in lots[n:]]
    before, after = reach_filled(inside, coming, size=size)
    packs = [[(one.origins, one.units) for one in inside]]
    rest = [[(one.origins, 1)] for one, _ in coming for _ in range(-(-one.units // size))]
    assert before == _reached(packs + rest)
    packs[0] += [(one.origins, taken) for one, taken in coming]
    left = [[(one.origins, 1)] for one, taken in coming for _ in range(-(-(one.units - taken) // size))]
    assert after == _reached(packs + left)


def _reached(packs: list[list[tuple[frozenset[Origin], int]]]) -> dict[Origin, int]:
    inside = [frozenset[Origin]().union(*(origins for origins, units in pack if units)) for pack in packs]
    return {origin: n for origin in ORIGINS if (n := sum(origin in one for one in inside))}


def test_of_several_that_reach_as_much_the_same_is_named_in_any_order() -> None:
    origins = [("wafer", 7), ("wafer", 3), ("wafer", 9)]
    for some in (origins, origins[::-1]):
        assert worst_of(some, lambda _: (2, 1)) == ("wafer", 3)
        assert worst_of(some, lambda one: (one[1], 0)) == ("wafer", 9)


def test_many_lots_are_no_worse_than_as_given_and_simulated_recalls_shrink() -> None:
    """Two hundred recalls of a random origin: fewer packs come back than when lots are filled as they stand."""
    rng = np.random.default_rng(7)
    origins: list[Origin] = [("wafer", i) for i in range(12)]
    lots = [Waiting(i, int(rng.integers(300, 2000)), frozenset(origins[j] for j in rng.choice(12, 3, replace=False))) for i in range(14)]
    told = best_order(lots, 1000)
    assert not told.is_best and sorted(told.lots) == sorted(one.lot for one in lots)
    given_reach = reach_of(lots, 1000)
    assert told.total < sum(given_reach.values())
    recalled = [origins[i] for i in rng.integers(0, 12, 200)]
    assert sum(told.reach.get(one, 0) for one in recalled) < sum(given_reach.get(one, 0) for one in recalled)
