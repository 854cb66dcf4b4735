"""A day's output as one tape: filled with what is done, a band from 10 to 90 % over it, a line at 50 %. Its numbers stand beside it in words."""

from html import escape

WIDTH, HEIGHT = 480, 56
_ROUND_UP = (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10)


def forecast_band(so_far: int, low: int, middle: int, high: int, title: str, truth: int | None = None) -> str:
    """`truth`: what came true, for a forecast that is over."""
    full = _full(max(so_far, high, truth or 0))
    at = [f"{WIDTH * units / full:.1f}" for units in (so_far, low, middle, high)]
    parts = [
        f'<rect class="film" x="0" y="14" width="{WIDTH}" height="30"/>', f'<rect class="made" x="0" y="20" width="{at[0]}" height="18"/>',
        f'<rect class="band" x="{at[1]}" y="17" width="{max(2.0, float(at[3]) - float(at[1])):.1f}" height="24"/>',
        f'<path class="middle" d="M{at[2]} 8v42"/>',
    ]  # fmt: skip
    if truth is not None:
        x = WIDTH * truth / full
        parts.append(f'<path class="truth" d="M{x - 7:.1f} 0h14l-7 12z"/>')
    size = f'viewBox="-8 0 {WIDTH + 16} {HEIGHT}" width="{WIDTH + 16}" height="{HEIGHT}"'
    return f'<svg class="forecast" xmlns="http://www.w3.org/2000/svg" {size} role="img"><title>{escape(title)}</title>{"".join(parts)}</svg>'


def _full(units: int) -> float:
    """The end of the scale: the next round number."""
    power = 10 ** max(0, len(str(max(1, units))) - 1)
    return next(float(step * power) for step in _ROUND_UP if step * power >= units)
