"""How the classes of a map look: a colour of the Okabe-Ito set and a pattern cut out of it, so that no colour speaks alone.

All are light on a dark plate: each colour of the set but black has at least 3:1 there, in both schemes. On paper the plate is turned to white.
"""

from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from app.drawing.rectangles import rectangles

PLATE = "#16191c"
SKY, GREEN, YELLOW, ORANGE, VERMILION, PURPLE, BLUE = "#56b4e9", "#009e73", "#f0e442", "#e69f00", "#d55e00", "#cc79a7", "#0072b2"
GREY, PALE = "#80868c", "#3d444a"  # for what is not asked about
COLOURS = (SKY, ORANGE, GREEN, YELLOW, PURPLE, VERMILION, BLUE)  # neighbours differ in lightness too
PATTERNS = ("full", "ring", "slash", "bars", "half", "hole", "posts", "corner")
LEAST_PITCH = 8  # pixels a place, below which a pattern can't be seen


@dataclass(frozen=True)
class Look:
    colour: str
    pattern: str = "full"


def tile(pattern: str, pitch: int) -> NDArray[np.bool_]:
    """Which pixels of a place have the class's colour. The upper left one always has; from three pixels on, a line is left free between places."""
    side = pitch if pitch < 3 else pitch - 1
    filled = np.zeros((pitch, pitch), dtype=bool)
    filled[:side, :side] = True
    if pitch < LEAST_PITCH:
        return filled
    row, column = np.indices((side, side))
    third, middle = side / 3, (side - 1) / 2
    cut = {
        "full": np.zeros((side, side), dtype=bool),
        "ring": (np.minimum(row, column) >= max(1, side // 6)) & (np.maximum(row, column) < side - max(1, side // 6)),
        "slash": np.abs(row + column - (side - 1)) <= side / 6,
        "bars": (row >= third) & (row < side - third),
        "half": row > middle,
        "hole": (row - middle) ** 2 + (column - middle) ** 2 <= (side / 4) ** 2,
        "posts": (column >= third) & (column < side - third),
        "corner": row + column >= side,
    }[pattern]
    filled[:side, :side] &= ~cut
    return filled


def swatch(look: Look, title: str = "", pitch: int = 19) -> str:
    """A place of this look as SVG, for the legend: the same pixels as in the picture."""
    named = f' role="img"><title>{escape(title)}</title>' if title else ' aria-hidden="true">'
    size = f'width="{pitch + 5}" height="{pitch + 5}" viewBox="-3 -3 {pitch + 5} {pitch + 5}"'
    bars = rectangles(tile(look.pattern, pitch))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="swatch" shape-rendering="crispEdges" {size}{named}'
        f'<path fill="{PLATE}" d="M-3-3h{pitch + 5}v{pitch + 5}h-{pitch + 5}z"/><path fill="{look.colour}" d="{bars}"/></svg>'
    )
