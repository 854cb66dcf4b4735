"""A region of a wafer's map drawn over its picture: rectangle, ring, lasso. From ready values; the mapping is that of `grid_frame.py`."""

from collections.abc import Sequence

from markupsafe import Markup

from app.drawing.grid_frame import GridFrame


def region_overlay(
    frame: GridFrame, rectangle: Sequence[float] | None, ring: Sequence[float] | None, lasso: Sequence[tuple[float, float]]
) -> Markup:
    """An SVG as large as the picture. Shapes go through the middles of dies; a rectangle goes around them."""

    def middle(x: float, y: float) -> tuple[float, float]:
        across = frame.margin + ((x - frame.left) * frame.right + 0.5) * frame.pitch
        return across, frame.margin + ((y - frame.top) * frame.down + 0.5) * frame.pitch

    shapes = []
    if rectangle:
        (ax, ay), (bx, by) = middle(*rectangle[:2]), middle(*rectangle[2:])
        half = frame.pitch / 2
        x, y = min(ax, bx) - half, min(ay, by) - half
        shapes.append(f'<rect x="{x:g}" y="{y:g}" width="{abs(bx - ax) + frame.pitch:g}" height="{abs(by - ay) + frame.pitch:g}"/>')
    if ring:
        across, below = middle(*ring[:2])
        shapes += [f'<circle cx="{across:g}" cy="{below:g}" r="{radius * frame.pitch:g}"/>' for radius in ring[2:] if radius > 0]
    if lasso:
        corners = " ".join(f"{across:g},{below:g}" for across, below in (middle(x, y) for x, y in lasso))
        shapes.append(f'<polygon points="{corners}"/>')
    return Markup(
        f'<svg class="over region-over" width="{frame.width}" height="{frame.height}" viewBox="0 0 {frame.width} {frame.height}" aria-hidden="true">'
        f'{"".join(shapes)}<g class="drawing"></g></svg>'
    )
