"""Of marked units that mix: how many a set of outlets holds at least, at most and by expectation, and the chance of any. Pure.

Each number has its own definition, assumption and source: `extremes.py` least and greatest, `expectation.py`, `chances.py`; what they are
asked of: `draws.py`.
"""

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

from app.genealogy.chances import Chance, Chances
from app.genealogy.draws import Network
from app.genealogy.expectation import Expectation
from app.genealogy.extremes import Extremes

_CERTAIN, _NEVER = Chance(1.0), Chance(0.0)


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
    by_colour_sd: float = 0.0  # its standard deviation: what the colours leave open, and the draw


class Mixing:
    """What can be said of the outlets of a network of draws.

    The network does not know of it: then all goes away with its last reader, where a ring of some hundred megabytes would wait for the collector.
    """

    def __init__(self, network: Network, greatest: int | None = None) -> None:
        """`greatest`: so many units are marked in all, at most, where the marks alone do not say it."""
        self.network, self._greatest = network, greatest
        self._extremes, self._expectation, self._chances = Extremes(network), Expectation(network), Chances(network)

    @property
    def is_uncertain(self) -> bool:
        """Some amounts are known to twice their uncertainty only."""
        return bool(self.network.uncertain)

    def exposed(self, names: Iterable[Hashable]) -> Exposed:
        """Of a set of outlets together: never a sum of bounds. With the range behind a colour sort."""
        chosen = list(dict.fromkeys(names))
        units, least, expected, greatest, chance = self.numbers(chosen)
        by_record = self._expectation
        low = sum(by_record.evenly(name) * by_record.stretch(name)[0] for name in chosen)
        high = sum(by_record.evenly(name) * by_record.stretch(name)[1] for name in chosen)
        past_bin = any(by_record.past_bin[outlet.node] for outlet in map(self.network.outlets.__getitem__, chosen) if outlet.marks is None)
        kept = (min(max(low, least), expected), max(min(high, greatest), expected))
        by_colour = (sum(by_record.told(name) for name in chosen), by_record.told_sd(chosen)) if self.network.told else (None, 0.0)
        return Exposed(units, least, expected, greatest, *kept, chance, past_bin, *by_colour)

    def numbers(self, names: Iterable[Hashable]) -> Numbers:
        """The same without the range."""
        chosen = list(dict.fromkeys(names))
        known, by_node = self.network.parted(chosen)
        least, greatest = self._extremes.of(by_node, chosen)
        least, greatest = self.within(least + known.least, greatest + known.greatest)
        units, expected = known.units, known.expected
        for node, n in by_node.items():
            units += n
            expected += n * self._expectation.density[node]
        if self.network.uncertain or self._greatest is not None:  # by the record; never outside what can be
            expected = min(max(expected, least), greatest)
        if least > 0:
            chance = _CERTAIN
        elif greatest == 0:
            chance = _NEVER
        else:
            chance = self._chances.of(chosen, known, by_node)
        return Numbers(units, least, expected, greatest, chance)

    def bounds(self, names: Iterable[Hashable]) -> tuple[int, int]:
        """(least, greatest) number of marks in a set of outlets."""
        chosen = list(names)
        known, by_node = self.network.parted(chosen)
        least, greatest = self._extremes.of(by_node, chosen)
        return self.within(known.least + least, known.greatest + greatest)

    def within(self, least: int, greatest: int) -> tuple[int, int]:
        """No set can have more than there are at most."""
        return least, greatest if self._greatest is None else min(greatest, max(least, self._greatest))

    def bounds_by_flow(self, names: Iterable[Hashable]) -> tuple[int, int]:
        """The same by maximum flow alone, also where sums along the draws say it."""
        known, by_node = self.network.parted(names)
        least, greatest = self._extremes.by_flow(by_node)
        return self.within(known.least + least, known.greatest + greatest)

    def chance(self, names: Iterable[Hashable]) -> Chance:
        """Of at least one mark in a set of outlets, under even mixing."""
        return self.numbers(names).chance
