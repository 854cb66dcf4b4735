"""Marked units that are drawn from one thing into another: the network of draws below some marks. Pure.

A *node* is anything that takes units in and gives units out: what left a panel, a loose lot (in one phase), a sample. *Marks* sit on units
of some nodes; a *draw* of n units from a node may carry any 0 to n of its marks, whatever the others carry, as long as numbers close. An
*outlet* is where units lie now, or where they are gone: what is asked about. What can be said of marks in outlets: `mixing.py`.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

Node = Hashable


class Marks(NamedTuple):
    """Of the units of a node, between `least` and `greatest` are marked, beside those that draws bring."""

    units: int
    least: int
    greatest: int

    @property
    def expected(self) -> float:
        return (self.least + self.greatest) / 2

    @property
    def is_whole(self) -> bool:
        """All of them are, whatever draws bring."""
        return self.least == self.units


UNMARKED = Marks(0, 0, 0)


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


class Network:
    """The draws below some marks. `taken_in`: all units that a node ever took in, from marked origins and others."""

    def __init__(
        self, marks: Mapping[Node, Marks], draws: Iterable[Draw], taken_in: Mapping[Node, int], outlets: Mapping[Hashable, Outlet],
        told: Mapping[Node, Told] | None = None, slack_in: Mapping[Node, int] | None = None, names: Sequence[Hashable] = (),
    ) -> None:  # fmt: skip
        """`told`: marks expected in some nodes by something better than even mixing. `slack_in`: of what came in by no draw.

        `names`: where nodes are numbers, what each stands for, by which a simulation is the same in whatever order they were numbered.
        """
        self._names = names
        self.marks, self.told, self.slack_in = dict(marks), dict(told or {}), dict(slack_in or {})
        self.whole = {node for node, own in self.marks.items() if own.is_whole}  # these forget what came in
        self.taken_in = taken_in
        self.outlets = dict(outlets)
        self.into: defaultdict[Node, list[Draw]] = defaultdict(list)
        self.out: defaultdict[Node, list[Draw]] = defaultdict(list)
        self.forgotten: defaultdict[Node, list[Draw]] = defaultdict(list)
        self.went: defaultdict[Node, int] = defaultdict(int)
        self.uncertain: set[Node] = set(self.slack_in)  # how much came into them, left them or lies there is not known exactly
        came, went = self._add_draws(draws), self.went
        self.placed = self._add_outlets()
        self.order = self._parents_first({**self.marks, **came, **went})
        # all units of a node; where more left than ever came in (a difference within counting), so many
        self.held = {
            node: max(self.marks[node].units if node in self.marks else taken_in.get(node, 0), came.get(node, 0), went.get(node, 0))
            for node in self.order
        }
        self.closes = all(went.get(node, 0) == units for node, units in self.held.items())  # no unit is missing anywhere
        self.overlaps = any(node in self.into or node in self.forgotten for node in self.marks)  # units may be marked by two ways at once

    def _add_draws(self, draws: Iterable[Draw]) -> dict[Node, int]:
        """How much came by them into each node that does not forget it."""
        came: defaultdict[Node, int] = defaultdict(int)
        for draw in _summed(draws):
            if draw.child not in self.whole:
                self.into[draw.child].append(draw)
                came[draw.child] += draw.units
            else:
                self.forgotten[draw.child].append(draw)
            self.out[draw.parent].append(draw)
            self.went[draw.parent] += draw.units
            if draw.slack != 0:
                self.uncertain |= {draw.parent, draw.child}
        return came

    def _add_outlets(self) -> int:
        """How many units lie in those whose marks are not known."""
        placed = 0
        for node, units, known, slack in self.outlets.values():
            if known is None:
                self.went[node] += units
                placed += units
                if slack != 0:
                    self.uncertain.add(node)
        return placed

    def name_of(self, node: Node) -> Hashable:
        return self._names[node] if self._names and isinstance(node, int) else node

    def parted(self, names: Iterable[Hashable]) -> tuple[Marks, dict[Node, int]]:
        """The outlets whose marks are known, together; and the units that the others take of each node."""
        units = least = greatest = 0
        by_node: dict[Node, int] = {}
        for name in names:
            node, n, marks, _ = self.outlets[name]
            if marks is None:
                by_node[node] = by_node.get(node, 0) + n
            else:
                units, least, greatest = units + n, least + marks.least, greatest + marks.greatest
        return Marks(units, least, greatest) if units else UNMARKED, by_node

    def above(self, nodes: Iterable[Node]) -> list[Node]:
        seen, waiting = dict.fromkeys(nodes), list(nodes)
        while waiting:
            for draw in self.into.get(waiting.pop(), ()):
                if draw.parent not in seen:
                    seen[draw.parent] = None
                    waiting.append(draw.parent)
        return list(seen)

    @cached_property
    def outlets_at(self) -> dict[Node, list[tuple[Hashable, Outlet]]]:
        found: defaultdict[Node, list[tuple[Hashable, Outlet]]] = defaultdict(list)
        for name, outlet in self.outlets.items():
            if outlet.marks is None:
                found[outlet.node].append((name, outlet))
        return dict(found)

    def _parents_first(self, nodes: Iterable[Node]) -> list[Node]:
        waiting = {node: len(self.into[node]) if node in self.into else 0 for node in nodes}
        order = [node for node, parents in waiting.items() if not parents]
        for node in order:  # it grows
            for draw in self.out.get(node, ()):
                if draw.child not in self.whole:
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
