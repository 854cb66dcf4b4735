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
from math import erfc, exp, hypot, lgamma, log, sqrt

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
    total, u = sum(delta for delta, _ in differences), hypot(*(u for _, u in differences))
    fewer, more = sum(delta < 0 for delta, _ in differences), sum(delta > 0 for delta, _ in differences)
    p_sum = 1.0 if total == 0 else erfc(abs(total) / u / sqrt(2)) if u else 0.0  # both tails of the normal law
    return Drift(len(differences), total, u, fewer, more, p_sum, _sign_test(min(fewer, more), fewer + more))


def _sign_test(least: int, of: int) -> float:
    """Both tails of as many heads, or tails, of so many fair tosses. By hand: a statistics library takes seconds to load, at the first who asks."""
    term = exp(lgamma(of + 1) - lgamma(least + 1) - lgamma(of - least + 1) - of * log(2))
    tail, heads = 0.0, least
    while heads >= 0 and term > tail * 1e-17:
        tail += term
        term *= heads / (of - heads + 1)
        heads -= 1
    return min(1.0, 2 * tail)
