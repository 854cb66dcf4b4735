"""A sensor's temperature over the span that it watched: straight between samples, unknown across gaps. All crossings are interpolated.

Straight lines between samples, and no gap filled in, are our choice: what lies between two samples is then never better than both.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from app.ovens.trace import Floats, Trace

Span = tuple[float, float]
SLOPE_SECONDS = 60.0  # our choice: the steepest rise and fall over any whole minute, so that a last digit that flickers is no ramp
_TOUCH_C = 1e-6  # rounding of a converted unit is no crossing


@dataclass(frozen=True, eq=False)
class Curve:
    sensor: str
    start: float  # the span that it had to watch, seconds since 1970
    end: float
    times: Floats  # within the span, its ends interpolated where samples lie beyond them
    temps_c: Floats
    known: Floats  # of each stretch between two samples: 1 where it is no gap
    gaps: tuple[Span, ...]  # longer than allowed, between samples
    unseen: tuple[Span, ...]  # before the first sample and after the last

    @property
    def unknown(self) -> list[Span]:
        return [*self.gaps, *self.unseen]

    def pieces(self) -> list[tuple[Floats, Floats]]:
        """Times and temperatures of the stretches without a gap."""
        cuts = np.flatnonzero(self.known == 0) + 1
        return list(zip(np.split(self.times, cuts), np.split(self.temps_c, cuts), strict=True))


def curve(trace: Trace, column: int, start: float, end: float, max_gap_seconds: float) -> Curve:
    """Readings in order of time; NaN readings are left out, so that a spell of them is a gap like any other."""
    temps = trace.temps_c[:, column]
    read = np.isfinite(temps) & np.isfinite(trace.times)
    times, temps = trace.times[read], temps[read]
    if (np.diff(times) < 0).any():
        order = np.argsort(times, kind="stable")
        times, temps = times[order], temps[order]
    first, last = int(np.searchsorted(times, start)), int(np.searchsorted(times, end, side="right"))
    inner, values = times[first:last], temps[first:last]
    before = first > 0 and first < len(times) and times[first] > start and times[first] - times[first - 1] <= max_gap_seconds
    after = 0 < last < len(times) and times[last - 1] < end and times[last] - times[last - 1] <= max_gap_seconds
    if before:
        inner = np.r_[start, inner]
        values = np.r_[_between(times, temps, first - 1, start), values]
    if after:
        inner = np.r_[inner, end]
        values = np.r_[values, _between(times, temps, last - 1, end)]
    long = np.flatnonzero(np.diff(times) > max_gap_seconds)
    gaps = [(max(start, float(times[n])), min(end, float(times[n + 1]))) for n in long if times[n] < end and times[n + 1] > start]
    known = (np.diff(inner) <= max_gap_seconds).astype(np.float64)
    return Curve(trace.sensors[column], start, end, inner, values, known, tuple(gaps), tuple(_unseen(times, start, end)))


def _unseen(times: Floats, start: float, end: float) -> Iterable[Span]:
    if not len(times) or times[0] >= end or times[-1] <= start:
        yield (start, end)
        return
    if times[0] > start:
        yield (start, float(times[0]))
    if times[-1] < end:
        yield (float(times[-1]), end)


def _between(times: Floats, temps: Floats, n: int, at: float) -> float:
    share = (at - times[n]) / (times[n + 1] - times[n])
    return float(temps[n] + share * (temps[n + 1] - temps[n]))


def spans_within(curve: Curve, low_c: float, high_c: float = 1e9) -> list[Span]:
    """Spells in which the temperature is known and within these, edges included."""
    if len(curve.times) < 2:
        return []
    low, high = low_c - _TOUCH_C, high_c + _TOUCH_C
    y, rise, t = curve.temps_c[:-1], np.diff(curve.temps_c), curve.times
    level = np.abs(rise) < 1e-12
    safe = np.where(level, 1.0, rise)
    to_low, to_high = (low - y) / safe, (high - y) / safe
    inside = (y >= low) & (y <= high)
    enter = np.where(level, np.where(inside, 0.0, 2.0), np.maximum(np.minimum(to_low, to_high), 0.0))
    leave = np.where(level, np.where(inside, 1.0, -1.0), np.minimum(np.maximum(to_low, to_high), 1.0))
    there = (enter <= leave) & (curve.known == 1)
    starts = t[:-1] + enter * np.diff(t)
    ends = np.where(leave >= 1.0, t[1:], t[:-1] + leave * np.diff(t))
    # a spell goes on into the next stretch only through a sample that is within: a sample outside always ends it
    goes_on = np.r_[False, there[:-1] & there[1:] & (leave[:-1] >= 1.0) & (enter[1:] <= 0.0)]
    begin = np.flatnonzero(there & ~goes_on)
    finish = np.flatnonzero(there & ~np.r_[goes_on[1:], False])
    return [(float(starts[b]), float(ends[f])) for b, f in zip(begin, finish, strict=True)]


def joined(spans: Iterable[Span]) -> list[Span]:
    """Spans that touch or overlap made one."""
    found: list[Span] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((start, end))
    return found


def with_unknown(spans: Iterable[Span], unknown: Iterable[Span]) -> list[Span]:
    """Spans made longer by the unknown that they touch. Two known ones that only touch have a reading outside between them."""
    found: list[tuple[float, float, bool]] = []
    for start, end, open_question in sorted([(*span, False) for span in spans] + [(*span, True) for span in unknown]):
        if found and start <= found[-1][1] and (open_question or found[-1][2]):
            found[-1] = (found[-1][0], max(end, found[-1][1]), open_question if end >= found[-1][1] else found[-1][2])
        else:
            found.append((start, end, open_question))
    return [(start, end) for start, end, _ in found]


def common(left: Sequence[Span], right: Sequence[Span]) -> list[Span]:
    """What is in a span of both; a break in one stays a break."""
    found, i, j = [], 0, 0
    while i < len(left) and j < len(right):
        start, end = max(left[i][0], right[j][0]), min(left[i][1], right[j][1])
        if start <= end:
            found.append((start, end))
        if left[i][1] < right[j][1]:
            i += 1
        else:
            j += 1
    return found


def longest(spans: Iterable[Span]) -> Span | None:
    """The longest, the first of equals."""
    return max(spans, key=lambda span: (span[1] - span[0], -span[0]), default=None)


@dataclass(frozen=True)
class Slope:
    c_per_min: float
    at: float  # its start


def steepest(curve: Curve) -> tuple[Slope | None, Slope | None]:
    """The steepest rise and the steepest fall (a negative number) over any minute without a gap."""
    rises, falls = [], []
    for times, temps in curve.pieces():
        if len(times) < 2 or times[-1] - times[0] < SLOPE_SECONDS:
            continue
        starts = np.r_[times, times - SLOPE_SECONDS]
        starts = np.unique(starts[(starts >= times[0]) & (starts <= times[-1] - SLOPE_SECONDS)])
        change = (np.interp(starts + SLOPE_SECONDS, times, temps) - np.interp(starts, times, temps)) * 60 / SLOPE_SECONDS
        up, down = int(np.argmax(change)), int(np.argmin(change))
        rises.append(Slope(float(change[up]), float(starts[up])))
        falls.append(Slope(float(change[down]), float(starts[down])))
    return max(rises, key=lambda s: s.c_per_min, default=None), min(falls, key=lambda s: s.c_per_min, default=None)


@dataclass(frozen=True)
class Spread:
    c: float
    at: float


def greatest_spread(curves: Sequence[Curve], low_c: float, high_c: float) -> Spread | None:
    """The greatest difference at one moment between two sensors that are both in the band."""
    within = [spans_within(curve, low_c, high_c) for curve in curves]
    moments = [curve.times for curve in curves] + [np.array(spans).ravel() for spans in within]
    grid = np.unique(np.concatenate(moments)) if moments else np.zeros(0)
    least, greatest, there = np.full(len(grid), np.inf), np.full(len(grid), -np.inf), np.zeros(len(grid), dtype=np.int64)
    for one, spans in zip(curves, within, strict=True):
        if not spans:
            continue
        starts, ends = np.array(spans).T
        n = np.searchsorted(starts, grid, side="right") - 1
        inside = (n >= 0) & (grid <= ends[np.maximum(n, 0)])
        value = np.interp(grid, one.times, one.temps_c)
        least, greatest = np.where(inside, np.minimum(least, value), least), np.where(inside, np.maximum(greatest, value), greatest)
        there += inside
    both = there >= 2
    if not both.any():
        return None
    difference = np.where(both, np.where(both, greatest, 0) - np.where(both, least, 0), -1)
    widest = int(np.argmax(difference))
    return Spread(float(difference[widest]), float(grid[widest]))
