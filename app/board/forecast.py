"""What will be taped by a moment: sampled from past step times, capped by the tapers' rate. Pure and seeded.

A draw takes one past day and samples from what steps took on that day, so that a slow day is slow for every lot; what that day has no
doings of is sampled from all days. Lots come to the tapers in the order of their draw and are taped at the rate of all tapers together.
The time that a lot has waited or run so far is taken into account: only longer times are sampled, and what waits longer than anything
did is not expected. Our own model; `benchmarks/forecast_coverage.py`
says how often its band holds the truth on a simulated line.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

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


class Job(NamedTuple):
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
    """What a forecast goes by: past times by key, minutes that are left, units an hour of all tapers, and what was begun on past days.

    `per_hour` None: nobody knows the rate, and nothing but what comes to the tapers limits what they do. `standard`: minutes that the route
    gives a step, for those without a past.
    """

    times: Mapping[Any, Times]
    minutes: float
    per_hour: float | None
    starts: Mapping[int, Sequence[tuple[float, Job]]] = field(default_factory=dict)  # day -> (minutes after the moment, lots begun then)
    idle: Sequence[tuple[float, float]] = ()  # from and to which minutes no shift works, and nothing is taped
    standard: Mapping[Any, float] = field(default_factory=dict)


def forecast(jobs: Sequence[Job], line: Line, so_far: int, seed: int, draws: int = DRAWS) -> Forecast:
    """Units taped by the end, `so_far` of them before. The same seed gives the same answer."""
    rng = np.random.default_rng(seed)
    days = rng.choice(_days(line), size=draws)
    drawing = _Drawing(rng, {key: _Sampler(times, days) for key, times in line.times.items()}, line.standard)
    arrivals, units = drawing.of([(0.0, job) for job in jobs], np.arange(draws))
    begun = [(which, *drawing.of(lots, which)) for day, lots in line.starts.items() if lots and len(which := np.flatnonzero(days == day))]
    most = max((len(of_one) for _, _, of_one in begun), default=0)
    again, their_units = np.full((draws, most), np.inf), np.zeros((draws, most))
    for which, one, of_one in begun:  # what was begun on the day of the draw is begun again
        again[which, : len(of_one)], their_units[which, : len(of_one)] = one, of_one
    units = np.broadcast_to(units, (draws, len(units)))
    taped = _taped(np.concatenate([arrivals, again], axis=1), np.concatenate([units, their_units], axis=1), line)
    low, middle, high = (round(float(x)) for x in so_far + np.quantile(taped, SHARES))
    return Forecast(so_far, low, middle, high, draws)


def score(forecast: Forecast, truth: int) -> str:
    """Where the truth fell."""
    if forecast.holds(truth):
        return "inside the band"
    return "below the band" if truth < forecast.low else "above the band"


def _days(line: Line) -> Ints:
    """Past days on which anything was done; each is as likely."""
    seen = [times.day for times in line.times.values() if len(times.day)]
    return np.unique(np.concatenate(seen)) if seen else np.zeros(1, dtype=np.int64)


class _Sampler:
    """Draws of one step's times: rows of the day of the draw where it has enough, else of all days."""

    def __init__(self, times: Times, days: Ints) -> None:
        order = np.argsort(times.day, kind="stable")
        self.wait, self.work = times.wait[order], times.work[order]
        self.both = self.wait + self.work
        sorted_days = times.day[order]
        low, high = np.searchsorted(sorted_days, days, "left"), np.searchsorted(sorted_days, days, "right")
        few = high - low < _LEAST_OF_DAY
        self.low, self.count = np.where(few, 0, low), np.where(few, len(order), high - low)

    def rows(self, rng: np.random.Generator, which: Ints, lots: int) -> Ints:
        drawn = (rng.random((len(which), lots)) * self.count[which, None]).astype(np.int64)
        return np.asarray(self.low[which, None] + drawn, dtype=np.int64)


@dataclass(frozen=True)
class _Drawing:
    rng: np.random.Generator
    samplers: Mapping[Any, _Sampler]
    standard: Mapping[Any, float]

    def of(self, lots: Sequence[tuple[float, Job]], which: Ints) -> tuple[Floats, Floats]:
        """(minutes until they stand at the tapers, units) of lots that begin so many minutes from now: a row a draw of `which`, a column a lot."""
        alike: defaultdict[tuple[tuple[Any, ...], bool], list[tuple[float, Job]]] = defaultdict(list)
        for after, job in lots:
            alike[job.steps, job.is_running].append((after, job))
        arrivals, units = [np.zeros((len(which), 0))], list[float]()
        for (steps, is_running), some in alike.items():
            spent = np.array([job.spent for _, job in some])
            arrivals.append(np.array([after for after, _ in some]) + self._minutes(steps, spent, which, is_running=is_running))
            units += [job.units for _, job in some]
        return np.concatenate(arrivals, axis=1), np.array(units)

    def _minutes(self, steps: Sequence[Any], spent: Floats, which: Ints, *, is_running: bool) -> Floats:
        """Along these steps, for lots of which each has `spent` so much. A step without a past takes its standard time, and no wait."""
        total = np.zeros((len(which), len(spent)))
        for i, key in enumerate(steps):
            is_last, sampler = i == len(steps) - 1, self.samplers.get(key)
            if sampler is None or not len(sampler.wait):
                total += 0 if is_last else np.maximum(0.0, self.standard.get(key, 0.0) - (spent if i == 0 and is_running else 0.0))
                continue
            rows = sampler.rows(self.rng, which, len(spent))
            if i > 0:
                total += (sampler.wait if is_last else sampler.both)[rows]
            elif is_running:
                total += 0 if is_last else self._beyond(sampler.work, sampler.work[rows], spent)
            else:
                total += self._beyond(sampler.wait, sampler.wait[rows], spent) + (0 if is_last else sampler.work[rows])
        return total

    def _beyond(self, all_times: Floats, drawn: Floats, spent: Floats) -> Floats:
        """What is left of times of which `spent` has passed: drawn again from the longer ones; where none was longer, nobody can tell: never."""
        ordered = np.append(np.sort(all_times), np.inf)
        first = np.searchsorted(ordered[:-1], spent, "right")
        again = ordered[first + (self.rng.random(drawn.shape) * (len(all_times) - first)).astype(np.int64)]
        return np.asarray(np.where(drawn > spent, drawn, again) - spent, dtype=np.float64)


def _taped(arrivals: Floats, units: Floats, line: Line) -> Floats:
    """Units taped by the end in each draw: first come, first taped, one stream at the rate of all tapers.

    Who is never idle while something waits has done the least, over all moments, of what had come by then and what can be done from then on
    (E. Reich, Annals of Mathematical Statistics 29, 1958).
    """
    order = np.argsort(arrivals, axis=1)
    left = _worked_after(np.take_along_axis(arrivals, order, axis=1), line)
    came = np.where(left > 0, np.take_along_axis(units, order, axis=1), 0.0)
    if line.per_hour is None:
        return np.asarray(came.sum(axis=1), dtype=np.float64)
    before = np.cumsum(came, axis=1) - came
    done: Floats = np.minimum(came.sum(axis=1), (before + left * line.per_hour / 60).min(axis=1, initial=np.inf))
    return done


def _worked_after(arrivals: Floats, line: Line) -> Floats:
    """Minutes from each arrival to the end in which a shift works."""
    left = np.maximum(0.0, line.minutes - arrivals)
    for begin, end in line.idle:
        left -= np.clip(end - np.maximum(arrivals, begin), 0.0, None)
    return np.asarray(np.maximum(0.0, left), dtype=np.float64)
