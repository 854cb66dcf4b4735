"""How many marks outlets hold by expectation, and how far that may be off. Pure.

Under even mixing (each draw is a random sample without replacement of its node) it is linear: units times density. A second expectation takes
what something better tells of some nodes, such as colours. A colour sort is no even mixing: behind a draw by bin the expectation has a range,
Fisher's noncentral hypergeometric mean for odds of 1/10 to 10 that a marked unit falls into this bin (A. Fog, Communications in Statistics B
37 (2008) 258; SciPy's nchypergeom_fisher).
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping
from functools import cached_property, lru_cache
from math import hypot, sqrt

from app.genealogy.draws import Network, Node, Told

ODDS = (0.1, 10.0)


class Expectation:
    """Expected marks in outlets of a network."""

    def __init__(self, network: Network) -> None:
        self.network = network

    def evenly(self, name: Hashable) -> float:
        outlet = self.network.outlets[name]
        return outlet.marks.expected if outlet.marks else outlet.units * self.density[outlet.node]

    def told(self, name: Hashable) -> float:
        outlet = self.network.outlets[name]
        return outlet.marks.expected if outlet.marks else outlet.units * self._told_density[outlet.node]

    def told_sd(self, names: Iterable[Hashable]) -> float:
        """Of a set: what is left open of each told node, and which of its units were drawn, by chance, into the set (hypergeometric variance).

        Node by node as if they were apart; so of all bins of one test it is too large.
        """
        shares: defaultdict[Node, float] = defaultdict(float)
        for name in names:
            outlet = self.network.outlets[name]
            for node, share in ({} if outlet.marks else self._told_shares.get(outlet.node, {})).items():
                shares[node] += outlet.units * share
        return hypot(*(self._told_sd(node, share) for node, share in shares.items()))

    def _told_sd(self, node: Node, share: float) -> float:
        """Of the marks in a random `share` of a told node's units."""
        told, units = self.network.told[node], self.network.held[node]
        density = min(1.0, told.marks / units)
        drawn = max(0.0, share * (1 - share)) * density * (1 - density) * units**2 / max(1, units - 1)
        return hypot(share * told.sd, sqrt(drawn))

    def stretch(self, name: Hashable) -> tuple[float, float]:
        outlet = self.network.outlets[name]
        return (1.0, 1.0) if outlet.marks else self._stretches[outlet.node]

    @cached_property
    def past_bin(self) -> dict[Node, bool]:
        found: dict[Node, bool] = {}
        for node in self.network.order:
            found[node] = any(draw.by_bin or found[draw.parent] for draw in self.network.into.get(node, ()) if self.density[draw.parent] > 0)
        return found

    @cached_property
    def density(self) -> dict[Node, float]:
        """Expected marks of each node, per unit that it ever took in."""
        return self._densities({})

    @cached_property
    def _told_density(self) -> dict[Node, float]:
        return self._densities(self.network.told)

    def _densities(self, told: Mapping[Node, Told]) -> dict[Node, float]:
        network = self.network
        found: dict[Node, float] = {}
        for node in network.order:
            marks = 0.0
            for draw in network.into.get(node, ()):
                marks += draw.units * found[draw.parent]
            if node in network.marks:
                own = network.marks[node].expected
                marks += own * (1 - marks / network.held[node]) if marks else own  # of what has none by a draw
            elif node in told:
                marks = told[node].marks
            found[node] = marks / network.held[node] if network.held[node] else 0.0
        return found

    @cached_property
    def _told_shares(self) -> dict[Node, dict[Node, float]]:
        """Which part of the marks of each told node a unit of a node below it has."""
        network = self.network
        found: dict[Node, dict[Node, float]] = {}
        for node in network.order:
            parts: defaultdict[Node, float] = defaultdict(float)
            if node in network.told:
                parts[node] = 1.0
            else:
                for draw in network.into.get(node, ()):
                    for of, share in found.get(draw.parent, {}).items():
                        parts[of] += draw.units * share
            if parts and network.held[node]:
                found[node] = {of: part / network.held[node] for of, part in parts.items()}
        return found

    @cached_property
    def _stretches(self) -> dict[Node, tuple[float, float]]:
        """By how much a node's expectation shrinks and grows when origin does affect the bin."""
        network = self.network
        found: dict[Node, tuple[float, float]] = {}
        for node in network.order:
            total = sum(draw.units * self.density[draw.parent] for draw in network.into.get(node, ()))
            if node in network.marks or total <= 0:
                found[node] = (1.0, 1.0)
                continue
            low = high = 0.0
            for draw in network.into[node]:
                marks = draw.units * self.density[draw.parent]
                a, b = found[draw.parent]
                if draw.by_bin:
                    held = network.held[draw.parent]
                    whole = max(1, round(self.density[draw.parent] * held))  # the mean is for whole marks; the ratio serves a fraction as well
                    c, d = (_odds_mean(held, whole, draw.units, odds) * held / (whole * draw.units) for odds in ODDS)
                    a, b = a * c, b * d
                low, high = low + marks * a, high + marks * b
            found[node] = (low / total, high / total)
        return found


@lru_cache(maxsize=4096)
def _odds_mean(size: int, marked: int, drawn: int, odds: float) -> float:
    """Mean number of marked among `drawn` of `size` where a marked unit is `odds` times as likely to be drawn as another."""
    from scipy.stats import nchypergeom_fisher

    if marked <= 0 or drawn <= 0:
        return 0.0
    if marked >= size or drawn >= size:
        return float(min(marked, drawn))
    return float(nchypergeom_fisher.mean(size, marked, drawn, odds))
