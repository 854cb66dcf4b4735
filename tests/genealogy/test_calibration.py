"""Two thousand mixings of real units, one at a time: the stated chances come true as often as they say, and expectations are unbiased.

Chances are sorted into ten bands. In each the number that came true is tested against the sum of the stated chances by an exact binomial test
(Clopper and Pearson, Biometrika 26 (1934) 404, is the interval of the same test); the ten together at 1 %, by Bonferroni.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from app.genealogy.draws import Draw, Marks, Outlet
from app.genealogy.draws import Network as Draws
from app.genealogy.mixing import Mixing

MIXINGS = 2000
Units = NDArray[np.bool_]


class Mixed:
    """One history of real units, even or sorted by colour: two panels' units into a lot, a part of a second lot joined, bins, packs."""

    def __init__(self, rng: np.random.Generator, *, sorted_by_colour: bool = False) -> None:
        self.rng, self.by_colour = rng, sorted_by_colour
        sizes = [int(n) for n in rng.integers(20, 60, 3)]
        marked = [int(rng.integers(0, 1 + n // int(rng.choice([2, 6, 20])))) for n in sizes]
        a, b, c = (self._panel(n, m) for n, m in zip(sizes, marked, strict=True))
        lot = self._shuffled(np.concatenate([a, b]))
        other = self._shuffled(c)
        part = int(rng.integers(1, len(other)))
        joined = self._shuffled(np.concatenate([lot, other[:part]]))
        first = int(rng.integers(len(joined) // 3, len(joined)))
        bins = self._bins(joined, first)
        pack = int(rng.integers(1, 1 + len(bins[0]) // 2))
        self.truth = int(bins[0][:pack].sum())
        draws = [
            Draw("a", "lot", sizes[0]), Draw("b", "lot", sizes[1]), Draw("c", "other", sizes[2]), Draw("lot", "joined", len(lot)),
            Draw("other", "joined", part), Draw("joined", "bin 1", first, by_bin=True), Draw("joined", "bin 2", len(joined) - first, by_bin=True),
        ]  # fmt: skip
        marks = {name: Marks(n, m, m) for name, n, m in zip("abc", sizes, marked, strict=True)}
        held = {"lot": len(lot), "other": len(c), "joined": len(joined), "bin 1": first, "bin 2": len(joined) - first}
        outlets = {
            "pack": Outlet("bin 1", pack), "rest": Outlet("bin 1", first - pack), "bin 2": Outlet("bin 2", len(joined) - first),
            "left": Outlet("other", len(c) - part),
        }  # fmt: skip
        self.told = Mixing(Draws(marks, draws, held, outlets)).exposed(["pack"])

    def _panel(self, units: int, marked: int) -> Units:
        return np.arange(units) < marked

    def _shuffled(self, units: Units) -> Units:
        return self.rng.permutation(units)

    def _bins(self, units: Units, first: int) -> tuple[Units, Units]:
        """By chance; or sorted by a colour that marked units have more of."""
        colour = self.rng.normal(size=len(units)) + (1.0 * units if self.by_colour else 0.0)
        order = np.argsort(-colour)
        return self._shuffled(units[order[:first]]), self._shuffled(units[order[first:]])


def _p_of_bands(chances: NDArray[np.float64], came_true: NDArray[np.bool_]) -> list[float]:
    found = []
    for low in np.arange(0, 1, 0.1):
        band = (chances >= low) & ((chances < low + 0.1) | (low > 0.85))
        if n := int(band.sum()):
            found.append(float(binomtest(int(came_true[band].sum()), n, min(1.0, float(chances[band].mean()))).pvalue))
    return found


def _mixed(*, sorted_by_colour: bool) -> list[Mixed]:
    rng = np.random.default_rng(20260301)
    return [Mixed(rng, sorted_by_colour=sorted_by_colour) for _ in range(MIXINGS)]


def _bias(mixed: list[Mixed]) -> float:
    """The mean difference between truth and expectation, in its standard errors."""
    off = np.array([one.truth - one.told.expected for one in mixed])
    return float(off.mean() / (off.std(ddof=1) / np.sqrt(len(off))))


def test_under_even_mixing_chances_come_true_and_expectations_hold() -> None:
    mixed = _mixed(sorted_by_colour=False)
    chances = np.array([one.told.chance.value for one in mixed])
    p_values = _p_of_bands(chances, np.array([one.truth > 0 for one in mixed]))
    assert len(p_values) == 10 and min(p_values) > 0.01 / len(p_values)
    assert abs(_bias(mixed)) < 2.576  # 1 %, two-sided
    assert all(one.told.least <= one.truth <= one.told.greatest for one in mixed)


def test_a_colour_sort_breaks_the_even_expectation_and_stays_in_its_range() -> None:
    """Even mixing must fail the same test here; the bounds hold, and the range for odds of 1/10 to 10 has the truth in the mean."""
    mixed = _mixed(sorted_by_colour=True)
    assert abs(_bias(mixed)) > 5
    assert all(one.told.least <= one.truth <= one.told.greatest for one in mixed)
    low, high = (np.mean([getattr(one.told, name) for one in mixed]) for name in ("expected_low", "expected_high"))
    assert low < np.mean([one.truth for one in mixed]) < high
