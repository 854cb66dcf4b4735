"""A grid of classes as a palette PNG, and what is drawn over it as SVG: notch, origin, axes, the chosen place."""

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from app.drawing.grid_frame import GridFrame
from app.drawing.looks import PLATE, Look, tile

Keys = NDArray[np.uint8]
_OUTWARDS = {"bottom": (0, 1), "left": (-1, 0), "top": (0, -1), "right": (1, 0)}


@dataclass(frozen=True)
class Over:
    """What is drawn over a grid. `notch`: the side it is on. `origin`: the place where coordinates begin. `names`: of the axes."""

    names: tuple[str, str] = ("x", "y")
    notch: str | None = None
    origin: tuple[int, int] | None = None
    chosen: tuple[int, int] | None = None


def paint(keys: Keys, looks: Sequence[Look], frame: GridFrame) -> bytes:
    """`keys[row, column]` from the upper left: 0 is nothing, n is looks[n - 1]. A pixel of the plate is palette entry 0."""
    tiles = np.zeros((len(looks) + 1, frame.pitch, frame.pitch), dtype=np.uint8)
    for number, look in enumerate(looks, 1):
        tiles[number] = tile(look.pattern, frame.pitch) * np.uint8(number)
    rows, columns = keys.shape
    drawn = tiles[keys].transpose(0, 2, 1, 3).reshape(rows * frame.pitch, columns * frame.pitch)
    picture = Image.fromarray(np.pad(drawn, frame.margin))
    picture.putpalette(b"".join(bytes.fromhex(colour[1:]) for colour in (PLATE, *(look.colour for look in looks))))
    out = io.BytesIO()
    picture.save(out, "PNG", compress_level=1)  # a third of the time of level 6 for a few more bytes
    return out.getvalue()


def cut_out(keys: Keys, whole: GridFrame, part: GridFrame) -> Keys:
    """The keys of a close-up (`GridFrame.around`)."""
    column, row = whole.column_row(part.left, part.top) or (0, 0)
    return keys[row : row + part.rows, column : column + part.columns]


def overlay(frame: GridFrame, over: Over) -> str:
    """An SVG of the picture's own size, to lie over it. It says nothing by itself: the picture's words stand with the picture."""
    parts = "".join([*_axes(frame, over.names), *_notch(frame, over.notch), *_origin(frame, over.origin), _cursor(frame, over.chosen)])
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="over" width="{frame.width}" height="{frame.height}" '
        f'viewBox="0 0 {frame.width} {frame.height}" aria-hidden="true">{parts}</svg>'
    )


def _axes(frame: GridFrame, names: tuple[str, str]) -> Iterator[str]:
    """An arrow for each axis along the upper and the left edge, with the numbers at both ends."""
    m, last_x, last_y = frame.margin, frame.left + (frame.columns - 1) * frame.right, frame.top + (frame.rows - 1) * frame.down
    far_x, far_y = m + frame.columns * frame.pitch, m + frame.rows * frame.pitch
    yield f'<text x="{m}" y="{m - 8}">{frame.left}</text><text class="end" x="{far_x}" y="{m - 8}">{last_x}</text>'
    yield f'<text class="end" x="{m - 6}" y="{m + 12}">{frame.top}</text><text class="end" x="{m - 6}" y="{far_y}">{last_y}</text>'
    begin, end = (m, m + 60) if frame.right > 0 else (far_x, far_x - 60)
    yield f'<path class="axis" d="M{begin} {m - 26}H{end}m{-6 * frame.right} -4l{6 * frame.right} 4l{-6 * frame.right} 4"/>'
    yield f'<text x="{end + 6}" y="{m - 22}">{escape(names[0])}</text>' if frame.right > 0 else (
        f'<text class="end" x="{end - 6}" y="{m - 22}">{escape(names[0])}</text>'
    )
    begin, end = (m + 18, m + 66) if frame.down > 0 else (far_y - 18, far_y - 66)
    yield f'<path class="axis" d="M12 {begin}V{end}m-4 {-6 * frame.down}l4 {6 * frame.down}l4 {-6 * frame.down}"/>'
    yield f'<text class="middle" x="12" y="{end + 16 if frame.down > 0 else end - 8}">{escape(names[1])}</text>'


def _notch(frame: GridFrame, side: str | None) -> Iterator[str]:
    if side is None:
        return
    right, down = _OUTWARDS[side]
    x = frame.width / 2 + right * (frame.width / 2 - frame.margin + 4)
    y = frame.height / 2 + down * (frame.height / 2 - frame.margin + 4)
    yield f'<path class="notch" d="M{x:g} {y:g}l{14 * right + 9 * down} {14 * down + 9 * right}l{-18 * down} {-18 * right}z"/>'
    if down:
        yield f'<text x="{x + 14:g}" y="{y + 12 * down + 4:g}">notch</text>'
    else:
        yield f'<text class="{"end" if right > 0 else ""}" x="{x + 14 * right:g}" y="{y + 26:g}">notch</text>'


def _origin(frame: GridFrame, origin: tuple[int, int] | None) -> Iterator[str]:
    if origin is None or frame.column_row(*origin) is None:
        return
    across, below = (edge + frame.pitch / 2 for edge in frame.pixel_of(*origin))
    yield f'<circle class="origin" cx="{across:g}" cy="{below:g}" r="{max(6, frame.pitch / 2):g}"/>'


def _cursor(frame: GridFrame, chosen: tuple[int, int] | None) -> str:
    """Around the chosen place; there from the start, so that the script has something to move."""
    there = chosen is not None and frame.column_row(*chosen) is not None
    across, below = frame.pixel_of(*chosen) if chosen is not None and there else (-99, -99)
    side = frame.pitch + 6
    return "".join(
        f'<rect class="cursor {name}" x="{across - 3}" y="{below - 3}" width="{side}" height="{side}"/>' for name in ("outer", "inner")
    )
