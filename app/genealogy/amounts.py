"""How much of an origin can, and must, be in what came of it: bounds along flows, exact while cells are known. Pure.

A draw of n units from a lot of N, of which between `least` and `most` are of the origin, has at least `least - (N - n)` and at most
min(`most`, n) of them: what is not of the origin may all have stayed behind. Sums of these along joins are sound, and may be too modest.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping
from typing import NamedTuple


class Share(NamedTuple):
    """Units of an origin in a thing: at least and at most."""

    least: int
    most: int


class Draw(NamedTuple):
    """`units` went from `parent` into `child`."""

    parent: int
    child: int
    units: int


def drawn(share: Share, held: int, units: int) -> Share:
    """The share in `units` taken from a thing that held `held` units in all."""
    held = max(held, units)
    return Share(max(0, share.least - (held - units)), min(share.most, units))


def either_or_both(a: Share, b: Share, units: int) -> Share:
    """Two shares of one origin in a thing of so many units, where nobody knows whether they are of the same units."""
    return Share(max(a.least, b.least), min(a.most + b.most, max(units, a.most, b.most)))


def spread(
    draws: Iterable[Draw], held: Mapping[int, int], sources: Mapping[int, Mapping[Hashable, Share]]
) -> dict[int, dict[Hashable, Share]]:
    """The share of each origin in each thing, from the sources down the draws. `held`: all units that a thing ever took in."""
    into: defaultdict[int, list[Draw]] = defaultdict(list)
    for draw in draws:
        into[draw.child].append(draw)
    found: dict[int, dict[Hashable, Share]] = {}
    for thing in _parents_first(into):
        sums: dict[Hashable, list[int]] = {}
        for parent, _, units in into.get(thing, ()):
            stays = max(0, held.get(parent, units) - units)
            for origin, (least, most) in found.get(parent, {}).items():  # as `drawn` says; written out, as most of a trace's time went here
                of_origin = sums.setdefault(origin, [0, 0])
                of_origin[0] += max(0, least - stays)
                of_origin[1] += min(most, units)
        shares: dict[Hashable, Share] = {origin: Share(*of_origin) for origin, of_origin in sums.items()}
        for origin, own in sources.get(thing, {}).items():
            shares[origin] = either_or_both(own, shares[origin], held.get(thing, own.most)) if origin in shares else own
        found[thing] = shares
    for thing in sources:
        found.setdefault(thing, dict(sources[thing]))
    return found


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
