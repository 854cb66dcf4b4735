"""Draws the SVG of a symbol as dots, as a printer would, and reads it with a scanner's library."""

import re

import numpy as np
import zxingcpp
from lxml import etree
from PIL import Image, ImageDraw

_RECTANGLE = re.compile(r"M(\d+) (\d+)h(\d+)v(\d+)h-(\d+)z")


def rastered(svg: str, dots: int = 4, ground: str = "#888888") -> Image.Image:
    """`dots` a module, on a grey ground with a margin of three modules, as on a dark page."""
    root = etree.fromstring(svg)
    _, _, columns, rows = (int(number) for number in root.get("viewBox").split())
    margin = 3 * dots
    picture = Image.new("L", (columns * dots + 2 * margin, rows * dots + 2 * margin), ground)
    pen = ImageDraw.Draw(picture)
    for path in root.iter("{*}path"):
        shapes = _RECTANGLE.findall(path.get("d"))
        assert "".join(f"M{x} {y}h{w}v{h}h-{b}z" for x, y, w, h, b in shapes) == path.get("d")
        for x, y, w, h, back in shapes:
            assert w == back
            left, top = margin + int(x) * dots, margin + int(y) * dots
            pen.rectangle((left, top, left + int(w) * dots - 1, top + int(h) * dots - 1), fill=path.get("fill"))
    return picture


def read_symbol(svg: str, dots: int = 4) -> zxingcpp.Barcode:
    (found,) = zxingcpp.read_barcodes(np.array(rastered(svg, dots)))
    return found
