"""A cure trace as SVG: sensors against their band, the soak, the doors, gaps as gaps, and numbered pins where something was wrong.

Times are seconds since 1970. A long record is thinned to the least and the greatest of every pixel, so that no extreme is lost.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Span = tuple[float, float]
WIDTH, PLOT = 960, 200  # pixels: the whole, and the height of the temperatures
LEFT, RIGHT, FOOT, LANE = 52, 96, 40, 20
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 720, 1440)  # minutes between marks of the time axis
_LINES = 6  # kinds of lines


@dataclass(frozen=True, eq=False)
class SensorLine:
    """`pieces`: times and temperatures of the stretches without a gap."""

    name: str
    pieces: Sequence[tuple[Floats, Floats]]


@dataclass(frozen=True)
class Pin:
    """Reason `number` of the list beneath, at the time where it happened."""

    number: int
    at_from: float
    at_to: float
    title: str


@dataclass(frozen=True, eq=False)
class TraceChart:
    """`low_c` to `high_c`: the temperature axis, the same for all shelves of a load. `gaps`: (from, to, what is missing)."""

    title: str
    description: str
    start: float
    end: float
    low_c: float
    high_c: float
    band: tuple[float, float]
    set_point_c: float
    door_closed: float
    door_open: float | None
    sensors: Sequence[SensorLine]
    zone: str
    soak: Span | None = None
    gaps: Sequence[tuple[float, float, str]] = ()
    pins: Sequence[Pin] = ()


def thinned(times: Floats, temps: Floats, start: float, end: float, pixels: int) -> tuple[Floats, Floats]:
    """The first and last sample, and the least and greatest of every pixel's width of time."""
    if len(times) <= 4 * pixels:
        return times, temps
    pixel = np.floor((times - start) / (end - start) * pixels)
    order = np.lexsort((temps, pixel))
    last = np.flatnonzero(np.r_[np.diff(pixel[order]) != 0, True])
    first = np.r_[0, last[:-1] + 1]
    keep = np.unique(np.r_[0, order[first], order[last], len(times) - 1])
    return times[keep], temps[keep]


def time_marks(start: float, end: float, zone: str, most: int = 12) -> list[tuple[float, str]]:
    """Round times of the site's clock within a span, and how they read."""
    minutes = next((one for one in _STEPS if (end - start) / 60 / one <= most), _STEPS[-1])
    here = ZoneInfo(zone)
    offset = (datetime.fromtimestamp(start, here).utcoffset() or timedelta()).total_seconds()
    step = minutes * 60.0
    first = -(-(start + offset) // step) * step - offset
    return [(at, f"{datetime.fromtimestamp(at, here):%H:%M}") for at in np.arange(first, end + 0.5, step).tolist()]


def cure_trace(chart: TraceChart) -> str:
    """The picture, with its title and description."""
    lanes = _lanes(chart)
    top = 34 + LANE * (max(lanes.values(), default=-1) + 1)
    height = top + PLOT + FOOT
    drawn = [part for draw in (_band, _gaps, _axes, _doors, _soak, _lines) for part in draw(chart, top)]
    parts = "".join([*drawn, *_pins(chart, top, lanes)])
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="cure" width="{WIDTH}" height="{height}" viewBox="0 0 {WIDTH} {height}" role="img">'
        f"<title>{escape(chart.title)}</title><desc>{escape(chart.description)}</desc>{parts}</svg>"
    )


def _x(chart: TraceChart, at: float) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * (min(max(at, chart.start), chart.end) - chart.start) / (chart.end - chart.start)


def _y(chart: TraceChart, top: int, temp_c: float) -> float:
    return top + PLOT * (chart.high_c - temp_c) / (chart.high_c - chart.low_c)


def _band(chart: TraceChart, top: int) -> Iterator[str]:
    upper, lower, set_point = (_y(chart, top, c) for c in (chart.band[1], chart.band[0], chart.set_point_c))
    right = WIDTH - RIGHT
    yield f'<rect class="band" x="{LEFT}" y="{upper:.1f}" width="{right - LEFT}" height="{lower - upper:.1f}"/>'
    yield f'<path class="edge" d="M{LEFT} {upper:.1f}H{right}M{LEFT} {lower:.1f}H{right}"/><path class="set" d="M{LEFT} {set_point:.1f}H{right}"/>'
    yield f'<text x="{LEFT + 4}" y="{lower + 13:.1f}">band {chart.band[0]:g} to {chart.band[1]:g} °C, set point {chart.set_point_c:g} °C</text>'


def _gaps(chart: TraceChart, top: int) -> Iterator[str]:
    for begin, end, words in chart.gaps:
        left, right = _x(chart, begin), _x(chart, end)
        yield f'<rect class="gap" x="{left:.1f}" y="{top}" width="{max(right - left, 1):.1f}" height="{PLOT}"><title>{escape(words)}</title></rect>'
        if right - left > 34:
            yield f'<text class="middle" x="{(left + right) / 2:.1f}" y="{top + PLOT - 6}">no reading</text>'


def _axes(chart: TraceChart, top: int) -> Iterator[str]:
    bottom = top + PLOT
    step = next((one for one in (5, 10, 20, 25, 50, 100, 200) if (chart.high_c - chart.low_c) / one <= 6), 500)
    for temp in np.arange(-(-chart.low_c // step) * step, chart.high_c + 0.01, step).tolist():
        y = _y(chart, top, temp)
        yield f'<path class="grid" d="M{LEFT} {y:.1f}h-5"/><text class="end" x="{LEFT - 8}" y="{y + 4:.1f}">{temp:g}</text>'
    yield f'<text class="end" x="{LEFT - 8}" y="{top - 8}">°C</text>'
    for at, words in time_marks(chart.start, chart.end, chart.zone):
        yield f'<path class="grid" d="M{_x(chart, at):.1f} {bottom}v5"/><text class="middle" x="{_x(chart, at):.1f}" y="{bottom + 17}">{words}</text>'
    yield f'<path class="frame" d="M{LEFT} {top}V{bottom}H{WIDTH - RIGHT}"/>'


def _doors(chart: TraceChart, top: int) -> Iterator[str]:
    bottom = top + PLOT
    closed = _x(chart, chart.door_closed)
    yield f'<path class="door" d="M{closed:.1f} {top}V{bottom + 20}"/><text x="{closed:.1f}" y="{bottom + 34}">load starts, door closed</text>'
    if chart.door_open is not None:
        opened = _x(chart, chart.door_open)
        words = f'<text class="end" x="{opened:.1f}" y="{bottom + 34}">load ends, door open</text>'
        yield f'<path class="door" d="M{opened:.1f} {top}V{bottom + 20}"/>{words}'


def _soak(chart: TraceChart, top: int) -> Iterator[str]:
    if chart.soak is None:
        return
    begin, end = (_x(chart, at) for at in chart.soak)
    minutes = (chart.soak[1] - chart.soak[0]) / 60
    y = top - 8
    yield f'<path class="soak" d="M{begin:.1f} {y + 5}V{y}H{end:.1f}V{y + 5}"/>'
    yield f'<text class="middle" x="{(begin + end) / 2:.1f}" y="{y - 5}">soak {minutes:.1f} min</text>'


def _lines(chart: TraceChart, top: int) -> Iterator[str]:
    ends = []
    for n, sensor in enumerate(chart.sensors):
        path, last = [], None
        for times, temps in sensor.pieces:
            times, temps = thinned(times, temps, chart.start, chart.end, WIDTH - LEFT - RIGHT)
            points = [f"{_x(chart, at):.1f} {_y(chart, top, temp):.1f}" for at, temp in zip(times.tolist(), temps.tolist(), strict=True)]
            if points:
                path.append("M" + "L".join(points) + ("h.1" if len(points) == 1 else ""))
                last = float(temps[-1])
        kind = f"line{n % _LINES + 1}"
        yield f'<path class="sensor {kind}" d="{"".join(path)}"><title>{escape(sensor.name)}</title></path>'
        ends.append((_y(chart, top, last) if last is not None else top + 8.0, sensor.name, kind))
    y = -1e9
    for wanted, name, kind in sorted(ends):  # names at the right, none over another
        y = max(wanted, y + 14)
        x = WIDTH - RIGHT + 4
        yield f'<path class="sensor {kind}" d="M{x} {y:.1f}h20"/><text x="{x + 24}" y="{y + 4:.1f}">{escape(name)}</text>'


def _lanes(chart: TraceChart) -> dict[int, int]:
    """A lane for each pin, so that no number lies over another."""
    taken: list[float] = []
    lanes = {}
    for pin in sorted(chart.pins, key=lambda one: one.at_from):
        begin = _x(chart, pin.at_from)
        lane = next((n for n, until in enumerate(taken) if until < begin), len(taken))
        taken[lane : lane + 1] = [max(begin + 22, _x(chart, pin.at_to) + 4)]
        lanes[pin.number] = lane
    return lanes


def _pins(chart: TraceChart, top: int, lanes: dict[int, int]) -> Iterator[str]:
    for pin in chart.pins:
        begin, end, y = _x(chart, pin.at_from), _x(chart, pin.at_to), 12 + LANE * lanes[pin.number]
        yield f'<g class="pin"><title>{escape(pin.title)}</title><path class="fall" d="M{begin:.1f} {y}V{top + PLOT}"/>'
        if end - begin > 1:
            yield f'<path class="fall" d="M{end:.1f} {y}V{top + PLOT}"/><path class="reach" d="M{begin:.1f} {y}H{end:.1f}"/>'
        yield f'<path class="head" d="M{begin - 4:.1f} {y - 9}h8l5 5v8l-5 5h-8l-5-5v-8z"/>'
        yield f'<text class="middle" x="{begin:.1f}" y="{y + 4}">{pin.number}</text></g>'
