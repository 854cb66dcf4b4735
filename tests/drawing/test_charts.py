"""Charts: a point where the numbers say, shades by tens, round ticks, bars as long as their amounts."""

import re

import pytest

from app.drawing.bars import Amount, bars
from app.drawing.chromaticity_chart import HIGH, WIDE, Area, Cloud, View, chromaticity_chart, ticks, view_of

SQUARE = Area("A1", ((0.2, 0.6), (0.3, 0.6), (0.3, 0.7), (0.2, 0.7)))
LOCUS = {500: (0.00817, 0.53842), 520: (0.07430, 0.83380), 620: (0.69150, 0.30834)}


def chart(cloud: Cloud, view: View | None = None) -> str:
    return chromaticity_chart(view or view_of([SQUARE]), cloud, [SQUARE], LOCUS, ("x_g", "y_g"), "green", "g")


def test_the_bins_are_in_view_with_a_margin_and_one_scale() -> None:
    view = view_of([SQUARE])
    assert view.x < 0.2 and view.x + view.width > 0.3
    assert view.y < 0.6 and view.y + view.height > 0.7
    assert view.width / WIDE == pytest.approx(view.height / HIGH)


def test_without_bins_the_whole_diagram_is_in_view() -> None:
    view = view_of([])
    assert all(view.x < x < view.x + view.width and view.y < y < view.y + view.height for x, y in LOCUS.values())


def test_a_unit_is_drawn_where_its_numbers_are() -> None:
    svg = chart(Cloud(0.01, {}, [(0.25, 0.65)]), View(0.2, 0.6, 0.1))
    x, y = re.search(r'class="unit" cx="([\d.]+)" cy="([\d.]+)"', svg).groups()  # type: ignore[union-attr]
    assert float(x) == pytest.approx(52 + WIDE / 2, abs=0.1)
    assert float(y) == pytest.approx(12 + HIGH - 0.05 / (0.1 * HIGH / WIDE) * HIGH, abs=0.1)


@pytest.mark.parametrize(("units", "shade"), [(1, 0), (2, 0), (3, 1), (9, 1), (10, 2), (99, 3), (299, 4), (300, 5), (10**6, 5)])
def test_a_cell_has_the_shade_of_its_units(units: int, shade: int) -> None:
    svg = chart(Cloud(0.01, {(1, 1): units}))
    assert re.findall(r'<path class="shade(\d)"', svg) == [str(shade)]


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0.0, 1.0, [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]), (0.668, 0.713, [0.67, 0.68, 0.69, 0.7, 0.71]), (-0.04, 0.9, [0.0, 0.2, 0.4, 0.6, 0.8])],
)
def test_ticks_are_round(low: float, high: float, expected: list[float]) -> None:
    assert ticks(low, high) == pytest.approx(expected)


def test_bars_are_as_long_as_their_amounts_and_say_them() -> None:
    svg = bars([Amount("A1, prime", 900, "90.0%", "prime"), Amount("R, reject", 100, "10.0%", "reject"), Amount("none", 0, "0.0%")], "by bin", "b")
    widths = [float(width) for width in re.findall(r'class="amount [^"]*" x="190" y="\d+" width="([\d.]+)"', svg)]
    assert widths[0] == pytest.approx(9 * widths[1], rel=0.01)
    assert widths[2] == 1.0, "a bar of nothing is still seen"
    assert "900 · 90.0%" in svg
    assert "<desc" in svg


def test_bars_of_nothing_at_all() -> None:
    assert "0 · x" in bars([Amount("A", 0, "x")], "t", "n")
