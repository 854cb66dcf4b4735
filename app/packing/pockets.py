"""Which pockets of a pack hold units of which loose lot: pure arithmetic of ranges.

Pockets are numbered from the hub: 1 was taped first and is used last. A content lists its fills from the hub outwards, without
a gap, from pocket 1 on. Every content that comes out of here is numbered so, and neighbours that are alike are one fill.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from app.errors import bad_input, refuse


@dataclass(frozen=True)
class Fill:
    """Pockets `pocket_from` to `pocket_to` hold units of one loose lot, which lay in the packs `was_in` (pack, entry) before."""

    loose: int
    pocket_from: int
    pocket_to: int
    was_in: tuple[tuple[int, int], ...] = ()

    @property
    def units(self) -> int:
        return self.pocket_to - self.pocket_from + 1


Content = tuple[Fill, ...]


@dataclass(frozen=True)
class Parted:
    """A content in two: what stays in the pack, and what left it, each numbered from its own hub."""

    stays: Content
    left: Content


def append(content: Sequence[Fill], loose: int, units: int) -> Content:
    """`units` of a loose lot taped behind what is there."""
    if units < 1:
        raise bad_input("Nothing to fill in.", "units", f"It is {units}.", "Give a number from 1 up.")
    return numbered([*content, Fill(loose, 1, units)])


def cut(content: Sequence[Fill], units: int) -> Parted:
    """The `units` outermost pockets leave, in their order: the outer end of a tape is used first."""
    there = units_in(content)
    if not 1 <= units <= there:
        raise _too_few(units, there)
    return take_off(content, there - units + 1, there)


def take_off(content: Sequence[Fill], first: int, last: int) -> Parted:
    """Pockets `first` to `last` leave. What stays keeps its order and closes up."""
    there = units_in(content)
    if not 1 <= first <= last <= there:
        why = f"{first} to {last} are not pockets of this pack; it has 1 to {there}."
        raise bad_input("No such pockets.", "pockets", why, "Count from the hub: 1 was taped first.")
    stays = [*_between(content, 1, first - 1), *_between(content, last + 1, there)]
    return Parted(numbered(stays), numbered(_between(content, first, last)))


def join(inner: Sequence[Fill], outer: Sequence[Fill]) -> Content:
    """One tape spliced behind the other, which stays at the hub; both keep their direction."""
    return numbered([*inner, *outer])


def re_reel(content: Sequence[Fill]) -> Content:
    """Wound onto another reel: what was outermost is now at the hub."""
    return numbered(reversed(content))


def units_in(content: Iterable[Fill]) -> int:
    return sum(fill.units for fill in content)


def numbered(fills: Iterable[Fill]) -> Content:
    """The same fills in this order, numbered from 1 without a gap; neighbours that are alike become one."""
    found: list[Fill] = []
    for fill in fills:
        begin = found[-1].pocket_to + 1 if found else 1
        if found and (found[-1].loose, found[-1].was_in) == (fill.loose, fill.was_in):
            found[-1] = replace(found[-1], pocket_to=found[-1].pocket_to + fill.units)
        else:
            found.append(replace(fill, pocket_from=begin, pocket_to=begin + fill.units - 1))
    return tuple(found)


def _between(content: Iterable[Fill], first: int, last: int) -> list[Fill]:
    """The parts of fills that lie in pockets `first` to `last`."""
    cut_to = [(fill, max(fill.pocket_from, first), min(fill.pocket_to, last)) for fill in content]
    return [replace(fill, pocket_from=begin, pocket_to=end) for fill, begin, end in cut_to if begin <= end]


def _too_few(units: int, there: int) -> Exception:
    return refuse("too_few_units", f"{units} units were not taken.", f"The pack holds {there}.", f"Give a number up to {there}.")
