"""Picks against shifted, turned and mirrored maps."""

import numpy as np
import pytest

from app.floor.map_fit import AS_IT_IS, LEAST, Fit, Version, fit_map
from app.receiving.die_map import Bin, DieMap

SIZE = 40


def wafer(yield_share: float, seed: int = 4, width: int = SIZE, height: int = SIZE) -> DieMap:
    """A round wafer with failing dies at random places."""
    y, x = np.mgrid[:height, :width]
    on_wafer = ((x - width / 2 + 0.5) / width) ** 2 + ((y - height / 2 + 0.5) / height) ** 2 < 0.25
    good = np.random.default_rng(seed).random((height, width)) < yield_share
    grid = np.where(on_wafer, np.where(good, 1, 2), 0).astype(np.uint16)
    table = (Bin("", "none"), Bin("1", "pass", count=int((grid == 1).sum())), Bin("2", "fail", count=int((grid == 2).sum())))
    return DieMap("test", "W", None, None, None, "UpRight", 0, True, None, table, grid, -5, 7)


def picks(die_map: DieMap, count: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """Passing dies, spread over the wafer."""
    passing = np.flatnonzero(die_map.passes())
    return die_map.coordinates_of(np.random.default_rng(seed).choice(passing, count, replace=False))


@pytest.mark.parametrize("count", [1, 20, 400])
def test_good_picks_fit_the_map_as_it_is(count: int) -> None:
    die_map = wafer(0.9)
    assert fit_map(die_map, *picks(die_map, count)) == Fit(count, count, AS_IT_IS, count)


@pytest.mark.parametrize(("dx", "dy"), [(1, 0), (-3, 2), (0, 3)])
def test_a_shift_is_found_and_said(dx: int, dy: int) -> None:
    die_map = wafer(0.9)
    x, y = picks(die_map, 400)
    fit = fit_map(die_map, x + dx, y + dy)
    assert fit.is_doubted
    assert (fit.best, fit.best_hits) == (Version(False, 0, dx, dy), 400)
    assert f"moved by {dx} along x and {dy} along y" in fit.words
    assert fit.log_likelihood_ratio == pytest.approx((400 - fit.hits) * np.log(99))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("width", [SIZE, 31])
def test_turned_and_mirrored_maps_are_found(mirrored: bool, turns: int, width: int) -> None:
    die_map = wafer(0.8, width=width)
    passes = die_map.passes().reshape(die_map.grid.shape)
    laid = np.rot90(passes[:, ::-1] if mirrored else passes, turns)
    row, column = np.nonzero(laid)
    chosen = np.random.default_rng(2).choice(len(row), 300, replace=False)
    fit = fit_map(die_map, column[chosen] + die_map.x_min, row[chosen] + die_map.y_min)
    assert (fit.best, fit.best_hits) == (Version(mirrored, turns, 0, 0), 300)
    assert fit.is_doubted == (mirrored or turns != 0)


def test_fewer_than_twenty_picks_doubt_nothing() -> None:
    die_map = wafer(0.5)
    x, y = picks(die_map, 30)
    assert fit_map(die_map, x[:LEAST] + 1, y[:LEAST]).is_doubted
    assert not fit_map(die_map, x[: LEAST - 1] + 1, y[: LEAST - 1]).is_doubted


def test_a_few_failing_dies_among_many_picks_are_not_a_shift() -> None:
    die_map = wafer(0.9)
    failing = np.flatnonzero(die_map.exists() & ~die_map.passes())[:5]
    bad_x, bad_y = die_map.coordinates_of(failing)
    x, y = picks(die_map, 400)
    fit = fit_map(die_map, np.r_[x, bad_x], np.r_[y, bad_y])
    assert (fit.hits, fit.picks, fit.is_doubted) == (400, 405, False)


def test_the_same_die_named_twice_counts_once_and_far_picks_hit_nothing() -> None:
    die_map = wafer(0.9)
    x, y = picks(die_map, 30)
    fit = fit_map(die_map, np.r_[x, x, 9999], np.r_[y, y, 9999])
    assert (fit.picks, fit.hits, fit.best) == (31, 30, AS_IT_IS)


@pytest.mark.parametrize("seed", range(40))
def test_right_picks_with_the_stated_share_of_misses_are_rarely_doubted(seed: int) -> None:
    """Each pick of 200 misses with probability 1 %, as the model has it: none of these forty logs is doubted."""
    die_map = wafer(0.9, seed=seed)
    x, y = picks(die_map, 200, seed)
    slips = np.random.default_rng(seed).random(200) < 0.01
    bad_x, bad_y = die_map.coordinates_of(np.flatnonzero(die_map.exists() & ~die_map.passes())[:200])
    n = int(slips.sum())
    fit = fit_map(die_map, np.r_[x[~slips], bad_x[:n]], np.r_[y[~slips], bad_y[:n]])
    assert not fit.is_doubted
