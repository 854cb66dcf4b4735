"""What will be taped by a moment: sampled from past step times, capped by the tapers' rate. Pure and seeded.

A draw takes one past day and samples from what steps took on that day, so that a slow day is slow for every lot; what that day has no
doings of is sampled from all days. Lots come to the tapers in the order of their draw and are taped at the rate of all tapers together.
The time that a lot has waited or run so far is taken into account: only longer times are sampled, and what waits longer than anything
did is not expected. Our own model; `benchmarks/forecast_coverage.py`
says how often its band holds the truth on a simulated line.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

SHARES = (0.1, 0.5, 0.9)
DRAWS = 400
_LEAST_OF_DAY = 3  # doings of a step on the day of the draw; with fewer, all days are sampled
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Times:
    """Past waits before a step and times at it, in minutes, each with its day: arrays of one length."""

    day: Ints
    wait: Floats
    work: Floats


@dataclass(frozen=True)
class Job:
    """Units on their way to the tapers. `steps`: keys into the past times, the first in work or waited for; the last leads to the tapers.

    `spent`: minutes that the first step has run (`is_running`) or was waited for.
    """

    units: float
    steps: tuple[Any, ...]
    spent: float = 0.0
    is_running: bool = False


@dataclass(frozen=True)
class Forecast:
    """Units by the end: what was taped before, and 10, 50 and 90 % of the draws."""

    so_far: int
    low: int
    middle: int
    high: int
    draws: int

    def holds(self, truth: float) -> bool:
        return self.low <= truth <= self.high


@dataclass(frozen=True)
class Line:
    """What a forecast goes by: past times by key, minutes that are left, units an hour of all tapers, and what was begun on past days."""

    times: Mapping[Any, Times]
    minutes: float
    per_hour: float
    starts: Mapping[int, Sequence[tuple[float, Job]]] = field(default_factory=dict)  # day -> (minutes after the moment, lots begun then)


def forecast(jobs: Sequence[Job], line: Line, so_far: int, seed: int, draws: int = DRAWS) -> Forecast:
    rng = np.random.default_rng(seed)
    days = rng.choice(_days(line), size=draws)
    samplers = {key: _Sampler(times, days) for key, times in line.times.items()}
    every = np.arange(draws)
    arrivals, units = [_arrival(job, samplers, rng, every) for job in jobs], [job.units for job in jobs]
    for day, begun in line.starts.items():
        which = np.flatnonzero(days == day)
        for after, job in begun if len(which) else ():  # what was begun on the day of the draw is begun again
            arrival = np.full(draws, np.inf)
            arrival[which] = after + _arrival(job, samplers, rng, which)
            arrivals.append(arrival)
            units.append(job.units)
    if not arrivals:
        return Forecast(so_far, so_far, so_far, so_far, draws)
    taped = _taped(np.column_stack(arrivals), np.array(units), line.minutes, line.per_hour / 60)
    low, middle, high = (round(float(x)) for x in so_far + np.quantile(taped, SHARES))
    return Forecast(so_far, low, middle, high, draws)


def score(forecast: Forecast, truth: int) -> str:
    """Where the truth fell."""
    if forecast.holds(truth):
        return "inside the band"
    return "below the band" if truth < forecast.low else "above the band"


def _days(line: Line) -> Ints:
    """Past days on which anything was done; each is as likely."""
    seen = [times.day for times in line.times.values()]
    return np.unique(np.concatenate(seen)) if seen else np.zeros(1, dtype=np.int64)


class _Sampler:
    """Draws of one step's times: rows of the day of the draw where it has enough, else of all days."""

    def __init__(self, times: Times, days: Ints) -> None:
        self.wait, self.work = times.wait, times.work
        order = np.argsort(times.day, kind="stable")
        sorted_days = times.day[order]
        low, high = np.searchsorted(sorted_days, days, "left"), np.searchsorted(sorted_days, days, "right")
        few = high - low < _LEAST_OF_DAY
        self.order, self.low, self.count = order, np.where(few, 0, low), np.where(few, len(order), high - low)

    def rows(self, rng: np.random.Generator, which: Ints) -> Ints:
        at = self.low[which] + (rng.random(len(which)) * self.count[which]).astype(np.int64)
        return np.asarray(self.order[at], dtype=np.int64)


def _arrival(job: Job, samplers: Mapping[Any, _Sampler], rng: np.random.Generator, which: Ints) -> Floats:
    """In these draws, minutes until the units stand at the tapers. A step without a past takes no time: there is nothing to go by."""
    total = np.zeros(len(which))
    for i, key in enumerate(job.steps):
        is_last, sampler = i == len(job.steps) - 1, samplers.get(key)
        if sampler is None or not len(sampler.wait):
            continue
        rows = sampler.rows(rng, which)
        if i > 0:
            total += sampler.wait[rows] + (0 if is_last else sampler.work[rows])
        elif job.is_running:
            total += 0 if is_last else _beyond(sampler.work, sampler.work[rows], job.spent, rng)
        else:
            total += _beyond(sampler.wait, sampler.wait[rows], job.spent, rng) + (0 if is_last else sampler.work[rows])
    return total


def _beyond(all_times: Floats, drawn: Floats, spent: float, rng: np.random.Generator) -> Floats:
    """What is left of a time of which `spent` has passed: drawn again from the longer ones; where none was longer, nobody can tell: never."""
    longer = all_times[all_times > spent]
    if not len(longer):
        return np.full(len(drawn), np.inf)
    again = longer[(rng.random(len(drawn)) * len(longer)).astype(np.int64)]
    return np.asarray(np.where(drawn > spent, drawn, again) - spent, dtype=np.float64)


def _taped(arrivals: Floats, units: Floats, minutes: float, per_minute: float) -> Floats:
    """Units taped by the end in each draw: first come, first taped, one stream at the rate of all tapers."""
    if per_minute <= 0:
        return np.zeros(len(arrivals))
    order = np.argsort(arrivals, axis=1)
    arrivals, ordered = np.take_along_axis(arrivals, order, axis=1), units[order]
    free, taped = np.zeros(len(arrivals)), np.zeros(len(arrivals))
    for j in range(arrivals.shape[1]):
        begin = np.maximum(free, arrivals[:, j])
        here = begin < minutes  # what never comes has no begin that counts
        if not here.any():
            break
        done = np.minimum(ordered[:, j], np.maximum(0.0, minutes - np.where(here, begin, minutes)) * per_minute)
        taped += done
        free = np.where(here, np.where(here, begin, 0.0) + ordered[:, j] / per_minute, free)
    return taped
