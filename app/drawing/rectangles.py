"""A grid of dark and light places as one path of SVG."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray


def rectangles(dark: NDArray[np.bool_]) -> str:
    """What a path's `d` says: each unbroken run of dark places in a row, as a closed rectangle a place high."""
    return "".join(_rectangles(dark))


def _rectangles(dark: NDArray[np.bool_]) -> Iterator[str]:
    for y, row in enumerate(dark):
        edges = np.flatnonzero(np.diff(np.r_[0, row.astype(np.int8), 0])).tolist()
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            yield f"M{begin} {y}h{end - begin}v1h-{end - begin}z"
