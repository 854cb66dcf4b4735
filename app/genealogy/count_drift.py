"""Do the differences of counts lean one way? Each may be within counting, and together they are a leak. Pure.

Two tests of the differences (counted less book) of a station, both two-sided:
- their *sum* against its standard uncertainty, the root of the sum of the squares (JCGM 100:2008, 5.1.2), by the normal law. It is as good as
  the stated uncertainties, and takes the counts as independent: one wrong weight of a piece in all of them would make it speak as well;
- the *sign test*: of those that are not zero, as many below as above (Dixon and Mood, J. Am. Stat. Assoc. 41 (1946) 557). It needs no uncertainty.
A station drifts when one of its two p values is under 1 % over the number of all tests made (Bonferroni): our choice of level. It takes five
counts to speak of a drift: one that differs is a difference, and stands among those.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

LEVEL = 0.01
_TESTS = 2  # for each station
_LEAST = 5  # counts


@dataclass(frozen=True)
class Drift:
    """`fewer`, `more`: how many counts were below and above the book."""

    counts: int
    total: int
    u: float
    fewer: int
    more: int
    p_sum: float
    p_sign: float

    def drifts(self, stations: int) -> bool:
        return self.counts >= _LEAST and min(self.p_sum, self.p_sign) < LEVEL / (_TESTS * max(1, stations))


def drift(differences: Sequence[tuple[int, float]]) -> Drift:
    """Of (counted less book, standard uncertainty of it), in units."""
    from scipy.special import bdtr, ndtr  # for whoever asks; all of scipy.stats takes three times as long to load

    total, u = sum(delta for delta, _ in differences), hypot(*(u for _, u in differences))
    fewer, more = sum(delta < 0 for delta, _ in differences), sum(delta > 0 for delta, _ in differences)
    p_sum = 1.0 if total == 0 else 2 * float(ndtr(-abs(total) / u)) if u else 0.0  # both tails of the normal law
    p_sign = min(1.0, 2 * float(bdtr(min(fewer, more), fewer + more, 0.5)))  # and of as many fair tosses
    return Drift(len(differences), total, u, fewer, more, p_sum, p_sign)
