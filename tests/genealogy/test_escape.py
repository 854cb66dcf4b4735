"""The escape curve: which packs to stop first, and what is expected to escape."""

from itertools import combinations

import numpy as np
import pytest

from app.genealogy.chances import Chance
from app.genealogy.escape import escape_curve, some_points
from app.genealogy.exposure import ExposedRow
from app.genealogy.mixing import Exposed


def _pack(code: str, units: int, expected: float, by_colour: float | None = None) -> ExposedRow:
    exposed = Exposed(units, 0, expected, units, expected, expected, Chance(1.0, "exact"), False, by_colour)
    return ExposedRow("pack", code, "reel", "stock", exposed)


def test_no_other_packs_of_as_few_units_let_fewer_escape() -> None:
    """Against every choice of packs: none that stops at most so many units lets fewer suspects escape than the curve's point."""
    rng = np.random.default_rng(4)
    packs = [_pack(f"K{i}", int(rng.integers(1, 60)), float(rng.integers(0, 30))) for i in range(9)]
    order, points = escape_curve(packs)
    everything = sum(one.exposed.expected for one in packs)
    assert points[0].escaping == everything and points[-1].escaping == pytest.approx(0)
    for point in points:
        stopped = order[: point.packs]
        assert point.units == sum(one.exposed.units for one in stopped)
        assert point.escaping == pytest.approx(everything - sum(one.exposed.expected for one in stopped))
        for n in range(len(packs) + 1):
            for choice in combinations(packs, n):
                if sum(one.exposed.units for one in choice) <= point.units:
                    assert everything - sum(one.exposed.expected for one in choice) >= point.escaping - 1e-9


def test_where_colours_tell_more_they_give_the_order() -> None:
    packs = [_pack("A", 100, 50, 0.0), _pack("B", 100, 40, 90.0)]
    assert [row.code for row in escape_curve(packs)[0]] == ["A", "B"]
    order, points = escape_curve(packs, by_colour=True)
    assert [row.code for row in order] == ["B", "A"]
    assert [point.escaping for point in points] == [90, 0, 0]


def test_a_few_points_keep_both_ends() -> None:
    _, points = escape_curve([_pack(f"K{i}", 10, 1.0) for i in range(40)])
    few = some_points(points)
    assert len(few) == 12 and few[0].packs == 0 and few[-1].packs == 40
