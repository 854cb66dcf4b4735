"""How well a count is known, and whether it agrees with the book. Pure.

Uncertainties are standard uncertainties in units. They combine as the root of the sum of squares (JCGM 100:2008, 5.1.2); twice
the combined one covers about 95 % (6.2.1), and that factor (`limit_of`) is our choice of when two amounts agree.
"""

from dataclasses import dataclass
from math import floor, hypot, isfinite

from app.errors import bad_input


@dataclass(frozen=True)
class Difference:
    """`delta` = counted less book, units; within when it is no larger than `limit`."""

    delta: int
    limit: float
    within: bool


@dataclass(frozen=True)
class Weighed:
    """Units by weight, and their standard uncertainty."""

    units: int
    u: float


# Our choice, share of the units counted, where nobody states better: cells and pockets are counted one by one by where they are;
# a machine's counter misses or doubles one in some thousands, a person two in a thousand.
_SHARE = {"cells": 0.0, "pockets": 0.0, "counter": 0.0005, "hand": 0.002}
_ROUNDING = 1e-9  # of the arithmetic: a limit of 3 takes a difference of 3


def compare(book: int, counted: int, u_book: float, u_counted: float) -> Difference:
    """The difference between a count and the book, judged by the standard uncertainties of both."""
    delta = counted - book
    can_tell = limit_of(hypot(u_book, u_counted))
    return Difference(delta, can_tell, abs(delta) <= can_tell + _ROUNDING)


def limit_of(u: float) -> float:
    """How far apart amounts may be that agree: in units, of their combined standard uncertainty."""
    return 2 * u


def spare_of(u: float) -> int:
    """How many whole units more or fewer an amount of this standard uncertainty may be."""
    return floor(limit_of(u) + _ROUNDING)


def usual_u(method: str, units: int) -> float:
    """The standard uncertainty of a count of so many units by this method; of a weight `by_weight` says it."""
    if method not in _SHARE:
        known = ", ".join(_SHARE)
        raise bad_input("No usual uncertainty.", "method", f"{method!r} is not one of: {known}.", "Choose one, or state the uncertainty.")
    return _SHARE[method] * units


def by_weight(gross_g: float, tare_g: float, piece_g: float, u_scale_g: float, u_piece_share: float) -> Weighed:
    """Units = (gross - tare) / weight of a piece. Both readings of the scale and the weight of a piece are uncertain, apart.

    Rounding to a whole number adds nothing: the true number is whole.
    """
    _check(gross_g, tare_g, piece_g, u_scale_g, u_piece_share)
    pieces = (gross_g - tare_g) / piece_g
    return Weighed(round(pieces), hypot(u_scale_g / piece_g, u_scale_g / piece_g, pieces * u_piece_share))


def _check(gross_g: float, tare_g: float, piece_g: float, u_scale_g: float, u_piece_share: float) -> None:
    given = {"gross_g": gross_g, "tare_g": tare_g, "piece_g": piece_g, "u_scale_g": u_scale_g, "u_piece_share": u_piece_share}
    for name, value in given.items():
        if not isfinite(value) or value < 0:
            raise bad_input("Not a weighing.", name, f"It is {value:g}.", "Give a number from 0 up.")
    if piece_g == 0:
        raise bad_input("Not a weighing.", "piece_g", "A piece weighs something.", "Weigh a counted sample of pieces.")
    if gross_g < tare_g:
        raise bad_input("Not a weighing.", "gross_g", f"{gross_g:g} g is less than the tare of {tare_g:g} g.", "Weigh both again.")
