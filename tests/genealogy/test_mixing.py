"""Bounds, expectation and chance against enumeration of every mixing of small networks, and bounds against networkx on large ones."""

from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from itertools import product
from math import comb

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

from app.genealogy.chances import none_of
from app.genealogy.draws import Draw, Marks, Outlet, Told
from app.genealogy.draws import Network as Draws
from app.genealogy.mixing import Exposed, Mixing


class Network:
    """A small network in plain dicts: the test's own, from which both the program's and the brute force's are made."""

    def __init__(self, marks: dict[str, tuple[int, int]], draws: list[tuple[str, str, int]], outlets: list[tuple[str, str, int]]) -> None:
        self.marks, self.draws, self.outlets = marks, draws, outlets
        self.nodes = list(dict.fromkeys([*marks, *(node for a, b, _ in draws for node in (a, b))]))

    def held(self, node: str) -> int:
        return self.marks[node][0] if node in self.marks else sum(n for _, b, n in self.draws if b == node)

    def mixing(self) -> Mixing:
        marks = {node: Marks(units, m, m) for node, (units, m) in self.marks.items()}
        return Mixing(Draws(
            marks, [Draw(*draw) for draw in self.draws], {node: self.held(node) for node in self.nodes},
            {name: Outlet(node, units) for name, node, units in self.outlets},
        ))  # fmt: skip

    def every_mixing(self) -> dict[tuple[int, ...], Fraction]:
        """Marks in each outlet -> its chance under even mixing, by going through every share at every node."""
        states: dict[tuple[tuple[int, ...], tuple[int, ...]], Fraction] = {
            (tuple(self.marks.get(node, (0, 0))[1] for node in self.nodes), (0,) * len(self.outlets)): Fraction(1)
        }
        for i, node in enumerate(self.nodes):  # parents come first
            ways = [("draw", self.nodes.index(b), n) for a, b, n in self.draws if a == node]
            ways += [("outlet", j, n) for j, (_, a, n) in enumerate(self.outlets) if a == node]
            after: Counter[tuple[tuple[int, ...], tuple[int, ...]]] = Counter()
            for (inside, out), chance in states.items():
                for shares, p in _shares([n for _, _, n in ways], self.held(node), inside[i]):
                    new_inside, new_out = list(inside), list(out)
                    for (kind, j, _), share in zip(ways, shares, strict=True):
                        (new_inside if kind == "draw" else new_out)[j] += share
                    after[tuple(new_inside), tuple(new_out)] += chance * p  # type: ignore[assignment]
            states = dict(after)  # type: ignore[arg-type]
        found: Counter[tuple[int, ...]] = Counter()
        for (_, out), chance in states.items():
            found[out] += chance  # type: ignore[assignment]
        return dict(found)  # type: ignore[arg-type]


def _shares(sizes: list[int], held: int, marked: int) -> Iterator[tuple[tuple[int, ...], Fraction]]:
    assert sum(sizes) == held
    for shares in product(*(range(min(n, marked) + 1) for n in sizes)):
        if sum(shares) == marked:
            ways = 1
            for n, share in zip(sizes, shares, strict=True):
                ways *= comb(n, share)
            yield shares, Fraction(ways, comb(held, marked))


@st.composite
def networks(draw: st.DrawFn) -> Network:
    """Panels into first lots, lots into later ones by parts, and packs and rests out of all: two levels, joins that may meet again."""
    marks = {f"p{i}": (n, draw(st.integers(0, min(3, n)))) for i in range(draw(st.integers(1, 3))) if (n := draw(st.integers(1, 6)))}
    draws: list[tuple[str, str, int]] = []
    outlets: list[tuple[str, str, int]] = []
    level = list(marks)
    held = {node: n for node, (n, _) in marks.items()}
    for depth in range(2):
        lots = [f"l{depth}{i}" for i in range(draw(st.integers(1, 2)))]
        for node in level:
            left = held[node]
            for lot in lots:
                part = left if lot == lots[-1] and draw(st.booleans()) else draw(st.integers(0, left))
                if part:
                    draws.append((node, lot, part))
                    held[lot] = held.get(lot, 0) + part
                    left -= part
            if left:
                outlets.append((f"rest of {node}", node, left))
        level = [lot for lot in lots if held.get(lot)]
    for lot in level:
        first = draw(st.integers(0, held[lot]))
        outlets += [(f"{name} of {lot}", lot, n) for name, n in (("pack", first), ("rest", held[lot] - first)) if n]
    return Network(marks, draws, outlets)


@settings(max_examples=150, deadline=None)
@given(networks(), st.data())
def test_equals_every_mixing(network: Network, data: st.DataObject) -> None:
    every = network.every_mixing()
    names = [name for name, _, _ in network.outlets]
    chosen = data.draw(st.sets(st.sampled_from(names), min_size=1))
    told = network.mixing().exposed(chosen)
    sums = {out: sum(n for name, n in zip(names, out, strict=True) if name in chosen) for out in every}
    assert (told.least, told.greatest) == (min(sums.values()), max(sums.values()))
    assert told.expected == pytest.approx(float(sum(p * sums[out] for out, p in every.items())), abs=1e-9)
    chance = float(sum(p for out, p in every.items() if sums[out]))
    assert told.chance.value == pytest.approx(chance, abs=1e-9 if told.chance.how == "exact" else 5 * told.chance.error)


@pytest.mark.parametrize("seed", range(5))
def test_bounds_equal_a_flow_by_networkx(seed: int) -> None:
    """The maximum flow of another library, on networks too large to enumerate."""
    rng = np.random.default_rng(seed)
    marks = {f"p{i}": (400, int(rng.integers(0, 120))) for i in range(24)}
    held: dict[str, int] = {node: n for node, (n, _) in marks.items()}
    draws: list[tuple[str, str, int]] = []
    outlets: list[tuple[str, str, int]] = []
    level = list(marks)
    for depth, lots in enumerate((3, 4, 3)):
        names = [f"l{depth}{i}" for i in range(lots)]
        for node in level:
            parts = rng.multinomial(held[node], rng.dirichlet(np.ones(lots + 1)))
            for name, part in zip(names, parts, strict=False):
                if part:
                    draws.append((node, name, int(part)))
                    held[name] = held.get(name, 0) + int(part)
            if parts[-1]:
                outlets.append((f"rest of {node}", node, int(parts[-1])))
        level = names
    outlets += [(f"pack {i} of {lot}", lot, part) for lot in level for i, part in enumerate(_cut(held[lot], 900))]
    network = Network(marks, draws, outlets)
    mixing = network.mixing()
    packs = [name for name, _, _ in outlets if name.startswith("pack")]
    for chosen in ([packs[0]], packs[:3], packs[::2], [name for name, _, _ in outlets]):
        assert mixing.bounds(chosen) == _by_networkx(network, set(chosen))


def _cut(units: int, size: int) -> list[int]:
    return [size] * (units // size) + ([units % size] if units % size else [])


def _by_networkx(network: Network, chosen: set[str]) -> tuple[int, int]:
    def into(wanted: set[str]) -> int:
        graph = nx.DiGraph()
        graph.add_nodes_from(["source", "sink"])
        for node, (_, m) in network.marks.items():
            graph.add_edge("source", node, capacity=m)
        for a, b, n in network.draws:
            graph.add_edge(a, b, capacity=n)
        for name, node, n in network.outlets:
            if name in wanted:
                graph.add_edge(node, name, capacity=n)
                graph.add_edge(name, "sink", capacity=n)
        return int(nx.maximum_flow_value(graph, "source", "sink"))

    others = {name for name, _, _ in network.outlets} - chosen
    return sum(m for _, m in network.marks.values()) - into(others), into(chosen)


@st.composite
def weighed(draw: st.DrawFn) -> tuple[int, int, int, int, int]:
    """(units of a lot, marked among them, units weighed out of it, slack of that, units of the part that a pack took)."""
    pack, slack = draw(st.integers(0, 6)), draw(st.integers(0, 4))
    part = pack + slack + draw(st.integers(0, 6))
    units = part + slack + draw(st.integers(1, 6))
    return units, draw(st.integers(0, units)), part, slack, pack


@settings(max_examples=80, deadline=None)
@given(weighed(), st.sets(st.sampled_from(["rest", "pack", "part"]), min_size=1))
def test_what_was_weighed_may_be_more_or_less(some: tuple[int, int, int, int, int], chosen: set[str]) -> None:
    """Against exact bounds for each number that the weighed part may have had."""
    units, marked, part, slack, pack = some

    def mixing(part: int, slack: int) -> Mixing:
        rest = None if slack else 0
        outlets = {"rest": Outlet("lot", units - part, None, rest), "pack": Outlet("b", pack), "part": Outlet("b", part - pack, None, rest)}
        return Mixing(Draws({"lot": Marks(units, marked, marked)}, [Draw("lot", "b", part, False, slack)], {"lot": units, "b": part}, outlets))

    every = [mixing(really, 0).bounds(chosen) for really in range(part - slack, part + slack + 1)]
    assert mixing(part, slack).bounds(chosen) == (min(least for least, _ in every), max(greatest for _, greatest in every))


@pytest.mark.parametrize("seed", range(4))
def test_of_what_was_weighed_bounds_are_those_of_networkx_over_all_true_counts(seed: int) -> None:
    """Hundreds of units poured and split through lots where three parts were weighed: a flow of networkx for each of the true counts."""
    rng = np.random.default_rng(900 + seed)
    units = {lot: int(rng.integers(60, 120)) for lot in ("a", "b", "c")}
    marks = {lot: int(rng.integers(10, units[lot])) for lot in units}
    slack = {draw: int(rng.integers(1, 4)) for draw in (("a", "d"), ("b", "d"), ("c", "e"))}
    weighed = {draw: int(rng.integers(20, 40)) for draw in slack}
    out, packs = {("d", "e"): int(rng.integers(5, 20))}, {"a": 8, "b": 9, "d": 7, "e": 11}

    def true_network(more: tuple[int, ...]) -> Network:
        draws = {**{draw: n + d for (draw, n), d in zip(weighed.items(), more, strict=True)}, **out}
        held = {**units, **{lot: sum(n for (_, b), n in draws.items() if b == lot) for lot in ("d", "e")}}
        left = {lot: n - packs.get(lot, 0) - sum(m for (a, _), m in draws.items() if a == lot) for lot, n in held.items()}
        outlets = [(f"pack {lot}", lot, n) for lot, n in packs.items()] + [(f"here {lot}", lot, n) for lot, n in left.items()]
        return Network({lot: (units[lot], marks[lot]) for lot in units}, [(a, b, n) for (a, b), n in draws.items()], outlets)

    book = true_network((0, 0, 0))
    draws = [Draw(a, b, n, False, slack.get((a, b), 0)) for a, b, n in book.draws]
    outlets = {name: Outlet(node, n, None, None if "here" in name else 0) for name, node, n in book.outlets}
    taken_in = {node: book.held(node) for node in book.nodes}
    told = Mixing(Draws({lot: Marks(units[lot], marks[lot], marks[lot]) for lot in units}, draws, taken_in, outlets))
    true = [true_network(more) for more in product(*(range(-n, n + 1) for n in slack.values()))]
    names = [name for name, _, _ in book.outlets]
    for chosen in ({"pack d", "pack e"}, {"pack a", "here b", "here d"}, set(rng.choice(names, 3, replace=False))):
        every = [_by_networkx(network, chosen) for network in true]
        assert told.bounds(chosen) == (min(least for least, _ in every), max(greatest for _, greatest in every))


def test_two_passes_at_test_leave_six_to_ten() -> None:
    """100 units with 10 suspects: 90 good, 10 tested again, of which 6 good; all good ones on one reel."""
    network = Network({"lot": (100, 10)}, [("lot", "first pass", 90), ("lot", "again", 10)],
                      [("reel a", "first pass", 90), ("reel b", "again", 6), ("rejects", "again", 4)])  # fmt: skip
    told = network.mixing().exposed(["reel a", "reel b"])
    assert (told.least, told.greatest) == (6, 10)
    assert told.expected == pytest.approx(9.6)


def test_marks_on_what_went_into_a_lot_that_is_suspected_itself_count_once() -> None:
    """All 10 units of a lot are marked, and all 12 of a second that took in 4 of them: of everything 18 are, not 22."""
    marks, draws = {"lot": Marks(10, 10, 10), "second": Marks(12, 12, 12)}, [Draw("lot", "second", 4)]
    mixing = Mixing(Draws(marks, draws, {"lot": 10, "second": 12}, {"here": Outlet("lot", 6), "reel": Outlet("second", 12)}))
    assert mixing.bounds(["here", "reel"]) == mixing.bounds_by_flow(["here", "reel"]) == (18, 18)


def test_hypergeometric_chance_of_none() -> None:
    """N 50, K 5, n 10: P(0) = 0.3106 (a common textbook case, from memory); N 20, K 7, n 12 from SciPy's documentation of hypergeom."""
    assert none_of(50, 5, 10)[10] == pytest.approx(0.3105628, abs=1e-7)
    assert none_of(100, 2, 20)[20] == pytest.approx(0.6383838, abs=1e-7)
    assert none_of(20, 7, 12)[12] == pytest.approx(float(hypergeom.pmf(0, 20, 7, 12)), rel=1e-9)


def test_a_colour_sort_widens_the_expectation() -> None:
    """Fisher's noncentral mean between odds of 1/10 and 10, from its definition; one bin more means the other less."""
    marks, draws = {"lot": Marks(100, 20, 20)}, [Draw("lot", "bin 1", 60, by_bin=True), Draw("lot", "bin 2", 40, by_bin=True)]
    mixing = Mixing(Draws(marks, draws, {"bin 1": 60, "bin 2": 40}, {"reel": Outlet("bin 1", 60), "rest": Outlet("bin 2", 40)}))
    told: Exposed = mixing.exposed(["reel"])
    assert told.past_bin and told.expected == pytest.approx(12)

    def mean(odds: float) -> float:
        weights = [comb(20, k) * comb(80, 60 - k) * odds**k for k in range(21)]
        return sum(k * w for k, w in enumerate(weights)) / sum(weights)

    assert told.expected_low == pytest.approx(mean(0.1), rel=1e-6)
    assert told.expected_high == pytest.approx(mean(10), rel=1e-6)
    assert not mixing.exposed(["reel", "rest"]).least < 20


def test_what_is_told_of_a_bin_is_drawn_from_it_by_chance() -> None:
    """30 of a bin's 100 units, surely: of a reel of 40 that many by the hypergeometric law (SciPy); of all of it, 30 and nothing left open."""
    draws = [Draw("lot", "bin", 100, by_bin=True), Draw("lot", "rest", 100, by_bin=True)]
    outlets = {"reel": Outlet("bin", 40), "stock": Outlet("bin", 60), "rest": Outlet("rest", 100)}
    told = {"bin": Told(30.0), "rest": Told(20.0)}
    mixing = Mixing(Draws({"lot": Marks(200, 50, 50)}, draws, {"lot": 200, "bin": 100, "rest": 100}, outlets, told))
    reel, both = mixing.exposed(["reel"]), mixing.exposed(["reel", "stock"])
    law = hypergeom(100, 30, 40)
    assert (reel.by_colour, reel.by_colour_sd) == (pytest.approx(law.mean()), pytest.approx(law.std()))
    assert (both.by_colour, both.by_colour_sd) == (pytest.approx(30), pytest.approx(0))


def test_cells_that_may_be_marked_are_so_or_not_alike_and_never_for_certain() -> None:
    mixing = Mixing(Draws({}, [], {}, {"panel": Outlet(None, 6, Marks(6, 0, 4)), "other": Outlet(None, 6, Marks(6, 1, 4))}))
    assert mixing.chance(["panel"]).value == 1 - 0.5**4
    assert mixing.chance(["panel", "other"]).value == 1.0


def test_a_simulated_chance_is_the_same_in_whatever_order_the_record_tells_it() -> None:
    """Ways of one panel that part and meet again; a database may list draws and packs in any order."""
    draws = [Draw("a", "b", 20), Draw("a", "c", 30), Draw("b", "d", 12), Draw("c", "d", 11)]
    outlets = {name: Outlet(node, units) for name, node, units in (("1", "d", 9), ("2", "d", 14), ("3", "b", 8), ("4", "c", 19))}
    taken_in = {"a": 50, "b": 20, "c": 30, "d": 23}
    one = Mixing(Draws({"a": Marks(50, 4, 4)}, draws, taken_in, outlets))
    other = Mixing(Draws({"a": Marks(50, 4, 4)}, draws[::-1], taken_in, dict(reversed(outlets.items()))))
    found = [mixing.chance(["1", "3"]) for mixing in (one, other)]
    assert found[0].how == "simulated" and found[0] == found[1]
