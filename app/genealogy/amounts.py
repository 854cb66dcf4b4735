"""How much of an origin can, and must, be in what came of it: bounds along flows, exact while cells are known. Pure.

A draw of n units from a lot of N, of which between `least` and `greatest` are of the origin, has at least `least - (N - n)` and at most
min(`greatest`, n) of them: what is not of the origin may all have stayed behind. Sums of these along joins are sound, and may be too modest.
Where units were weighed or counted by hand, N and n may each have been more or fewer by twice their standard uncertainty, their *spare*.
"""

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping
from functools import partial
from typing import NamedTuple, TypeVar

_Origin = TypeVar("_Origin", bound=Hashable)


class Share(NamedTuple):
    """Units of an origin in a thing: at least and at most."""

    least: int
    greatest: int


# Of (least, greatest), in two thirds of the time: a trace makes a thousand.
as_share: Callable[[tuple[int, int]], Share] = partial(tuple.__new__, Share)


class Draw(NamedTuple):
    """`units` went from `parent` into `child`, give or take `spare`."""

    parent: int
    child: int
    units: int
    spare: int = 0


def drawn(share: Share, held: int, units: int, spare: int = 0) -> Share:
    """The share in `units` taken from a thing that held `held` units in all; `spare` of the two together."""
    held = max(held, units)
    return Share(max(0, share.least - (held - units) - spare), min(share.greatest, units + spare))


def either_or_both(a: Share, b: Share, units: int) -> Share:
    """Two shares of one origin in a thing of so many units, where nobody knows whether they are of the same units."""
    return Share(max(a.least, b.least), min(a.greatest + b.greatest, max(units, a.greatest, b.greatest)))


def no_more_than(share: Share, units: int) -> Share:
    """No more than there ever were of the origin: what parts and joins again is added up once a way."""
    return share if share.greatest <= units else Share(min(share.least, units), units)


def capped(share: Share, greatest: int) -> Share:
    """No more than there can be in all; what must be is more than that only where the record contradicts itself."""
    return share if share.greatest <= greatest else Share(share.least, max(share.least, greatest))


def spread(
    draws: Iterable[Draw], held: Mapping[int, int], sources: Mapping[int, Mapping[_Origin, Share]],
    came: Mapping[int, Mapping[_Origin, Share]] | None = None, spare: Mapping[int, int] | None = None, surplus: Mapping[int, int] | None = None,
) -> dict[int, dict[_Origin, Share]]:  # fmt: skip
    """The share of each origin in each thing, from the sources down the draws. `held`: all units that a thing ever took in, give or take `spare`.

    `sources`: what a thing has of its own, maybe of units that a draw brought; `came`: what came into it beside the draws, as other units.
    `surplus`: of what is held, units that came from nowhere by the record, and so may be of anything that came in.
    """
    into: defaultdict[int, list[Draw]] = defaultdict(list)
    for draw in draws:
        into[draw.child].append(draw)
    beside, spares, found_there = came or {}, spare or {}, surplus or {}
    found: dict[int, dict[_Origin, Share]] = {}
    for thing in [*_parents_first(into), *beside, *sources]:
        if thing not in found:
            shares = drawn_in(into.get(thing, ()), held, found, beside.get(thing), spares)
            if more := found_there.get(thing):
                shares = {origin: Share(share.least, share.greatest + more) for origin, share in shares.items()}
            for origin, own in sources.get(thing, {}).items():
                before = shares.get(origin)
                shares[origin] = own if before is None else either_or_both(own, before, held.get(thing, own.greatest) + spares.get(thing, 0))
            found[thing] = shares
    return found


def drawn_in(
    draws: Iterable[Draw], held: Mapping[int, int], shares: Mapping[int, Mapping[_Origin, Share]],
    came: Mapping[_Origin, Share] | None = None, spare: Mapping[int, int] | None = None,
) -> dict[_Origin, Share]:  # fmt: skip
    """The sum of what draws bring, by the shares of what they are from, and of what `came` beside them."""
    sums = dict(came or {})
    for parent, _, units, more in draws:
        stays = max(0, held.get(parent, units) - units) + more
        if spare:
            stays += spare.get(parent, 0)
        units += more
        for origin, (least, greatest) in shares.get(parent, {}).items():  # as `drawn` says; written out, as much of a trace's time goes here
            least, greatest = least - stays if least > stays else 0, greatest if greatest < units else units
            before = sums.get(origin)
            sums[origin] = as_share((least, greatest) if before is None else (before[0] + least, before[1] + greatest))
    return sums


def _parents_first(into: Mapping[int, list[Draw]]) -> list[int]:
    order: list[int] = []
    seen: set[int] = set()
    for start in list(into):
        stack = [(start, False)]
        while stack:
            thing, done = stack.pop()
            if done:
                order.append(thing)
            elif thing not in seen:
                seen.add(thing)
                stack.append((thing, True))
                stack += [(draw.parent, False) for draw in into.get(thing, ()) if draw.parent not in seen]
    return order
