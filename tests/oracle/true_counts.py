"""What the numbers may really have been, where something was weighed: every way within twice the uncertainties in which no number is below 0.

What was weighed out is what the scale said, give or take; what stayed, and all that is poured on from there, is the rest. All else is exact.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from tests.oracle.state import State
from tests.oracle.things import Exit, Node


@dataclass(frozen=True)
class TrueCounts:
    """One way. `units` of every state of a loose lot or sample; `taken`: of these, those that left it and did not go on with the rest."""

    units: dict[int, int]
    taken: dict[int, int]

    def of(self, source: Node | Exit) -> int:
        return self.units.get(id(source), source.n)

    def into(self, child: Node | Exit, before: Node | Exit, n: int) -> int:
        """How many of the units of `before`, `n` by the record, became part of `child`."""
        if isinstance(child, Node) and child.is_rest and id(before) in self.units:
            return self.units[id(before)] - self.taken[id(before)]
        return self.taken[id(before)] if isinstance(before, Node) and before.spare else n


def true_counts(state: State) -> list[TrueCounts]:
    weighed = [node for node in state.nodes if node.spare]
    ways = product(*(range(-node.spare, node.spare + 1) for node in weighed))
    return [found for way in ways for found in _counted(state.nodes, {id(node): more for node, more in zip(weighed, way, strict=True)})]


def _counted(nodes: Sequence[Node], more: dict[int, int]) -> Iterator[TrueCounts]:
    """Parents come before children; nothing where a number would be below 0, or beyond what its own count allows."""
    counts = TrueCounts({}, {})
    for node in nodes:
        amounts = [counts.into(node, before, n) for before, n in node.inputs]
        poured = [
            (amount, n) for amount, (before, n) in zip(amounts, node.inputs, strict=True) if isinstance(before, Node) and before.thing != node.thing
        ]
        if node.limit is not None and any(abs(amount - n) > node.limit for amount, n in poured):
            return
        if node.is_counted and sum(amounts) < node.n:
            return
        counts.units[id(node)] = node.n if node.is_counted else sum(amounts)
        counts.taken[id(node)] = node.taken + more.get(id(node), 0)
        if not 0 <= counts.taken[id(node)] <= counts.units[id(node)]:
            return
    yield counts
