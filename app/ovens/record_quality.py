"""Is the record of a round good enough to judge a cure by it? What is wrong with it is never a verdict on the oven: it cannot be told.

Thresholds of a stuck sensor are our choice: constant to the last digit for ten minutes while another sensor moves 20 degrees C away from
it, or over the whole round while another moves 20 degrees C; or for half an hour and thirty readings while another goes up and down in
at least a quarter of its steps, over four times the step of the constant one. A steady soak is none of these.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np

from app.ovens.curves import Curve, Span, curve
from app.ovens.trace import Floats, Trace

STUCK_SECONDS, STUCK_AWAY_C = 600.0, 20.0
FLICKER_SECONDS, FLICKER_READINGS, FLICKER_STEPS = 1800.0, 30, 4.0


@dataclass(frozen=True)
class Watch:
    """A sensor that watches the shelf, since when and until when. Empty: always."""

    sensor: str
    since: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True)
class Round:
    """One time in an oven: its trace (None: no file has come), the sensors of the shelf, door closed and door open."""

    trace: Trace | None
    watches: tuple[Watch, ...]
    door_closed: datetime
    door_open: datetime
    name: str = ""  # in words, for reasons: load V26-000012-3

    @property
    def span(self) -> Span:
        return self.door_closed.timestamp(), self.door_open.timestamp()


@dataclass(frozen=True)
class Used:
    """Another load of this oven, already judged: its span, and its name in words."""

    name: str
    door_closed: datetime
    door_open: datetime


@dataclass(frozen=True)
class CureReason:
    """Why a cure does not conform, or cannot be told. Times are UTC; measured and limit are in the unit that the text names."""

    code: str
    text: str
    at_from: datetime | None = None
    at_to: datetime | None = None
    sensor: str | None = None
    measured: float | None = None
    limit: float | None = None


@dataclass(frozen=True, eq=False)
class Record:
    """A round's curves and what is wrong with them. A doubtful sensor proves nothing; a doubtful clock proves no duration.

    `minutes`: equivalent ones that were asked for, on the coldest and the hottest sensor, by activation energy and reference.
    """

    round: Round
    curves: tuple[Curve, ...]
    reasons: tuple[CureReason, ...]
    doubtful: frozenset[str]
    clock_doubtful: bool
    minutes: dict[tuple[float, float], tuple[float, float]] = field(default_factory=dict)

    @property
    def trusted(self) -> list[Curve]:
        return [one for one in self.curves if one.sensor not in self.doubtful]


def read_record(one: Round, max_gap_seconds: float, min_sensors: int, used: Sequence[Used] = ()) -> Record:
    """The record of a round: of each sensor the span that it had to watch, and all that is wrong with it. `used`: what it may not overlap."""
    start, end = one.span
    if end <= start:  # times as people or machines stated them
        text = "The door was open no later than it was closed, by the times that were stated."
        return Record(one, (), (CureReason("no_span", text, *_times(start, end)),), frozenset(), True)
    if one.trace is None:
        return Record(one, (), (CureReason("no_trace", "No logger file covers this round.", *_times(start, end)),), frozenset(), False)
    curves, reasons = [], []
    for watch in one.watches:
        begin = max(start, watch.since.timestamp()) if watch.since else start
        finish = min(end, watch.until.timestamp()) if watch.until else end
        if begin >= finish:
            continue
        column = one.trace.column(watch.sensor)
        if column is None:
            reasons.append(CureReason("sensor_missing", f"Sensor {watch.sensor} of this shelf is not in the trace.", sensor=watch.sensor))
        else:
            curves.append(curve(one.trace, column, begin, finish, max_gap_seconds))
    if not curves and reasons:
        reasons = [CureReason("not_this_oven", "The trace has no sensor of this shelf: it may be another oven's.")]
    reasons += _too_few(one, curves, start, end, min_sensors) + _overlaps(one, used)
    doubtful: set[str] = set()
    clock_doubtful = False
    for one_curve in curves:
        reasons += _gaps(one_curve, max_gap_seconds)
        backward = _backward(one.trace, one_curve)
        clock_doubtful |= bool(backward)
        flawed = _broken(one.trace, one_curve) + _stuck(one.trace, one_curve, max_gap_seconds)
        reasons += backward + flawed
        if flawed:
            doubtful.add(one_curve.sensor)
    return Record(one, tuple(curves), tuple(reasons), frozenset(doubtful), clock_doubtful)


def moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _times(start: float, end: float) -> tuple[datetime, datetime]:
    return moment(start), moment(end)


def _too_few(one: Round, curves: Sequence[Curve], start: float, end: float, least: int) -> list[CureReason]:
    edges = sorted({start, end, *(edge for c in curves for edge in (c.start, c.end))})
    counts = [(a, b, sum(c.start <= a and c.end >= b for c in curves)) for a, b in pairwise(edges)]
    fewest = min(counts, key=lambda entry: entry[2])
    if fewest[2] >= max(least, 1):
        return []
    words = "1 sensor watches" if fewest[2] == 1 else f"{fewest[2]} sensors watch"
    text = f"{words} the shelf; {max(least, 1)} must."
    return [CureReason("too_few_sensors", text, *_times(*fewest[:2]), measured=fewest[2], limit=max(least, 1))]


def _overlaps(one: Round, used: Sequence[Used]) -> list[CureReason]:
    found = []
    for other in used:
        begin, finish = max(one.door_closed, other.door_closed), min(one.door_open, other.door_open)
        if begin < finish:
            text = f"This time of the oven is already the trace of {other.name}."
            found.append(CureReason("trace_used", text, begin.astimezone(UTC), finish.astimezone(UTC)))
    return found


def _gaps(one: Curve, limit: float) -> list[CureReason]:
    found = []
    for start, end in one.gaps:
        text = f"{one.sensor} has no readings for {end - start:.0f} s; at most {limit:g} s are allowed."
        found.append(CureReason("gap", text, *_times(start, end), one.sensor, end - start, limit))
    for start, end in one.unseen:
        if end - start > limit or not len(one.times):
            which = "after the door was closed" if start <= one.start and end < one.end else "before the door was opened"
            words = which if len(one.times) else "of the whole round"
            text = f"The trace of {one.sensor} does not cover {end - start:.0f} s {words}."
            found.append(CureReason("not_covered", text, *_times(start, end), one.sensor, end - start, limit))
    return found


def _backward(trace: Trace, one: Curve) -> list[CureReason]:
    column = trace.column(one.sensor)
    times = trace.times[np.isfinite(trace.temps_c[:, column])]
    highest = np.maximum.accumulate(times) if len(times) else times
    back = np.flatnonzero((times[1:] < highest[:-1]) & (times[1:] <= one.end) & (highest[:-1] >= one.start))
    if not len(back):
        return []
    lowest, top = float(times[1:][back].min()), float(highest[:-1][back].max())
    text = f"The time of {one.sensor} runs backward, {len(back)} readings are behind an earlier one."
    return [CureReason("time_backward", text, *_times(max(lowest, one.start), min(top, one.end)), one.sensor, top - lowest, 0.0)]


def _broken(trace: Trace, one: Curve) -> list[CureReason]:
    return [
        CureReason("sensor_broken", note.text, *_times(max(note.at_from, one.start), min(note.at_to, one.end)), one.sensor)
        for note in trace.notes
        if note.code == "broken" and note.sensor is not None and trace.column(note.sensor) == trace.column(one.sensor)
        if note.at_from is not None and note.at_to is not None and note.at_from <= one.end and note.at_to >= one.start
    ]


def _stuck(trace: Trace, one: Curve, max_gap_seconds: float) -> list[CureReason]:
    spells = _constant(one)
    if not spells:
        return []
    own = trace.column(one.sensor)
    others = [curve(trace, n, one.start, one.end, max_gap_seconds) for n in range(len(trace.sensors)) if n != own]
    step = float(np.abs(np.diff(one.temps_c))[np.diff(one.temps_c) != 0].min(initial=np.inf))
    for first, last in spells:
        start, end, value = float(one.times[first]), float(one.times[last]), float(one.temps_c[first])
        for other in others:
            inside = (other.times >= start) & (other.times <= end)
            moved = other.temps_c[inside]
            if len(moved) >= 2 and (_moved_away(moved, value, one, start, end) or _flickers(moved, end - start, step)):
                text = (
                    f"{one.sensor} stands at {value:g} degrees C for {(end - start) / 60:.0f} min while {other.sensor} moves by {np.ptp(moved):.1f}."
                )
                return [CureReason("sensor_stuck", text, *_times(start, end), one.sensor, (end - start) / 60, STUCK_SECONDS / 60)]
    return []


def _constant(one: Curve) -> list[tuple[int, int]]:
    """First and last reading of each spell that is constant long enough to ask about."""
    if len(one.times) < 2:
        return []
    edges = np.flatnonzero(np.r_[True, np.diff(one.temps_c) != 0, True])
    spells = [(int(a), int(b) - 1) for a, b in pairwise(edges)]
    return [(a, b) for a, b in spells if one.times[b] - one.times[a] >= STUCK_SECONDS]


def _moved_away(moved: Floats, value: float, one: Curve, start: float, end: float) -> bool:
    if start <= one.times[0] and end >= one.times[-1]:
        return bool(np.ptp(moved) >= STUCK_AWAY_C)
    distance = np.abs(moved - value)
    return bool((distance - np.minimum.accumulate(distance)).max() >= STUCK_AWAY_C)


def _flickers(moved: Floats, seconds: float, step: float) -> bool:
    if seconds < FLICKER_SECONDS or len(moved) < FLICKER_READINGS:
        return False
    steps = np.diff(moved)
    turns = np.count_nonzero(steps[1:] * steps[:-1] < 0)
    return bool(turns >= len(steps) / 4 and np.ptp(moved) >= FLICKER_STEPS * step)
