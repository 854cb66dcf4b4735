"""Data Matrix and QR symbols as SVG in millimetres. The quiet zone is part of the picture, so that it reads on any ground."""

from collections.abc import Iterable
from html import escape

import numpy as np
import zxingcpp

from app.drawing.rectangles import rectangles
from app.errors import bad_input

READABLE_MM = 0.33  # a module; 0.2 mm is the least that a label printer of 203 dots an inch draws so that it still reads
_FORMATS = {"Data Matrix": zxingcpp.BarcodeFormat.DataMatrix, "QR": zxingcpp.BarcodeFormat.QRCode}


def data_matrix(message: str | bytes, title: str, module_mm: float = READABLE_MM) -> str:
    """A square Data Matrix (ISO/IEC 16022). `title` is what a reader of the page is told instead of the picture."""
    return _svg(_modules("Data Matrix", message, force_square=True), title, module_mm)


def data_matrix_once(messages: Iterable[str], module_mm: float = READABLE_MM) -> tuple[str, dict[str, str]]:
    """Symbols that a page shows many times: drawn once, hidden, and for each message a picture that points there. Its words stand beside it."""
    drawn, shown = [], {}
    for message in dict.fromkeys(messages):
        dark = _modules("Data Matrix", message, force_square=True)
        rows, columns = dark.shape
        name, box = f"symbol-{escape(message)}", f'viewBox="0 0 {columns} {rows}"'
        drawn.append(f'<symbol id="{name}" {box}>{_paths(dark)}</symbol>')
        size = f'width="{columns * module_mm:g}mm" height="{rows * module_mm:g}mm"'
        shown[message] = f'<svg {size} {box} shape-rendering="crispEdges" aria-hidden="true"><use href="#{name}"/></svg>'
    return f'<svg width="0" height="0" aria-hidden="true" class="drawn-once">{"".join(drawn)}</svg>', shown


def qr(message: str | bytes, title: str, module_mm: float = READABLE_MM) -> str:
    """A QR code (ISO/IEC 18004)."""
    return _svg(_modules("QR", message), title, module_mm)


def _modules(kind: str, message: str | bytes, **how: bool) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Which modules are dark, row by row, with the quiet zone."""
    if not message:
        raise bad_input(f"No {kind} was drawn.", "message", "It is empty.", "Give what the symbol is to say.")
    try:
        symbol = zxingcpp.create_barcode(message, _FORMATS[kind], **how)
    except ValueError as error:
        why = f"{len(message)} characters do not fit one symbol ({error})."
        raise bad_input(f"No {kind} was drawn.", "message", why, "Say less on one label.") from None
    dark: np.ndarray[tuple[int, int], np.dtype[np.bool_]] = np.array(symbol.to_image(scale=1)) == 0
    return dark


def _svg(dark: np.ndarray[tuple[int, int], np.dtype[np.bool_]], title: str, module_mm: float) -> str:
    rows, columns = dark.shape
    size = f'width="{columns * module_mm:g}mm" height="{rows * module_mm:g}mm" viewBox="0 0 {columns} {rows}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} shape-rendering="crispEdges" role="img"><title>{escape(title)}</title>'
        f"{_paths(dark)}</svg>"
    )


def _paths(dark: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> str:
    rows, columns = dark.shape
    return f'<path fill="#fff" d="M0 0h{columns}v{rows}h-{columns}z"/><path fill="#000" d="{rectangles(dark)}"/>'
