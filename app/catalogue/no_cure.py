"""Constants of a recipe's kinetics that no cure has: mistyped, or in other units than they were asked for."""

import math
from collections.abc import Iterator

from app.catalogue.definitions import Kinetics

_GAS_KJ, _ABSOLUTE_ZERO_C = 8.314462618e-3, -273.15  # R in kJ/(mol K) (SI)
_FASTEST_PER_S = 1e6  # a cure takes minutes; what is over sooner than this was mistyped, and would take very long to be followed
_MOST_ORDER = 10


def no_cure(k: Kinetics, set_point_c: float) -> Iterator[tuple[str, str, str]]:
    """Each as the field, why, and what to do."""
    if k.least_degree is not None and k.greatest_degree is not None and k.least_degree > k.greatest_degree:
        yield "greatest_degree", "The greatest degree of cure is below the least.", "Give least_degree <= greatest_degree."
    for field, most in (("e1_kj_mol", math.inf), ("e2_kj_mol", math.inf), ("m", _MOST_ORDER), ("n", _MOST_ORDER)):
        if not 0 <= getattr(k, field) <= most:
            between = "of 0 or more" if most == math.inf else f"from 0 to {most}"
            yield field, f"It is {getattr(k, field):g}.", f"Give a number {between}."
    for field, a, e in (("a1_per_s", k.a1_per_s, k.e1_kj_mol), ("a2_per_s", k.a2_per_s, k.e2_kj_mol)):
        at_set_point = a * math.exp(-max(e, 0.0) / (_GAS_KJ * max(set_point_c - _ABSOLUTE_ZERO_C, 1.0)))
        if not 0 <= at_set_point <= _FASTEST_PER_S:
            why = f"With its energy it makes a rate of {at_set_point:.3g} a second at the set point."
            yield field, why, f"Give one per second that makes 0 to {_FASTEST_PER_S:g}, and its energy in kJ/mol."
