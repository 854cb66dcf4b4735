"""The escape curve: for each number of packs stopped, the units stopped and the suspects expected to escape in those that are not. Pure.

Packs are stopped in the order of their density of expected suspects, which leaves the fewest to escape for the units stopped (each choice
is a ratio; the greedy order is the best one where packs are stopped whole and the last may be stopped in part: Dantzig, Operations Research
5 (1957) 266, on the knapsack).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from app.genealogy.exposure import ExposedRow

_DIGITS = 9  # of a density: the last bits of a sum differ between machines, and the code decides among packs that are alike


@dataclass(frozen=True)
class Point:
    """With the first `packs` of the list stopped: that many units are, and so many suspects are expected in the others."""

    packs: int
    units: int
    escaping: float


def escape_curve(packs: Sequence[ExposedRow], by_colour: bool = False) -> tuple[list[ExposedRow], list[Point]]:
    """The packs in the order in which to stop them, and a point for none, one, two ... of them. `by_colour`: by that, where it is told."""
    expected = {row.code: _expected(row, by_colour) for row in packs}
    order = sorted(packs, key=lambda row: (-round(expected[row.code] / max(1, row.exposed.units), _DIGITS), row.code))
    points = [Point(0, 0, sum(expected.values()))]
    for i, row in enumerate(order, start=1):
        last = points[-1]
        points.append(Point(i, last.units + row.exposed.units, max(0.0, last.escaping - expected[row.code])))
    return order, points


def _expected(row: ExposedRow, by_colour: bool) -> float:
    return row.exposed.by_colour if by_colour and row.exposed.by_colour is not None else row.exposed.expected


def some_points(points: Sequence[Point], most: int = 12) -> list[Point]:
    """A few of many points, the first and the last among them."""
    if len(points) <= most:
        return list(points)
    step = (len(points) - 1) / (most - 1)
    return [points[round(i * step)] for i in range(most)]
