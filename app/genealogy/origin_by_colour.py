"""Whose dies a bin has, told by colour: what the die map says of suspect and other dies against what the tester measured of each unit. Pure.

For every colour the map has a value of each die (a wavelength, an intensity), and the tester measured one of each unit. A measured value is
the die's own, shifted and blurred alike for the whole lot. Shift and blur are found by expectation-maximisation (Dempster, Laird and Rubin,
Journal of the Royal Statistical Society B 39 (1977) 1) over all dies of the lot, whoever's they are. Then each unit has a chance to be a
suspect's: its prior, the suspects' share of the lot, times the likelihood of what was measured. Colours count as independent once the origin
is known. Where values tell nothing (suspects and others alike, or the blur far wider than their differences) the chance stays the prior,
which is even mixing.

Measured values come as a table of distinct values with bins and counts, so that millions of units cost no more than their distinct values.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_STEPS = 200  # points of a grid over the values of the map
_ROUNDS = 200
_ENOUGH = 1e-6


@dataclass(frozen=True)
class Colour:
    """Map values of one colour: of the suspects' dies and of all others' in the lot, a value for each die."""

    suspects: Floats
    others: Floats


@dataclass(frozen=True)
class Measured:
    """Units of a lot, row by row: their values by colour (columns; NaN where nothing was measured), the bin of each, and how many are alike."""

    values: Floats
    bins: NDArray[np.int64]
    count: NDArray[np.int64]


@dataclass(frozen=True)
class BinShare:
    """Suspects expected among the units of a bin, with the standard deviation of that number."""

    units: int
    suspects: float
    sd: float


@dataclass(frozen=True)
class Blur:
    """What the tester adds to a die's own value: a shift and a standard deviation, in the unit of the values."""

    shift: float
    sd: float


def shares_by_colour(colours: Sequence[Colour], measured: Measured, suspects: int, units: int) -> dict[int, BinShare]:
    """Of a lot of `units` with so many `suspects`: how many each bin has, told by colour."""
    prior = suspects / units if units else 0.0
    odds = np.full(len(measured.bins), _logit(prior))
    for i, colour in enumerate(colours):
        odds = odds + _evidence(colour, measured.values[:, i], measured.count, prior)
    chance = _logistic(_calibrated(odds, measured.count, suspects))
    found: dict[int, BinShare] = {}
    for bin_ in np.unique(measured.bins):
        there = measured.bins == bin_
        n, p = measured.count[there], chance[there]
        found[int(bin_)] = BinShare(int(n.sum()), float((n * p).sum()), float(np.sqrt((n * p * (1 - p)).sum())))
    return found


def blur_of(values: Floats, weights: Floats, measured: Floats, count: NDArray[np.int64]) -> Blur:
    """Shift and blur by expectation-maximisation: `values` with their `weights` are what dies may have, `measured` what units showed."""
    shift = _mean(measured, count) - _mean(values, weights)
    spread = max(_sd(values, weights), 1e-9)
    sd = max(np.sqrt(max(_sd(measured, count) ** 2 - spread**2, 0.0)), spread / 20)
    for _ in range(_ROUNDS):
        far = measured[:, None] - shift - values[None, :]
        log = np.log(np.maximum(weights, 1e-300))[None, :] - 0.5 * (far / sd) ** 2
        of = np.exp(log - log.max(axis=1, keepdims=True))
        of /= of.sum(axis=1, keepdims=True)
        of *= (count / count.sum())[:, None]
        step = float((of * far).sum())
        new_sd = float(np.sqrt(max((of * (far - step) ** 2).sum(), (spread / 50) ** 2)))
        done = abs(step) < _ENOUGH * spread and abs(new_sd - sd) < _ENOUGH * spread
        shift, sd = shift + step, new_sd
        if done:
            break
    return Blur(shift, sd)


def _evidence(colour: Colour, measured: Floats, count: NDArray[np.int64], prior: float) -> Floats:
    """Log of how much likelier each measured value is for a suspect's die than for another's; 0 where nothing was measured or known."""
    nothing = np.zeros(len(measured))
    known = np.isfinite(measured)
    if not len(colour.suspects) or not len(colour.others) or not known.any():
        return nothing
    values, of_suspects, of_others = _grid(colour)
    weights = prior * of_suspects + (1 - prior) * of_others
    distinct, where = np.unique(np.round(measured[known], 6), return_inverse=True)
    n = np.bincount(where, weights=count[known]).astype(np.int64)
    blur = blur_of(values, weights, distinct, n)
    kernel = np.exp(-0.5 * ((distinct[:, None] - blur.shift - values[None, :]) / blur.sd) ** 2)
    floor = 1e-12 * kernel.max() if kernel.size else 1e-300  # a unit far from all dies tells nothing
    nothing[known] = (np.log(kernel @ of_suspects + floor) - np.log(kernel @ of_others + floor))[where]
    return nothing


def _grid(colour: Colour) -> tuple[Floats, Floats, Floats]:
    """Both groups' dies as weights on one grid of values."""
    every = np.concatenate([colour.suspects, colour.others])
    low, high = float(every.min()), float(every.max())
    if high <= low:
        return np.array([low]), np.ones(1), np.ones(1)
    edges = np.linspace(low, high, _STEPS + 1)
    middle = (edges[:-1] + edges[1:]) / 2
    of = [np.histogram(group, edges)[0] / len(group) for group in (colour.suspects, colour.others)]
    there = (of[0] + of[1]) > 0
    return middle[there], of[0][there], of[1][there]


def _calibrated(odds: Floats, count: NDArray[np.int64], suspects: int) -> Floats:
    """The log odds moved together until they add up to the number of suspects that is known of the lot."""
    low, high = -60.0, 60.0
    if not np.isfinite(odds).all():
        return odds
    wanted = min(suspects, int(count.sum()))
    for _ in range(80):
        middle = (low + high) / 2
        if float((count * _logistic(odds + middle)).sum()) < wanted:
            low = middle
        else:
            high = middle
    return odds + (low + high) / 2


def _logit(p: float) -> float:
    return float("-inf") if p <= 0 else float("inf") if p >= 1 else float(np.log(p / (1 - p)))


def _logistic(x: Floats) -> Floats:
    return np.where(x >= 0, 1 / (1 + np.exp(-np.abs(x))), np.exp(-np.abs(x)) / (1 + np.exp(-np.abs(x))))


def _mean(values: Floats, weights: NDArray[np.int64] | Floats) -> float:
    return float((values * weights).sum() / weights.sum())


def _sd(values: Floats, weights: NDArray[np.int64] | Floats) -> float:
    mean = _mean(values, weights)
    return float(np.sqrt((weights * (values - mean) ** 2).sum() / weights.sum()))
