"""Origin by colour: found where wafers differ in wavelength and bins sort by it; as even mixing where colours carry nothing."""

import numpy as np
import pytest
from numpy.typing import NDArray

from app.genealogy.origin_by_colour import BinShare, Colour, Measured, blur_of, shares_by_colour

Floats = NDArray[np.float64]


def _lot(
    rng: np.random.Generator, apart: float, noise: float, shift: float = 0.0, suspects: int = 300, units: int = 2000
) -> tuple[list[Colour], Measured, NDArray[np.bool_]]:  # fmt: skip
    """Wafers whose wavelengths lie `apart` nm; the tester shifts and blurs; bins are cut by what it measured."""
    own = np.concatenate([rng.normal(626 + apart, 0.8, suspects), rng.normal(626, 1.0, units - suspects)])
    is_suspect = np.arange(units) < suspects
    seen = np.round(own + shift + rng.normal(0, noise, units), 2)
    bins = np.searchsorted(np.quantile(seen, [0.25, 0.5, 0.75]), seen)
    colours = [Colour(own[is_suspect], own[~is_suspect])]
    return colours, Measured(seen[:, None], bins.astype(np.int64), np.ones(units, dtype=np.int64)), is_suspect


def _errors(told: dict[int, BinShare], measured: Measured, truth: NDArray[np.bool_]) -> tuple[float, float]:
    """Root of the mean squared error by bin: told by colour, and by even mixing."""
    share = truth.mean()
    rows = [(told[b].suspects, told[b].units * share, int(truth[measured.bins == b].sum())) for b in told]
    by_colour, even = (float(np.sqrt(np.mean([(row[i] - row[2]) ** 2 for row in rows]))) for i in (0, 1))
    return by_colour, even


@pytest.mark.parametrize("shift", [0.0, 3.0])
def test_a_wafer_of_another_wavelength_is_found_in_its_bins(shift: float) -> None:
    rng = np.random.default_rng(11)
    colours, measured, truth = _lot(rng, apart=2.5, noise=0.3, shift=shift)
    told = shares_by_colour(colours, measured, 300, 2000)
    by_colour, even = _errors(told, measured, truth)
    assert by_colour < even / 8
    assert sum(one.suspects for one in told.values()) == pytest.approx(300, abs=0.5)


def test_stated_uncertainty_is_kept() -> None:
    """Over many lots the truth of a bin lies within two stated deviations in about 95 of 100."""
    inside = total = 0
    for seed in range(25):
        colours, measured, truth = _lot(np.random.default_rng(seed), apart=1.5, noise=0.4)
        for bin_, one in shares_by_colour(colours, measured, 300, 2000).items():
            total += 1
            inside += abs(one.suspects - truth[measured.bins == bin_].sum()) <= 2 * one.sd
    assert 0.90 < inside / total <= 1.0


def test_where_colours_carry_nothing_it_scores_no_worse_than_even_mixing() -> None:
    """Suspects have the wavelengths of the others; or the map's values have nothing to do with what was measured."""
    by_colour, even = [], []
    for seed in range(15):
        rng = np.random.default_rng(seed)
        colours, measured, truth = _lot(rng, apart=0.0, noise=0.5)
        same = rng.normal(626, 1.0, 2000)
        colours = [Colour(same[:300], same[300:])]
        measured = Measured(rng.permutation(measured.values), measured.bins, measured.count)
        truth = rng.permutation(truth)
        a, b = _errors(shares_by_colour(colours, measured, 300, 2000), measured, truth)
        by_colour.append(a)
        even.append(b)
    assert np.mean(by_colour) <= 1.02 * np.mean(even)


def test_equal_map_values_are_even_mixing_exactly() -> None:
    colours, measured, _ = _lot(np.random.default_rng(1), apart=0.0, noise=0.5)
    alike = [Colour(np.full(300, 626.0), np.full(1700, 626.0))]
    for one in shares_by_colour(alike, measured, 300, 2000).values():
        assert one.suspects == pytest.approx(one.units * 0.15, rel=1e-9)
    assert all(share.suspects == 0 for share in shares_by_colour(colours, measured, 0, 2000).values())


def test_shift_and_blur_are_found() -> None:
    rng = np.random.default_rng(3)
    values = np.linspace(620, 632, 60)
    weights = np.exp(-0.5 * ((values - 626) / 2) ** 2)
    own = rng.choice(values, 20_000, p=weights / weights.sum())
    blur = blur_of(values, weights / weights.sum(), own + 1.7 + rng.normal(0, 0.6, 20_000), np.ones(20_000, dtype=np.int64))
    assert blur.shift == pytest.approx(1.7, abs=0.05) and blur.sd == pytest.approx(0.6, abs=0.05)


def test_two_colours_tell_more_than_one() -> None:
    rng = np.random.default_rng(5)
    red, measured, truth = _lot(rng, apart=1.0, noise=0.4)
    own = np.concatenate([rng.normal(521, 1.0, 300), rng.normal(520, 1.0, 1700)])
    both = Measured(np.column_stack([measured.values[:, 0], own + rng.normal(0, 0.4, 2000)]), measured.bins, measured.count)
    one = shares_by_colour(red, measured, 300, 2000)
    two = shares_by_colour([*red, Colour(own[:300], own[300:])], both, 300, 2000)
    assert sum(share.sd for share in two.values()) < sum(share.sd for share in one.values())
    assert _errors(two, both, truth)[0] < _errors(two, both, truth)[1]
