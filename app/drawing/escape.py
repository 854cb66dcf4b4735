"""The escape curve as SVG: units stopped to the right, suspects expected to escape upward. From ready values."""

from collections.abc import Sequence

from markupsafe import Markup

_WIDE, _HIGH, _LEFT, _BELOW, _ABOVE = 640, 236, 70, 40, 32


def escape_svg(points: Sequence[tuple[int, float]], chosen: int | None) -> Markup:
    """`points`: (units stopped, suspects expected to escape), the first with nothing stopped. `chosen`: index of the point that is picked."""
    most_units, most_escaping = max(1, points[-1][0]), max(points[0][1], 1e-9)

    def at(point: tuple[int, float]) -> tuple[float, float]:
        x = _LEFT + (_WIDE - _LEFT - 12) * point[0] / most_units
        return round(x, 1), round(_ABOVE + (_HIGH - _ABOVE - _BELOW) * (1 - point[1] / most_escaping), 1)

    way = " ".join(f"{x},{y}" for x, y in map(at, points))
    floor = _HIGH - _BELOW
    parts = [
        f'<svg class="escape" viewBox="0 0 {_WIDE} {_HIGH}" role="img" aria-labelledby="escape-title escape-words">',
        '<title id="escape-title">Escape curve</title>',
        f'<desc id="escape-words">With nothing stopped {points[0][1]:.0f} suspects are expected to escape, with {points[-1][0]:,} units stopped '
        f"{points[-1][1]:.0f}. The numbers stand in the table below.</desc>",
        f'<path class="axis" d="M{_LEFT} {_ABOVE}V{floor}H{_WIDE - 12}"/>',
        f'<polyline class="way" points="{way}"/>',
        f'<text x="{_LEFT - 6}" y="{_ABOVE + 5}" text-anchor="end">{points[0][1]:,.0f}</text>',
        f'<text x="{_LEFT - 6}" y="{floor}" text-anchor="end">0</text>',
        f'<text x="{_WIDE - 12}" y="{floor + 18}" text-anchor="end">{points[-1][0]:,} units stopped</text>',
        f'<text x="{_LEFT}" y="{floor + 18}">0</text>',
        f'<text x="{_LEFT}" y="{_ABOVE - 14}">suspects expected to escape</text>',
    ]
    if chosen is not None and 0 <= chosen < len(points):
        x, y = at(points[chosen])
        parts.append(f'<path class="axis" d="M{x} {y}V{floor}" stroke-dasharray="4 3"/><circle class="picked" cx="{x}" cy="{y}" r="6"/>')
    return Markup("".join(parts) + "</svg>")
