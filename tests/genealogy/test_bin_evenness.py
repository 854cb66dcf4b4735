"""The chi-square of lots by bins, against a published table and planted differences."""

import numpy as np
import pytest
from scipy.stats import chi2

from app.genealogy.bin_evenness import LEVEL, evenness


def test_equals_a_known_chi_square() -> None:
    """2 x 2 by hand: (20, 30; 30, 20), expected 25 each, chi-square 4.0 less Yates' correction: 3.24; p from the distribution with one degree."""
    assert evenness({1: {"A": 20, "B": 30}, 2: {"A": 30, "B": 20}}) == pytest.approx(float(chi2.sf(3.24, 1)), rel=1e-9)


def test_lots_alike_are_not_contradicted_as_often_as_the_level_says() -> None:
    rng = np.random.default_rng(2)
    found = 0
    for _ in range(300):
        lots = {lot: dict(zip("ABC", rng.multinomial(800, [0.5, 0.3, 0.2]).tolist(), strict=True)) for lot in range(5)}
        p = evenness(lots)
        found += p is not None and p < LEVEL
    assert found <= 10  # 3 expected; more than 10 has a chance of 0.0003 (binomial)


def test_a_wafer_of_another_colour_contradicts() -> None:
    p = evenness({1: {"A": 500, "B": 300}, 2: {"A": 300, "B": 500}, 3: {"A": 400, "B": 400}})
    assert p is not None and p < 1e-6


def test_what_can_not_be_compared() -> None:
    assert evenness({1: {"A": 500}}) is None
    assert evenness({1: {"A": 500}, 2: {"A": 300}}) is None
    assert evenness({1: {}, 2: {"A": 3}}) is None
