"""Does a count agree with the book? Pure. Two amounts agree when they differ by no more than twice their combined uncertainty.

Combined: the root of the sum of squares of the standard uncertainties; twice it covers about 95 % (JCGM 100:2008, 5.1.2 and 6.2.1).
"""

from dataclasses import dataclass
from math import hypot


@dataclass(frozen=True)
class Difference:
    """`delta` = counted less book, units; within when it is no larger than `limit`."""

    delta: int
    limit: float
    within: bool


def compare(book: int, counted: int, u_book: float, u_counted: float) -> Difference:
    """The difference between a count and the book, judged by the standard uncertainties of both."""
    delta = counted - book
    limit = 2 * hypot(u_book, u_counted)
    return Difference(delta, limit, abs(delta) <= limit + 1e-9)
