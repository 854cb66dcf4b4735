"""Marked units that mix: how many of them a set of outlets holds at least, at most and by expectation, and the chance of any. Pure.

A *node* is anything that takes units in and gives units out: what left a panel, a loose lot (in one phase), a sample. *Marks* sit on units
of some nodes; a *draw* of n units from a node may carry any 0 to n of its marks, whatever the others carry, as long as numbers close.

- least, greatest: network flow. Marks are sources, draws are edges with their units as capacities, outlets are sinks. Greatest in a set
  is the maximum flow into it; least is all marks minus the maximum flow into everything else (max-flow min-cut: Ford and Fulkerson,
  Canadian Journal of Mathematics 8 (1956) 399). Where no two ways from one node meet again, the same follows from sums along the draws,
  of a set leaf by leaf (`maximum_flow.py`). What was counted by weight or by hand may have been more or fewer by twice its standard uncertainty:
  there the extremes are over all true counts within that (`true_counts.py`).
- expected: under even mixing (each draw is a random sample without replacement of its node) it is linear: units times density.
- chance of at least one: hypergeometric; a draw of a draw is a draw of the first; parts that share no marked ancestor are convolved;
  else seeded simulation, which states its standard error.
- a colour sort is no even mixing. Behind a draw by bin the expectation has a range: Fisher's noncentral hypergeometric mean for odds of
  1/10 to 10 that a marked unit falls into this bin (A. Fog, Communications in Statistics B 37 (2008) 258; SciPy's nchypergeom_fisher).
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import exp, hypot, lgamma
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.genealogy.maximum_flow import maximum_flow
from app.genealogy.true_counts import ANY, Vessel, Way
from app.genealogy.true_counts import bounds as true_bounds

ODDS = (0.1, 10.0)
REPLICATES = 4000
SEED = 20260301
Node = Hashable
Floats = NDArray[np.float64]


class Marks(NamedTuple):
    """Of the units of a node, between `least` and `most` are marked, whatever came in from elsewhere."""

    units: int
    least: int
    most: int

    @property
    def expected(self) -> float:
        return (self.least + self.most) / 2


class Draw(NamedTuple):
    """`units` of `parent` went into `child`. `by_bin`: chosen by what a test measured, not evenly.

    `slack`: so many more or fewer may have gone this way: twice the standard uncertainty of their count, by weight or by hand.
    None: nobody counted; it was all that was left.
    """

    parent: Node
    child: Node
    units: int
    by_bin: bool = False
    slack: int | None = 0


class Outlet(NamedTuple):
    """Units of a node that lie somewhere now, or are gone: what is counted. `node` None: nothing was mixed, `marks` are known of them.

    `slack` as of a draw.
    """

    node: Node
    units: int
    marks: Marks | None = None
    slack: int | None = 0


class Told(NamedTuple):
    """Marks that something better than even mixing expects in a node, and the standard deviation of that number."""

    marks: float
    sd: float = 0.0


class Chance(NamedTuple):
    """Of at least one marked unit. `how`: exact, or simulated with its standard error."""

    value: float
    how: str = "exact"
    error: float = 0.0


class Numbers(NamedTuple):
    """Of the units of a set of outlets, how many are marked."""

    units: int
    least: int
    expected: float
    greatest: int
    chance: Chance


@dataclass(frozen=True)
class Exposed:
    """Marked units in a set of outlets. `expected_low`, `expected_high`: for odds from 1/10 to 10 behind a colour sort, else as `expected`."""

    units: int
    least: int
    expected: float
    greatest: int
    expected_low: float
    expected_high: float
    chance: Chance
    past_bin: bool
    by_colour: float | None = None  # a second expectation, where colours tell whose dies the bins have
    by_colour_sd: float = 0.0  # its standard deviation, as far as the colours leave open whose they are


class _Bounds(NamedTuple):
    """Marks that came into a node; `is_tree`: no two ways from one node meet in it, so that sums along the draws are exact."""

    least: int
    most: int
    is_tree: bool
    branching: frozenset[Node]


class _Pool(NamedTuple):
    """A node holds a random sample of `pool`: `size` units of which `marked` are marked."""

    pool: Node
    size: int
    marked: float


class _Join(NamedTuple):
    """`node` holds random parts of several mixtures that share no mark: how many units of each."""

    node: Node
    parts: tuple[tuple[int, "_Pool | _Join"], ...]


_CERTAIN, _NEVER, _UNMARKED = Chance(1.0), Chance(0.0), Marks(0, 0, 0)
_NOWHERE: frozenset[Node] = frozenset()
_FEW = 6  # lots of a pack


class Mixing:
    """The network of draws below some marks. `taken_in`: all units that a node ever took in, from marked origins and others."""

    def __init__(
        self, marks: Mapping[Node, Marks], draws: Iterable[Draw], taken_in: Mapping[Node, int], outlets: Mapping[Hashable, Outlet],
        told: Mapping[Node, Told] | None = None, slack_in: Mapping[Node, int] | None = None,
    ) -> None:  # fmt: skip
        """`told`: marks expected in some nodes by something better than even mixing. `slack_in`: of what came in by no draw."""
        self.marks, self.told, self._slack_in = dict(marks), dict(told or {}), dict(slack_in or {})
        self._taken_in = taken_in
        self.outlets = dict(outlets)
        self._into: defaultdict[Node, list[Draw]] = defaultdict(list)
        self._out: defaultdict[Node, list[Draw]] = defaultdict(list)
        came: defaultdict[Node, int] = defaultdict(int)
        went: defaultdict[Node, int] = defaultdict(int)
        self._uncertain: set[Node] = set(self._slack_in)  # how much came into them, left them or lies there is not known exactly
        self._forgotten: defaultdict[Node, list[Draw]] = defaultdict(list)
        for draw in _summed(draws):
            if draw.child not in self.marks:
                self._into[draw.child].append(draw)
                came[draw.child] += draw.units
            else:  # what is marked as a whole forgets what came in
                self._forgotten[draw.child].append(draw)
            self._out[draw.parent].append(draw)
            went[draw.parent] += draw.units
            if draw.slack != 0:
                self._uncertain |= {draw.parent, draw.child}
        self._placed = 0
        for node, units, known, slack in self.outlets.values():
            if known is None:
                went[node] += units
                self._placed += units
                if slack != 0:
                    self._uncertain.add(node)
        self._went = went
        self.order = self._parents_first({**self.marks, **came, **went})
        # all units of a node; where more left than ever came in (a difference within counting), so many
        self.held = {
            node: max(self.marks[node].units if node in self.marks else taken_in.get(node, 0), came.get(node, 0), went.get(node, 0))
            for node in self.order
        }
        self._closes = all(went.get(node, 0) == units for node, units in self.held.items())  # no unit is missing anywhere

    @property
    def is_uncertain(self) -> bool:
        """Some amounts are known to twice their uncertainty only."""
        return bool(self._uncertain)

    def exposed(self, names: Iterable[Hashable]) -> Exposed:
        """Of a set of outlets together: never a sum of bounds. With the range behind a colour sort."""
        chosen = list(dict.fromkeys(names))
        units, least, expected, greatest, chance = self.numbers(chosen)
        low = sum(self._expected_in(name) * self._stretch(name)[0] for name in chosen)
        high = sum(self._expected_in(name) * self._stretch(name)[1] for name in chosen)
        past_bin = any(self._past_bin[self.outlets[name].node] for name in chosen if self.outlets[name].marks is None)
        kept = (min(max(low, least), expected), max(min(high, greatest), expected))
        by_colour = (sum(self._told_in(name) for name in chosen), self._told_sd_in(chosen)) if self.told else (None, 0.0)
        return Exposed(units, least, expected, greatest, *kept, chance, past_bin, *by_colour)

    def numbers(self, names: Iterable[Hashable]) -> Numbers:
        """The same without the range."""
        chosen = list(dict.fromkeys(names))
        known, by_node = self._parted(chosen)
        least, greatest = self._bounds_of(by_node, chosen)
        least, greatest = least + known.least, greatest + known.most
        units, expected = known.units, known.expected
        for node, n in by_node.items():
            units += n
            expected += n * self._density[node]
        if self._uncertain:  # by the record; never outside what can be
            expected = min(max(expected, least), greatest)
        if least > 0:
            chance = _CERTAIN
        elif greatest == 0:
            chance = _NEVER
        else:
            none = self._none_in(known, by_node)
            chance = Chance(1.0 - none) if none is not None else self._simulated(chosen)
        return Numbers(units, least, expected, greatest, chance)

    # --- least and greatest

    def bounds(self, names: Iterable[Hashable]) -> tuple[int, int]:
        """(least, greatest) number of marks in a set of outlets."""
        chosen = list(names)
        known, by_node = self._parted(chosen)
        least, greatest = self._bounds_of(by_node, chosen)
        return known.least + least, known.most + greatest

    def bounds_by_flow(self, names: Iterable[Hashable]) -> tuple[int, int]:
        """The same by maximum flow alone, also where sums along the draws say it."""
        known, by_node = self._parted(names)
        least, greatest = self._bounds_by_flow(by_node)
        return known.least + least, known.most + greatest

    def _parted(self, names: Iterable[Hashable]) -> tuple[Marks, dict[Node, int]]:
        """The outlets whose marks are known, together; and the units that the others take of each node."""
        units = least = most = 0
        by_node: dict[Node, int] = {}
        for name in names:
            node, n, marks, _ = self.outlets[name]
            if marks is None:
                by_node[node] = by_node.get(node, 0) + n
            else:
                units, least, most = units + n, least + marks.least, most + marks.most
        return Marks(units, least, most), by_node

    def _bounds_of(self, by_node: Mapping[Node, int], chosen: Sequence[Hashable]) -> tuple[int, int]:
        if not by_node:
            return 0, 0
        if self._uncertain:
            above = self._above(by_node)
            if not self._uncertain.isdisjoint(above):
                return self._bounds_by_true_counts(above, set(chosen))
        elif self._closes and sum(by_node.values()) == self._placed:  # everything there is
            return sum(mark.least for mark in self.marks.values()), sum(mark.most for mark in self.marks.values())
        if len(by_node) <= _FEW and (found := self._bounds_by_sums(by_node)):
            return found
        return self._bounds_by_flow(by_node)

    def _bounds_by_sums(self, by_node: Mapping[Node, int]) -> tuple[int, int] | None:
        """Where no two ways meet again, neither in a node nor in several that give nothing on: each by itself."""
        sums = [0, 0]
        seen = _NOWHERE
        for node, units in by_node.items():
            least, most, is_tree, branching = self._bounds[node]
            if not is_tree or (len(by_node) > 1 and (self._out.get(node) or seen & branching)):
                return None
            seen = seen | branching if seen else branching
            stays = self.held[node] - units
            sums[0] += least - stays if least > stays else 0
            sums[1] += most if most < units else units
        return sums[0], sums[1]

    def _bounds_by_flow(self, by_node: Mapping[Node, int]) -> tuple[int, int]:
        """Only what is above the outlets decides."""
        above = self._above(by_node)
        number = {node: i for i, node in enumerate(above)}
        draws: list[tuple[int, int, int]] = []
        inside, outside = [by_node.get(node, 0) for node in above], [self.held[node] - by_node.get(node, 0) for node in above]
        for i, node in enumerate(above):
            for draw in self._out[node]:
                if draw.child in number and draw.child not in self.marks:
                    draws.append((i, number[draw.child], draw.units))
                    outside[i] -= draw.units
        marks = [self.marks.get(node, _UNMARKED) for node in above]
        least, most = [one.least for one in marks], [one.most for one in marks]
        return sum(least) - maximum_flow(least, outside, draws), maximum_flow(most, inside, draws)

    def _bounds_by_true_counts(self, above: list[Node], chosen: set[Hashable]) -> tuple[int, int]:
        """Marks are followed in what is above the outlets; units also in all that an uncertain draw ties to it."""
        nodes = [*above, *self._tied_to(above)]
        number = {node: i for i, node in enumerate(nodes)}
        draws = {id(draw): draw for node in nodes for draw in (*self._out.get(node, ()), *self._drawn_into(node))}
        ways = [Way(number.get(draw.parent), number.get(draw.child), *_range(draw)) for draw in draws.values()]
        ways += [
            Way(number[outlet.node], None, *_range(outlet), name in chosen)
            for node in nodes for name, outlet in self._outlets_at.get(node, ())
        ]  # fmt: skip
        ways += [Way(number[node], None, 0, self._untold(node)) for node in nodes]
        followed = set(above)
        return true_bounds([self._vessel(node, node in followed) for node in nodes], ways)

    def _tied_to(self, above: list[Node]) -> list[Node]:
        seen, waiting = set(above), list(above)
        for node in waiting:  # it grows
            for draw in (*self._out.get(node, ()), *self._drawn_into(node)):
                for end in (draw.parent, draw.child):
                    if draw.slack != 0 and end not in seen:
                        seen.add(end)
                        waiting.append(end)
        return waiting[len(above) :]

    def _drawn_into(self, node: Node) -> Sequence[Draw]:
        return self._into.get(node) or self._forgotten.get(node) or ()

    def _vessel(self, node: Node, followed: bool) -> Vessel:
        own, slack = self.marks.get(node), self._slack_in.get(node, 0)
        units = max(self._taken_in.get(node, 0), own.units if own else 0) - sum(draw.units for draw in self._drawn_into(node))
        least, most = (own.least, own.most) if own else (0, 0)
        return Vessel(max(0, units - slack), max(0, units + slack), least, most, own is not None and own.least == own.units, followed)

    def _untold(self, node: Node) -> float:
        """Units of a node of which nothing is told."""
        if node not in self._out and node not in self._outlets_at:
            return ANY
        return 0 if node in self._uncertain else self.held[node] - self._went[node]

    @cached_property
    def _outlets_at(self) -> dict[Node, list[tuple[Hashable, Outlet]]]:
        found: defaultdict[Node, list[tuple[Hashable, Outlet]]] = defaultdict(list)
        for name, outlet in self.outlets.items():
            if outlet.marks is None:
                found[outlet.node].append((name, outlet))
        return dict(found)

    def _above(self, nodes: Iterable[Node]) -> list[Node]:
        seen, waiting = dict.fromkeys(nodes), list(nodes)
        while waiting:
            for draw in self._into.get(waiting.pop(), ()):
                if draw.parent not in seen:
                    seen[draw.parent] = None
                    waiting.append(draw.parent)
        return list(seen)

    @cached_property
    def _bounds(self) -> dict[Node, _Bounds]:
        found: dict[Node, _Bounds] = {}
        for node in self.order:
            own = self.marks.get(node)
            least, most, is_tree = (own.least, own.most, True) if own else (0, 0, True)
            seen: frozenset[Node] = _NOWHERE
            for draw in self._into.get(node, ()):
                part = found[draw.parent]
                least += max(0, part.least - (self.held[draw.parent] - draw.units))
                most += min(part.most, draw.units)
                is_tree = is_tree and part.is_tree and not (seen and seen & part.branching)
                seen = seen | part.branching if seen else part.branching
            found[node] = _Bounds(least, most, is_tree, seen | {node} if len(self._out.get(node, ())) > 1 else seen)
        return found

    # --- expectation

    def _expected_in(self, name: Hashable) -> float:
        outlet = self.outlets[name]
        return outlet.marks.expected if outlet.marks else outlet.units * self._density[outlet.node]

    def _told_in(self, name: Hashable) -> float:
        outlet = self.outlets[name]
        return outlet.marks.expected if outlet.marks else outlet.units * self._told_density[outlet.node]

    def _told_sd_in(self, names: Iterable[Hashable]) -> float:
        """Of a set: what each told node adds to it, node by node as if they were apart; so of all bins of one test it is too large."""
        shares: defaultdict[Node, float] = defaultdict(float)
        for name in names:
            outlet = self.outlets[name]
            for node, share in ({} if outlet.marks else self._told_shares.get(outlet.node, {})).items():
                shares[node] += outlet.units * share
        return hypot(*(share * self.told[node].sd for node, share in shares.items()))

    @cached_property
    def _told_shares(self) -> dict[Node, dict[Node, float]]:
        """Which part of the marks of each told node a unit of a node below it has."""
        found: dict[Node, dict[Node, float]] = {}
        for node in self.order:
            parts: defaultdict[Node, float] = defaultdict(float)
            if node in self.told:
                parts[node] = 1.0
            else:
                for draw in self._into.get(node, ()):
                    for of, share in found.get(draw.parent, {}).items():
                        parts[of] += draw.units * share
            if parts and self.held[node]:
                found[node] = {of: part / self.held[node] for of, part in parts.items()}
        return found

    @cached_property
    def _density(self) -> dict[Node, float]:
        """Expected marks of each node, per unit that it ever took in."""
        return self._densities({})

    @cached_property
    def _told_density(self) -> dict[Node, float]:
        return self._densities(self.told)

    def _densities(self, told: Mapping[Node, Told]) -> dict[Node, float]:
        found: dict[Node, float] = {}
        for node in self.order:
            marks = 0.0
            if node in self.marks:
                marks = self.marks[node].expected
            elif node in told:
                marks = told[node].marks
            else:
                for draw in self._into.get(node, ()):
                    marks += draw.units * found[draw.parent]
            found[node] = marks / self.held[node] if self.held[node] else 0.0
        return found

    @cached_property
    def _past_bin(self) -> dict[Node, bool]:
        found: dict[Node, bool] = {}
        for node in self.order:
            found[node] = any(draw.by_bin or found[draw.parent] for draw in self._into.get(node, ()) if self._density[draw.parent] > 0)
        return found

    def _stretch(self, name: Hashable) -> tuple[float, float]:
        outlet = self.outlets[name]
        return (1.0, 1.0) if outlet.marks else self._stretches[outlet.node]

    @cached_property
    def _stretches(self) -> dict[Node, tuple[float, float]]:
        """By how much a node's expectation shrinks and grows when origin does affect the bin."""
        found: dict[Node, tuple[float, float]] = {}
        for node in self.order:
            total = sum(draw.units * self._density[draw.parent] for draw in self._into.get(node, ()))
            if node in self.marks or total <= 0:
                found[node] = (1.0, 1.0)
                continue
            low = high = 0.0
            for draw in self._into[node]:
                marks = draw.units * self._density[draw.parent]
                a, b = found[draw.parent]
                if draw.by_bin:
                    held = self.held[draw.parent]
                    whole = max(1, round(self._density[draw.parent] * held))  # the mean is for whole marks; the ratio serves a fraction as well
                    c, d = (_odds_mean(held, whole, draw.units, odds) * held / (whole * draw.units) for odds in ODDS)
                    a, b = a * c, b * d
                low, high = low + marks * a, high + marks * b
            found[node] = (low / total, high / total)
        return found

    # --- chance

    def chance(self, names: Iterable[Hashable]) -> Chance:
        """Of at least one mark in a set of outlets, under even mixing."""
        return self.numbers(names).chance

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
        none = 0.0 if known.expected else 1.0
        for state, units in wanted.items():
            none *= _none_at(state, units)
        return none

    @cached_property
    def _states(self) -> dict[Node, "_Pool | _Join | None"]:
        """How each node's content came about; None where marked ways meet again, so that only simulation tells."""
        found: dict[Node, _Pool | _Join | None] = {}
        for node in self.order:
            found[node] = self._state_of(node, found)
        return found

    def _state_of(self, node: Node, found: Mapping[Node, "_Pool | _Join | None"]) -> "_Pool | _Join | None":
        if own := self.marks.get(node):
            return _Pool(node, self.held[node], own.expected)
        whole, marked, parts = 0, 0.0, []
        draws = self._into.get(node, ())
        for draw in draws:
            state = found[draw.parent]
            if state is None:
                return None
            if isinstance(state, _Pool) and (state.size == draw.units or state.marked == 0):
                whole, marked = whole + draw.units, marked + state.marked
            else:
                if len(draws) == 1 and draw.units == self.held[node]:
                    return state
                parts.append((draw.units, state))
        unmarked = self.held[node] - whole - sum(units for units, _ in parts)
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
        """Marks in each outlet in each of many even mixings, from a fixed seed."""
        rng = np.random.default_rng(SEED)
        into: dict[Node, NDArray[np.int64]] = defaultdict(lambda: np.zeros(REPLICATES, dtype=np.int64))
        found: dict[Hashable, NDArray[np.int64]] = {}
        places: defaultdict[Node, list[tuple[Hashable, Outlet]]] = defaultdict(list)
        for name, outlet in self.outlets.items():
            if outlet.marks:
                found[name] = np.full(REPLICATES, round(outlet.marks.expected), dtype=np.int64)
            else:
                places[outlet.node].append((name, outlet))
        for node in self.order:
            own = self.marks.get(node)
            marked = np.full(REPLICATES, round(own.expected), dtype=np.int64) if own else into[node]
            left = self.held[node]
            for name, outlet in places[node]:
                found[name] = rng.hypergeometric(marked, left - marked, min(outlet.units, left))
                marked, left = marked - found[name], left - min(outlet.units, left)
            for draw in self._out[node]:
                went = rng.hypergeometric(marked, left - marked, min(draw.units, left))
                marked, left = marked - went, left - min(draw.units, left)
                if draw.child not in self.marks:
                    into[draw.child] = into[draw.child] + went
        return found

    # --- the network

    def _parents_first(self, nodes: Iterable[Node]) -> list[Node]:
        waiting = {node: len(self._into[node]) if node in self._into else 0 for node in nodes}
        order = [node for node, parents in waiting.items() if not parents]
        for node in order:  # it grows
            for draw in self._out.get(node, ()):
                if draw.child not in self.marks:
                    waiting[draw.child] -= 1
                    if not waiting[draw.child]:
                        order.append(draw.child)
        return order


def _summed(draws: Iterable[Draw]) -> list[Draw]:
    """One draw for a pair of nodes: several parts of one node are one part of it."""
    found: dict[tuple[Node, Node], Draw] = {}
    for draw in draws:
        before = found.setdefault((draw.parent, draw.child), draw)
        if before is not draw:
            units = before.units + draw.units
            slack = None if before.slack is None or draw.slack is None else before.slack + draw.slack
            found[draw.parent, draw.child] = Draw(draw.parent, draw.child, units, before.by_bin or draw.by_bin, slack)
    return list(found.values())


def _range(of: Draw | Outlet) -> tuple[float, float]:
    """How many units it may have been."""
    return (0, ANY) if of.slack is None else (max(0, of.units - of.slack), of.units + of.slack)


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


@lru_cache(maxsize=4096)
def _odds_mean(size: int, marked: int, drawn: int, odds: float) -> float:
    """Mean number of marked among `drawn` of `size` where a marked unit is `odds` times as likely to be drawn as another."""
    from scipy.stats import nchypergeom_fisher

    if marked <= 0 or drawn <= 0:
        return 0.0
    if marked >= size or drawn >= size:
        return float(min(marked, drawn))
    return float(nchypergeom_fisher.mean(size, marked, drawn, odds))
