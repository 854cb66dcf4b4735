"""In which order to fill packs from several loose lots, so that one bad origin reaches the fewest packs. Pure.

Packs are filled one after the other: the lots lie end to end, and every `size` units make a pack. An origin reaches each pack that takes in
units of a lot that has it. What is kept least is the sum over origins of the packs that each reaches (so, the mean reach of one bad origin),
and among equals the reach of the worst one. Up to `EXACT` lots every order is tried; more are improved from a good start by moving one lot
at a time until no move helps, which need not be the best order, and the answer says so. It is our own measure; no standard has one.

Nothing is assumed of shares: an origin of a lot reaches every pack that takes in a unit of the lot, and once lots are one, every pack of it,
but no more packs than the lots that have it hold units.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import permutations

EXACT = 7
Origin = tuple[str, int]  # kind and id


@dataclass(frozen=True)
class Waiting:
    """Units of a loose lot that are to be filled, and the origins that can be in them."""

    lot: int
    units: int
    origins: frozenset[Origin]


@dataclass(frozen=True)
class FillOrder:
    """`reach`: packs that each origin would reach; `is_best`: every order was tried."""

    lots: tuple[int, ...]
    reach: dict[Origin, int]
    is_best: bool

    @property
    def total(self) -> int:
        return sum(self.reach.values())

    @property
    def worst(self) -> int:
        return max(self.reach.values(), default=0)


def reach_of(order: Sequence[Waiting], size: int) -> dict[Origin, int]:
    """Packs that each origin reaches when the lots are filled in this order."""
    found: dict[Origin, int] = {}
    last: dict[Origin, int] = {}  # the last pack that an origin was counted in
    begin = 0
    for one in order:
        if one.units <= 0:
            continue
        first, end = begin // size, (begin + one.units - 1) // size
        for origin in one.origins:
            found[origin] = found.get(origin, 0) + end - first + (0 if last.get(origin) == first else 1)
            last[origin] = end
        begin += one.units
    return found


def reach_merged(lots: Sequence[Waiting], size: int) -> dict[Origin, int]:
    """The same once the lots are one: each origin of any may be in every pack, but in no more packs than it has units."""
    units = sum(one.units for one in lots)
    packs = -(-units // size)
    greatest: dict[Origin, int] = {}
    for one in lots:
        for origin in one.origins:
            greatest[origin] = greatest.get(origin, 0) + one.units
    return {origin: min(packs, n) for origin, n in greatest.items()}


def reach_apart(lots: Sequence[Waiting], size: int) -> dict[Origin, int]:
    """The same when every lot fills packs of its own."""
    found: dict[Origin, int] = {}
    for one in lots:
        for origin in one.origins:
            found[origin] = found.get(origin, 0) - (-one.units // size)
    return found


def reach_filled(inside: Sequence[Waiting], coming: Sequence[tuple[Waiting, int]], size: int) -> tuple[dict[Origin, int], dict[Origin, int]]:
    """The same before and after a fill of one pack, which holds `inside` and takes in so many of each lot that comes: what else is there
    fills packs of its own lot."""
    rest = [Waiting(one.lot, one.units - taken, one.origins) for one, taken in coming]
    before = reach_apart([one for one, _ in coming], size)
    after = reach_apart(rest, size)
    held = frozenset[Origin]().union(*(one.origins for one in inside))
    for origin in held:
        before[origin] = before.get(origin, 0) + 1
    for origin in held.union(*(one.origins for one, taken in coming if taken)):
        after[origin] = after.get(origin, 0) + 1
    return before, after


def best_order(lots: Sequence[Waiting], size: int) -> FillOrder:
    """The order that keeps the reach of one bad origin least."""
    if len(lots) <= EXACT:
        best = min(permutations(lots), key=lambda order: _cost(order, size))
        return FillOrder(tuple(one.lot for one in best), reach_of(best, size), is_best=True)
    order = _improved(_chained(lots), size)
    return FillOrder(tuple(one.lot for one in order), reach_of(order, size), is_best=False)


def _cost(order: Sequence[Waiting], size: int) -> tuple[int, int]:
    reach = reach_of(order, size)
    return sum(reach.values()), max(reach.values(), default=0)


def _chained(lots: Sequence[Waiting]) -> list[Waiting]:
    """Each next to one that shares the most origins with it."""
    order, left = [lots[0]], list(lots[1:])
    while left:
        following = max(left, key=lambda one: len(one.origins & order[-1].origins))
        left.remove(following)
        order.append(following)
    return order


def _improved(order: list[Waiting], size: int) -> list[Waiting]:
    cost = _cost(order, size)
    is_better = True
    while is_better:
        is_better = False
        for i in range(len(order)):
            for j in range(len(order)):
                if i == j:
                    continue
                other = order[:i] + order[i + 1 :]
                other.insert(j, order[i])
                if (new := _cost(other, size)) < cost:
                    order, cost, is_better = other, new, True
    return order


def worst_of(origins: Iterable[Origin], reach: Callable[[Origin], tuple[int, int]]) -> Origin:
    """The one that reaches the most; of several the first by number, in whatever order they came."""
    return max(sorted(origins), key=reach)
