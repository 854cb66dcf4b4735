"""How many marks a set of outlets holds at least and at most, whatever mixed how. Pure.

Network flow: marks are sources, draws are edges with their units as capacities, outlets are sinks. Greatest in a set is the maximum flow into
it; least is all marks minus the maximum flow into everything else (max-flow min-cut: Ford and Fulkerson, Canadian Journal of Mathematics 8
(1956) 399). Where no two ways from one node meet again, the same follows from sums along the draws, of a set leaf by leaf
(`maximum_flow.py`). What was counted by weight or by hand may have been more or fewer by twice its standard uncertainty: there the extremes
are over all true counts within that (`true_counts.py`).
"""

from collections.abc import Hashable, Iterable, Mapping, Sequence
from functools import cached_property

from app.genealogy.draws import UNMARKED, Draw, Network, Node, Outlet
from app.genealogy.maximum_flow import maximum_flow
from app.genealogy.true_counts import ANY, Vessel, Way
from app.genealogy.true_counts import bounds as true_bounds

_FEW = 6  # lots of a pack


# least and greatest marks that came into a node; and whether no two ways from one node meet in it, so that sums along the draws are exact
_Bounds = tuple[int, int, bool]


class Extremes:
    """Least and greatest numbers of marks in outlets of a network."""

    def __init__(self, network: Network) -> None:
        self.network = network

    def of(self, by_node: Mapping[Node, int], chosen: Sequence[Hashable]) -> tuple[int, int]:
        network = self.network
        if not by_node:
            return 0, 0
        if network.uncertain:
            above = network.above(by_node)
            if not network.uncertain.isdisjoint(above):
                return self._by_true_counts(above, set(chosen))
        elif network.closes and not network.overlaps and sum(by_node.values()) == network.placed:  # everything there is
            return sum(mark.least for mark in network.marks.values()), sum(mark.greatest for mark in network.marks.values())
        if len(by_node) <= _FEW and (found := self._by_sums(by_node)):
            return found
        return self.by_flow(by_node)

    def _by_sums(self, by_node: Mapping[Node, int]) -> tuple[int, int] | None:
        """Where no two ways meet again, neither in a node nor in several that give nothing on: each by itself."""
        several = len(by_node) > 1
        if several and (any(self.network.out.get(node) for node in by_node) or self._meet(by_node)):
            return None
        sums = [0, 0]
        for node, units in by_node.items():
            least, greatest, is_tree = self._bounds[node]
            if not is_tree:
                return None
            stays = self.network.held[node] - units
            sums[0] += least - stays if least > stays else 0
            sums[1] += greatest if greatest < units else units
        return sums[0], sums[1]

    def by_flow(self, by_node: Mapping[Node, int]) -> tuple[int, int]:
        """Only what is above the outlets decides."""
        network = self.network
        above = network.above(by_node)
        number = {node: i for i, node in enumerate(above)}
        draws: list[tuple[int, int, int]] = []
        inside, outside = [by_node.get(node, 0) for node in above], [network.held[node] - by_node.get(node, 0) for node in above]
        for i, node in enumerate(above):
            for draw in network.out[node]:
                if draw.child in number and draw.child not in network.whole:
                    draws.append((i, number[draw.child], draw.units))
                    outside[i] -= draw.units
        marks = [network.marks.get(node, UNMARKED) for node in above]
        least, greatest = [one.least for one in marks], [one.greatest for one in marks]
        return sum(least) - maximum_flow(least, outside, draws), maximum_flow(greatest, inside, draws)

    def _by_true_counts(self, above: list[Node], chosen: set[Hashable]) -> tuple[int, int]:
        """Marks are followed in what is above the outlets; units also in all that an uncertain draw ties to it."""
        nodes = [*above, *self._tied_to(above)]
        number = {node: i for i, node in enumerate(nodes)}
        draws = {id(draw): draw for node in nodes for draw in (*self.network.out.get(node, ()), *self._drawn_into(node))}
        ways = [Way(number.get(draw.parent), number.get(draw.child), *_range(draw)) for draw in draws.values()]
        ways += [
            Way(number[outlet.node], None, *_range(outlet), name in chosen)
            for node in nodes for name, outlet in self.network.outlets_at.get(node, ())
        ]  # fmt: skip
        ways += [Way(number[node], None, 0, self._untold(node)) for node in nodes]
        followed = set(above)
        return true_bounds([self._vessel(node, node in followed) for node in nodes], ways)

    def _tied_to(self, above: list[Node]) -> list[Node]:
        seen, waiting = set(above), list(above)
        for node in waiting:  # it grows
            for draw in (*self.network.out.get(node, ()), *self._drawn_into(node)):
                for end in (draw.parent, draw.child):
                    if draw.slack != 0 and end not in seen:
                        seen.add(end)
                        waiting.append(end)
        return waiting[len(above) :]

    def _drawn_into(self, node: Node) -> Sequence[Draw]:
        return self.network.into.get(node) or self.network.forgotten.get(node) or ()

    def _vessel(self, node: Node, followed: bool) -> Vessel:
        network = self.network
        own, slack = network.marks.get(node), network.slack_in.get(node, 0)
        units = max(network.taken_in.get(node, 0), own.units if own else 0) - sum(draw.units for draw in self._drawn_into(node))
        least, greatest = (own.least, own.greatest if own.greatest < own.units else ANY) if own else (0, 0)
        return Vessel(max(0, units - slack), max(0, units + slack), least, greatest, node in network.whole, followed)

    def _untold(self, node: Node) -> float:
        """Units of a node of which nothing is told."""
        network = self.network
        if node not in network.out and node not in network.outlets_at:
            return ANY
        return 0 if node in network.uncertain else network.held[node] - network.went[node]

    @cached_property
    def _bounds(self) -> dict[Node, _Bounds]:
        network = self.network
        found: dict[Node, _Bounds] = {}
        for node in network.order:
            own = network.marks.get(node)
            least, greatest, is_tree = (own.least, own.greatest, True) if own else (0, 0, True)
            draws = network.into.get(node, ())
            for draw in draws:
                its_least, its_greatest, its_tree = found[draw.parent]
                stays = network.held[draw.parent] - draw.units
                least += its_least - stays if its_least > stays else 0
                greatest += its_greatest if its_greatest < draw.units else draw.units
                is_tree = is_tree and its_tree
            found[node] = (least, greatest, is_tree and not (len(draws) > 1 and self._meet(draw.parent for draw in draws)))
        return found

    def _meet(self, nodes: Iterable[Node]) -> bool:
        """Several ways from one node lead to these."""
        seen: set[Node] = set()
        for node in nodes:
            above = self.network.above([node])
            if not seen.isdisjoint(above):
                return True
            seen.update(above)
        return False


def _range(of: Draw | Outlet) -> tuple[float, float]:
    """How many units it may have been."""
    return (0, ANY) if of.slack is None else (max(0, of.units - of.slack), of.units + of.slack)
