"""Chromaticities on the CIE 1931 diagram: how many units lie where, the bins' polygons over them, the whole diagram as an inset.

Darker cells hold more units, on a scale of tens; few units are drawn one by one. Each polygon has its own line and stands in the key.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, log10

Point = tuple[float, float]
WIDE, HIGH = 420, 360  # the plot, in the picture's units
_LEFT, _TOP, _KEY = 52, 12, 500  # its corner; where the key begins
_LEVELS = (1, 3, 10, 30, 100, 300)  # units a cell, from which each shade begins
_LOOKS = 6  # kinds of lines, in the stylesheet


@dataclass(frozen=True)
class View:
    """What part of the diagram is shown. A cell is as wide as high: x and y have one scale."""

    x: float
    y: float
    width: float

    @property
    def height(self) -> float:
        return self.width * HIGH / WIDE


@dataclass(frozen=True)
class Area:
    """A polygon, and the bins that it belongs to."""

    name: str
    points: tuple[Point, ...]


@dataclass(frozen=True)
class Cloud:
    """Units in the view: by cell (column, row from the lower left, `cell` wide), or one by one."""

    cell: float
    cells: Mapping[tuple[int, int], int]
    points: Sequence[Point] = ()


def view_of(areas: Sequence[Area]) -> View:
    """The bins' region with a margin; without bins, the whole diagram."""
    points = [point for area in areas for point in area.points]
    if not points:
        return View(-0.04, -0.02, 0.98 * WIDE / HIGH)
    xs, ys = zip(*points, strict=True)
    width = max((max(xs) - min(xs)) * 1.5, (max(ys) - min(ys)) * 1.5 * WIDE / HIGH, 0.01)
    return View((max(xs) + min(xs) - width) / 2, (max(ys) + min(ys) - width * HIGH / WIDE) / 2, width)


def chromaticity_chart(
    view: View, cloud: Cloud, areas: Sequence[Area], locus: Mapping[int, Point], axes: tuple[str, str], title: str, name: str
) -> str:
    """SVG. `name`: of its title and description in the page; unique there."""
    says = f"{'Units one by one' if cloud.points else 'Density of units'} in {axes[0]} and {axes[1]} (CIE 1931), with {len(areas)} polygons of bins."
    parts = [*_axes(view, axes), *_inside(view, cloud, areas, locus, name), *_key(areas, bool(cloud.points)), *_inset(view, locus)]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 720 420" width="720" height="420" role="img"'
        f' aria-labelledby="{name}-title" aria-describedby="{name}-says"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-says">{escape(says)}</desc>{"".join(parts)}</svg>'
    )


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers between two, at a step of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / most
    power = 10 ** floor(log10(rough))
    step = next(power * n for n in (1, 2, 5, 10) if power * n >= rough * (1 - 1e-9))
    return [round(n * step, 10) for n in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]


def _at(view: View, point: Point) -> Point:
    return (_LEFT + (point[0] - view.x) / view.width * WIDE, _TOP + HIGH - (point[1] - view.y) / view.height * HIGH)


def _path(view: View, points: Sequence[Point], close: bool = True) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in (_at(view, point) for point in points)) + ("z" if close else "")


def _axes(view: View, axes: tuple[str, str]) -> Iterator[str]:
    yield f'<rect class="frame" x="{_LEFT}" y="{_TOP}" width="{WIDE}" height="{HIGH}"/>'
    for value in ticks(view.x, view.x + view.width):
        x = _at(view, (value, 0))[0]
        yield f'<path class="grid" d="M{x:.1f} {_TOP}v{HIGH}"/><text class="middle" x="{x:.1f}" y="{_TOP + HIGH + 16}">{value:g}</text>'
    for value in ticks(view.y, view.y + view.height):
        y = _at(view, (0, value))[1]
        yield f'<path class="grid" d="M{_LEFT} {y:.1f}h{WIDE}"/><text class="end" x="{_LEFT - 6}" y="{y + 4:.1f}">{value:g}</text>'
    yield f'<text class="middle strong" x="{_LEFT + WIDE / 2}" y="{_TOP + HIGH + 36}">{escape(axes[0])}</text>'
    yield f'<text class="strong" x="4" y="{_TOP + HIGH + 36}">{escape(axes[1])} upwards</text>'


def _inside(view: View, cloud: Cloud, areas: Sequence[Area], locus: Mapping[int, Point], name: str) -> Iterator[str]:
    yield f'<clipPath id="{name}-plot"><rect x="{_LEFT}" y="{_TOP}" width="{WIDE}" height="{HIGH}"/></clipPath><g clip-path="url(#{name}-plot)">'
    yield f'<path class="locus" d="{_path(view, list(locus.values()))}"/>'
    yield from _cells(view, cloud)
    for point in cloud.points:
        x, y = _at(view, point)
        yield f'<circle class="unit" cx="{x:.1f}" cy="{y:.1f}" r="2.5"/>'
    shapes = [_path(view, area.points) for area in areas]
    yield from (f'<path class="halo" d="{shape}"/>' for shape in shapes)  # under all lines: polygons share edges
    yield from (f'<path class="area look{n % _LOOKS}" d="{shape}"/>' for n, shape in enumerate(shapes))
    for nm, point in locus.items():
        if nm % 10 == 0 and 440 <= nm <= 640 and _is_in(view, point):
            x, y = _at(view, point)
            beside = f'x="{x + 6:.1f}"' if x < _LEFT + WIDE - 60 else f'class="end" x="{x - 6:.1f}"'
            yield f'<circle class="nm" cx="{x:.1f}" cy="{y:.1f}" r="3"/><text {beside} y="{y - 5:.1f}">{nm} nm</text>'
    yield "</g>"


def _cells(view: View, cloud: Cloud) -> Iterator[str]:
    """One path a shade."""
    side = cloud.cell / view.width * WIDE
    for level, least in enumerate(_LEVELS):
        most = _LEVELS[level + 1] if level + 1 < len(_LEVELS) else None
        shade = [where for where, units in cloud.cells.items() if units >= least and (most is None or units < most)]
        if shade:
            squares = "".join(f"M{_LEFT + c * side:.1f} {_TOP + HIGH - (r + 1) * side:.1f}h{side:.1f}v{side:.1f}h-{side:.1f}z" for c, r in shade)
            yield f'<path class="shade{level}" d="{squares}"/>'


def _is_in(view: View, point: Point) -> bool:
    return view.x < point[0] < view.x + view.width and view.y < point[1] < view.y + view.height


def _key(areas: Sequence[Area], one_by_one: bool) -> Iterator[str]:
    y = _TOP + 12
    for n, area in enumerate(areas[:8]):
        names = area.name if len(area.name) <= 24 else area.name[:23] + "…"
        yield f'<path class="area look{n % _LOOKS}" d="M{_KEY} {y - 4}h34"/><text x="{_KEY + 42}" y="{y}">{escape(names)}</text>'
        y += 18
    if len(areas) > 8:
        yield f'<text x="{_KEY}" y="{y}">and {len(areas) - 8} more polygons</text>'
    if one_by_one:
        return
    for level, least in enumerate(_LEVELS):
        x = _KEY + (level % 2) * 100
        row = 176 + (level // 2) * 20
        upper = f"{least} to {_LEVELS[level + 1] - 1}" if level + 1 < len(_LEVELS) else f"{least}+"
        square = f'x="{x}" y="{row - 11}" width="14" height="14"'
        yield f'<rect class="frame" {square}/><rect class="shade{level}" {square}/><text x="{x + 19}" y="{row}">{upper}</text>'
    yield f'<text x="{_KEY}" y="238">units in a cell</text>'


def _inset(view: View, locus: Mapping[int, Point]) -> Iterator[str]:
    """The whole diagram, small, with the part that is shown."""
    left, bottom, scale = _KEY, 408, 180.0

    def at(point: Point) -> str:
        return f"{left + point[0] * scale:.1f} {bottom - point[1] * scale:.1f}"

    yield f'<path class="locus" d="M{"L".join(at(point) for point in locus.values())}z"/>'
    for nm in (480, 500, 520, 560, 600, 640):
        if nm in locus:
            x, y = (float(value) for value in at(locus[nm]).split())
            side = "end" if nm < 510 else "start"
            yield f'<text class="small {side}" x="{x - 5 if side == "end" else x + 5:.1f}" y="{y - 2:.1f}">{nm}</text>'
    corner = at((view.x, view.y + view.height)).split()
    yield (
        f'<rect class="shown" x="{corner[0]}" y="{corner[1]}" width="{max(3.0, view.width * scale):.1f}"'
        f' height="{max(3.0, view.height * scale):.1f}"/><text class="small" x="{left + 100}" y="{bottom - 146}">framed: this picture</text>'
    )
