"""What the printed sheets of some travellers need beside them: symbols, times in short, and how high a row may be."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import Request
from markupsafe import Markup

from app import codes
from app.drawing.symbols import data_matrix, data_matrix_once
from app.genealogy.cautions import FIRST, in_letters
from app.genealogy.doings import Doing
from app.genealogy.traveller import StepRow, Traveller
from app.web.installation import zone_of

_LOW, _MIDDLE = 17, 11  # more steps than these: lower rows, so that the sheet stays one page


def sheet_values(request: Request, lots: Sequence[Traveller], now: datetime) -> dict[str, Any]:
    """For `genealogy/_sheet.html`."""
    most = max((len(lot.steps) for lot in lots), default=0)
    drawn, step_symbols = data_matrix_once([codes.of_step(n) for n in range(1, most + 1)])
    return {
        "now": now, "first": FIRST, "drawn": Markup(drawn), "step_symbols": {code: Markup(svg) for code, svg in step_symbols.items()},
        "symbols": {lot.code: Markup(data_matrix(lot.code, f"Data Matrix of {lot.code}", 0.6)) for lot in lots},
        "span": lambda begin, end: span(request, begin, end), "height": height, "told": told, "cautions": cautions,
    }  # fmt: skip


def height(lot: Traveller) -> str:
    """The class of its rows."""
    rows = len(lot.steps) - lot.before
    return "low" if rows > _LOW else "middle" if rows > _MIDDLE else "high"


def cautions(lot: Traveller) -> tuple[list[tuple[str, str, str]], dict[int, str]]:
    """Of the steps that are still to be done: each caution once, and by which letter a step names its own."""
    return in_letters((step.number, step.caution) for step in lot.steps if not step.is_done)


def told(step: StepRow) -> Doing | None:
    """The doing that the sheet tells: the newest that is not void."""
    return next((one for one in reversed(step.doings) if one.void is None), None)


def span(request: Request, begin: datetime, end: datetime | None) -> str:
    """From when to when, in the site's zone, the day said once: "2026-11-24 07:30 to 08:10". The page says the zone."""
    zone = ZoneInfo(zone_of(request))
    first = begin.astimezone(zone)
    if end is None:
        return f"since {first:%Y-%m-%d %H:%M}"
    last = end.astimezone(zone)
    return f"{first:%Y-%m-%d %H:%M} to {last:{'%H:%M' if last.date() == first.date() else '%m-%d %H:%M'}}"
