"""Cures for tests: a sensor is a few (minute, degrees C) corners with straight lines between, sampled as a logger would."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from app.ovens.cure import Judgement, Recipe, judge
from app.ovens.record_quality import Round, Watch
from app.ovens.trace import Note, Trace

CLOSED = datetime(2026, 3, 5, 10, 0, tzinfo=UTC)
START = CLOSED.timestamp()
Corners = Sequence[tuple[float, float]]
GOOD: Corners = ((0, 25), (60, 170), (180, 170), (200, 100))  # two hours at 170, as is common practice (no source)
RECIPE = Recipe(170, 165, 175, 120)


def at(minute: float) -> datetime:
    return CLOSED + timedelta(minutes=minute)


def trace(sensors: Mapping[str, Corners], every_seconds: float = 30, notes: tuple[Note, ...] = ()) -> Trace:
    """All sensors from the first to the last corner of the first of them."""
    corners = list(sensors.values())
    first, last = corners[0][0][0], corners[0][-1][0]
    minutes = np.arange(first * 60, last * 60 + 1e-9, every_seconds) / 60
    temps = [np.interp(minutes, [m for m, _ in corner], [t for _, t in corner]) for corner in corners]
    return Trace(START + minutes * 60, tuple(sensors), np.array(temps).T, notes)


def without(whole: Trace, start: float, end: float, sensor: str | None = None) -> Trace:
    """The trace without the readings between these minutes."""
    minutes = (whole.times - START) / 60
    temps = whole.temps_c.copy()
    column = slice(None) if sensor is None else whole.sensors.index(sensor)
    temps[(minutes > start) & (minutes < end), column] = np.nan
    return Trace(whole.times, whole.sensors, temps, whole.notes)


def oven_round(log: Trace | None, *watches: Watch, closed: float = 0, opened: float = 200, name: str = "") -> Round:
    """By default every sensor of the trace watches the shelf."""
    return Round(log, watches or tuple(Watch(sensor) for sensor in (log.sensors if log else ("A",))), at(closed), at(opened), name)


def judged(log: Trace | None, recipe: Recipe = RECIPE, **rest: Any) -> Judgement:
    return judge(recipe, oven_round(log), **rest)


def codes(judgement: Judgement) -> list[str]:
    return [reason.code for reason in judgement.reasons]
