"""The flow that goes leaf by leaf equals SciPy's matrix on any network; and bounds of trees of draws equal those by matrix alone."""

from collections import defaultdict
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.genealogy import extremes
from app.genealogy.draws import Draw, Marks, Outlet
from app.genealogy.draws import Network as Draws
from app.genealogy.maximum_flow import by_matrix, maximum_flow
from app.genealogy.mixing import Mixing

Flow = tuple[list[int], list[int], list[tuple[int, int, int]]]


@st.composite
def networks(draw: st.DrawFn) -> Flow:
    """Nodes in an order, draws from earlier to later ones: trees, single joins, ways that meet again, nodes by themselves."""
    n = draw(st.integers(1, 9))
    units = st.integers(0, 12)
    pairs = list(combinations(range(n), 2))
    chosen = draw(st.lists(st.sampled_from(pairs), unique=True, max_size=12)) if pairs else []
    supply, demand = (draw(st.lists(units, min_size=n, max_size=n)) for _ in range(2))
    return supply, demand, [(a, b, draw(units)) for a, b in chosen]


@settings(max_examples=300, deadline=None)
@given(networks())
def test_leaf_by_leaf_equals_the_matrix(network: Flow) -> None:
    assert maximum_flow(*network) == by_matrix(*network)


def test_ways_that_meet_again_are_left_to_the_matrix(monkeypatch: pytest.MonkeyPatch) -> None:
    """A diamond with a tail: the tail goes, and what is left are four draws."""
    seen: list[int] = []

    def counted(supply: list[int], demand: list[int], draws: list[tuple[int, int, int]]) -> int:
        seen.append(len(draws))
        return by_matrix(supply, demand, draws)

    monkeypatch.setattr("app.genealogy.maximum_flow.by_matrix", counted)
    diamond = [(0, 1, 5), (0, 2, 5), (1, 3, 4), (2, 3, 3), (3, 4, 6)]
    assert maximum_flow([9, 0, 0, 0, 0], [0, 0, 0, 0, 8], diamond) == 6
    assert seen == [4]
    assert maximum_flow([9, 0, 0], [0, 2, 4], [(0, 1, 5), (1, 2, 3)]) == 5
    assert seen == [4]


@st.composite
def forests(draw: st.DrawFn) -> Mixing:
    """Each lot is drawn from one that had a part left, or joins the rest of two trees; packs and rests out of all."""
    marks: dict[str, Marks] = {}
    draws: list[Draw] = []
    left: dict[str, int] = {}
    tree: dict[str, int] = {}
    held: defaultdict[str, int] = defaultdict(int)
    for i in range(draw(st.integers(1, 4))):
        units = draw(st.integers(1, 20))
        sure = draw(st.integers(0, units))
        marks[f"p{i}"] = Marks(units, sure, draw(st.integers(sure, units)))
        left[f"p{i}"], tree[f"p{i}"] = units, i
    for i in range(draw(st.integers(0, 7))):
        name = f"l{i}"
        for parent in draw(st.lists(st.sampled_from(sorted(left)), min_size=1, max_size=2, unique=True)):
            if left[parent] and tree[parent] != tree.get(name):
                units = draw(st.integers(1, left[parent]))
                draws.append(Draw(parent, name, units))
                left[parent] -= units
                held[name] += units
                joined = tree.get(name, tree[parent])
                tree = {node: joined if its == tree[parent] else its for node, its in tree.items()} | {name: joined}
        if name in tree:
            held[name] += draw(st.integers(0, 3))  # unmarked ones
            left[name] = held[name]
    outlets: dict[str, Outlet] = {}
    for node, units in left.items():
        pack = draw(st.integers(0, units))
        outlets |= {f"{what} of {node}": Outlet(node, n) for what, n in (("pack", pack), ("rest", units - pack)) if n}
    return Mixing(Draws(marks, draws, held, outlets))


@settings(max_examples=150, deadline=None)
@given(forests(), st.data())
def test_bounds_on_trees_equal_those_by_matrix(mixed: Mixing, data: st.DataObject) -> None:
    names = sorted(mixed.network.outlets)  # type: ignore[type-var]
    if not names:
        return
    sets = [*([name] for name in names), sorted(data.draw(st.sets(st.sampled_from(names)))), names]
    told = [mixed.bounds(some) for some in sets]
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(extremes, "maximum_flow", by_matrix)
        assert told == [mixed.bounds_by_flow(some) for some in sets]
