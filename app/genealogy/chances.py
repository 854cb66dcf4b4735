"""The chance that outlets hold at least one mark, under even mixing. Pure.

Hypergeometric along a chain; a draw of a draw is a draw of the first; parts that share no marked ancestor are convolved; else seeded
simulation, which states its standard error. The number says which.
"""

from collections import defaultdict
from collections.abc import Hashable, Mapping
from functools import cached_property, lru_cache
from math import exp, lgamma
from typing import Any, NamedTuple
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from app.genealogy.draws import Marks, Network, Node, Outlet

REPLICATES = 4000
SEED = 20260301
Floats = NDArray[np.float64]


class Chance(NamedTuple):
    """Of at least one marked unit. `how`: exact, or simulated with its standard error."""

    value: float
    how: str = "exact"
    error: float = 0.0


class _Pool(NamedTuple):
    """A node holds a random sample of `pool`: `size` units of which `marked` are marked."""

    pool: Node
    size: int
    marked: float


class _Join(NamedTuple):
    """`node` holds random parts of several mixtures that share no mark: how many units of each."""

    node: Node
    parts: tuple[tuple[int, "_Pool | _Join"], ...]


class Chances:
    """Chances of at least one mark in outlets of a network."""

    def __init__(self, network: Network) -> None:
        self.network = network

    def of(self, names: list[Hashable], known: Marks, by_node: Mapping[Node, int]) -> Chance:
        """Of the outlets `names`, which are `known` marks and so many units `by_node`."""
        none = self._none_in(known, by_node)
        return Chance(1.0 - none) if none is not None else self._simulated(names)

    def _none_in(self, known: Marks, by_node: Mapping[Node, int]) -> float | None:
        """The chance of no mark, where it can be told exactly."""
        wanted: dict[_Pool | _Join, int] = {}
        for node, units in by_node.items():
            state = self._states[node]
            if state is None:
                return None
            wanted[state] = wanted.get(state, 0) + units
        if len(wanted) > 1:
            pools = [pool for state in wanted for pool in _pools_of(state)]
            if len(pools) != len(set(pools)):
                return None
        none = 0.0 if known.least else 0.5**known.greatest  # where units were never mixed, one that may be marked is so or not alike
        for state, units in wanted.items():
            none *= _none_at(state, units)
        return none

    @cached_property
    def _states(self) -> dict[Node, "_Pool | _Join | None"]:
        """How each node's content came about; None where marked ways meet again, so that only simulation tells."""
        found: dict[Node, _Pool | _Join | None] = {}
        for node in self.network.order:
            found[node] = self._state_of(node, found)
        return found

    def _state_of(self, node: Node, found: Mapping[Node, "_Pool | _Join | None"]) -> "_Pool | _Join | None":
        network = self.network
        if own := network.marks.get(node):
            if network.into.get(node):
                return None
            return _Pool(node, network.held[node], own.expected)
        whole, marked, parts = 0, 0.0, []
        draws = network.into.get(node, ())
        for draw in draws:
            state = found[draw.parent]
            if state is None:
                return None
            if isinstance(state, _Pool) and (state.size == draw.units or state.marked == 0):
                whole, marked = whole + draw.units, marked + state.marked
            else:
                if len(draws) == 1 and draw.units == network.held[node]:
                    return state
                parts.append((draw.units, state))
        unmarked = network.held[node] - whole - sum(units for units, _ in parts)
        pools = [pool for _, state in parts for pool in _pools_of(state)]
        if len(pools) != len(set(pools)):
            return None
        rest = _Pool(node, whole + unmarked, marked)
        if not parts:
            return rest
        if len(parts) == 1 and not rest.size:
            return parts[0][1]
        return _Join(node, (*([(rest.size, rest)] if rest.size else []), *parts))

    def _simulated(self, names: list[Hashable]) -> Chance:
        held = sum(self._replicates[name] for name in names)
        p = float(np.mean(held > 0))
        return Chance(p, "simulated", float(np.sqrt(max(p * (1 - p), 1 / REPLICATES) / REPLICATES)))

    @cached_property
    def _replicates(self) -> dict[Hashable, NDArray[np.int64]]:
        """Marks in each outlet in each of many even mixings, from a fixed seed for each node: whichever database told of them, in whatever order."""
        network = self.network
        into: dict[Node, NDArray[np.int64]] = defaultdict(lambda: np.zeros(REPLICATES, dtype=np.int64))
        found: dict[Hashable, NDArray[np.int64]] = {}
        places: defaultdict[Node, list[tuple[Hashable, Outlet]]] = defaultdict(list)
        for name, outlet in network.outlets.items():
            if outlet.marks:
                found[name] = np.full(REPLICATES, round(outlet.marks.expected), dtype=np.int64)
            else:
                places[outlet.node].append((name, outlet))
        for node in network.order:
            own = network.marks.get(node)
            marked, left = into[node], network.held[node]
            if own:  # of what has none by a draw
                marked = marked + np.rint(own.expected * (1 - marked / max(1, left))).astype(np.int64)
            rng = np.random.default_rng([SEED, crc32(repr(network.name_of(node)).encode())])
            for name, outlet in sorted(places[node], key=lambda place: repr(place[0])):
                found[name] = rng.hypergeometric(marked, left - marked, min(outlet.units, left))
                marked, left = marked - found[name], left - min(outlet.units, left)
            for draw in sorted(network.out[node], key=lambda draw: repr(network.name_of(draw.child))):
                went = rng.hypergeometric(marked, left - marked, min(draw.units, left))
                marked, left = marked - went, left - min(draw.units, left)
                if draw.child not in network.whole:
                    into[draw.child] = into[draw.child] + went
        return found


def _pools_of(state: "_Pool | _Join") -> list[Node]:
    """The marked pools that a state draws from."""
    if isinstance(state, _Pool):
        return [state.pool] if state.marked else []
    return [pool for _, part in state.parts for pool in _pools_of(part)]


def none_of(size: int, marked: float, upto: int) -> Floats:
    """Hypergeometric chance of no marked unit among k drawn of `size`, for k = 0 to `upto`; `marked` may be a mean."""
    from scipy.special import gammaln

    k = np.arange(upto + 1)
    free = size - marked
    with np.errstate(invalid="ignore"):
        log = gammaln(free + 1) - gammaln(np.maximum(free - k, 0) + 1) - gammaln(size + 1) + gammaln(np.maximum(size - k, 0) + 1)
    return np.where(k <= free, np.exp(np.minimum(log, 0.0)), 0.0)


def _none_at(state: "_Pool | _Join", drawn: int) -> float:
    """Chance of no mark among so many units drawn from a node in this state: of a draw of a draw one term, of a join one sum over shares."""
    if isinstance(state, _Pool):
        free = state.size - state.marked
        if drawn > free:
            return 0.0
        return exp(min(0.0, lgamma(free + 1) - lgamma(free - drawn + 1) - lgamma(state.size + 1) + lgamma(state.size - drawn + 1)))
    units, last = state.parts[-1]
    others = _Join(state.node, state.parts[:-1])
    size = sum(n for n, _ in others.parts)
    return float(_joined_at(size, _none_drawn(others, min(drawn, size)), units, _none_drawn(last, min(drawn, units)), drawn))


@lru_cache(maxsize=256)
def _none_drawn(state: "_Pool | _Join", upto: int) -> Floats:
    """Chance of no mark among k units drawn from a node in this state, k = 0 to `upto`."""
    if isinstance(state, _Pool):
        return none_of(state.size, state.marked, min(upto, state.size))
    size, none = state.parts[0][0], _none_drawn(state.parts[0][1], min(upto, state.parts[0][0]))
    for units, part in state.parts[1:]:
        none = _joined(size, none, units, _none_drawn(part, min(upto, units)), upto)
        size += units
    return none


def _joined(a: int, none_a: Floats, b: int, none_b: Floats, upto: int) -> Floats:
    """Of k units drawn from a + b mixed units, j come from the first: one sum over shares for each k."""
    found = np.zeros(min(upto, a + b) + 1)
    for k in range(len(found)):
        found[k] = _joined_at(a, none_a, b, none_b, k)
    return found


def _joined_at(a: int, none_a: Floats, b: int, none_b: Floats, k: int) -> Any:
    j = np.arange(max(0, k - b), min(k, a) + 1)
    shares = np.exp(_log_choose(a, j) + _log_choose(b, k - j) - _log_choose(a + b, np.array([k])))
    return min(1.0, np.sum(shares * none_a[j] * none_b[k - j]))


def _log_choose(n: int, k: NDArray[np.int64]) -> Floats:
    from scipy.special import gammaln

    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1), dtype=np.float64)
