"""A cure trace: what an oven's sensors say it did. Several files may make one trace, and one may hold many loads."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import bad_input

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Note:
    """Something about a file that its reader should know. Codes: event, before_table, left_out, missing, broken, time_repeated,
    time_backward, cut_short, more."""

    code: str
    text: str
    line: int | None = None
    sensor: str | None = None
    at_from: float | None = None  # seconds since 1970, UTC
    at_to: float | None = None


@dataclass(frozen=True, eq=False)
class Trace:
    """Rows in the order of the file. A reading that is missing or broken is NaN, and a note says why."""

    times: Floats  # seconds since 1970, UTC
    sensors: tuple[str, ...]
    temps_c: Floats  # [row, sensor]
    notes: tuple[Note, ...] = ()

    @cached_property
    def in_order(self) -> bool:
        return bool((self.times[1:] >= self.times[:-1]).all())

    @cached_property
    def span(self) -> tuple[float, float]:
        """It says nothing of any time before or after."""
        if not self.in_order or not len(self.times) or self.notes:
            return -np.inf, np.inf
        return float(self.times[0]), float(self.times[-1])

    def column(self, sensor: str) -> int | None:
        """The place of a sensor; letter case and spaces around do not matter."""
        return next((n for n, name in enumerate(self.sensors) if plain(name) == plain(sensor)), None)


@lru_cache(maxsize=4096)
def plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def window(trace: Trace, at_from: float, at_to: float) -> Trace:
    """The rows within these times (seconds since 1970), both included, and the notes about them or about the whole file."""
    inside: slice | NDArray[np.bool_]
    if trace.in_order:
        inside = slice(int(trace.times.searchsorted(at_from)), int(trace.times.searchsorted(at_to, "right")))
    else:
        inside = (trace.times >= at_from) & (trace.times <= at_to)
    notes = [note for note in trace.notes if note.at_from is None or note.at_to is None or (note.at_from <= at_to and note.at_to >= at_from)]
    return Trace(trace.times[inside], trace.sensors, trace.temps_c[inside], tuple(notes))


def merge(traces: Sequence[Trace]) -> Trace:
    """One trace of several files: other sensors, later times, or the same readings again (which count once).

    Refuses two readings of one sensor at one time that differ. A time that runs backward in its file stays behind the one before it.
    """
    if len(traces) == 1:
        return traces[0]
    alike = all(trace.sensors == traces[0].sensors for trace in traces)
    names = {plain(name): name for trace in (traces[:1] if alike else traces) for name in trace.sensors}
    place = {key: n for n, key in enumerate(names)}
    times = np.concatenate([trace.times for trace in traces]) if traces else np.zeros(0)
    follows = np.concatenate([np.maximum.accumulate(trace.times) for trace in traces]) if traces else np.zeros(0)
    origin = np.repeat(np.arange(len(traces)), [len(trace.times) for trace in traces])
    if traces and alike and len(place) == len(traces[0].sensors):
        temps = np.concatenate([trace.temps_c for trace in traces], dtype=np.float64)
    else:
        temps, first = np.full((len(times), len(place)), np.nan), 0
        for trace in traces:
            columns = [place[plain(name)] for name in trace.sensors]
            temps[first : first + len(trace.times), columns] = trace.temps_c
            first += len(trace.times)
    if len(np.unique(times)) < len(times):
        _drop_repeats(times, temps, origin, tuple(names.values()))
    by_time = np.argsort(follows, kind="stable")
    by_time = by_time[~np.isnan(temps[by_time]).all(axis=1)]
    notes = tuple(dict.fromkeys(note for trace in traces for note in trace.notes))
    return Trace(times[by_time], tuple(names.values()), temps[by_time], notes)


def _drop_repeats(times: Floats, temps: Floats, origin: NDArray[np.int64], sensors: tuple[str, ...]) -> None:
    """Readings that another file has as well become NaN in the later one. A file's own repeats stay."""
    sensor, row = np.nonzero(~np.isnan(temps.T))
    at, of = times[row], origin[row]
    # a reading of a file is at (time, how often this file had that time before): the same place in two files is the same reading
    turn = np.zeros(len(row), dtype=np.int64)
    by_file = np.lexsort((at, of, sensor))
    new = np.r_[True, ~_same_as_before((at, of, sensor), by_file)][: len(row)]
    place = np.arange(len(row))
    turn[by_file] = place - np.maximum.accumulate(np.where(new, place, 0))
    by_place = np.lexsort((of, turn, at, sensor))
    again = np.flatnonzero(_same_as_before((at, turn, sensor), by_place))
    earlier, later = by_place[again], by_place[again + 1]
    first, second = temps[row[earlier], sensor[earlier]], temps[row[later], sensor[later]]
    differ = np.abs(first - second) > 1e-9
    if differ.any():
        n = int(np.argmax(differ))
        name, moment = sensors[sensor[earlier[n]]], np.datetime64(round(at[earlier[n]]), "s")
        why = f"Two files say that {name} read {first[n]:g} and {second[n]:g} degrees C at {moment}Z."
        raise bad_input("These files contradict each other.", f"sensor {name}, {moment}Z", why, "Leave out the file that is wrong.")
    temps[row[later], sensor[later]] = np.nan


def _same_as_before(keys: Sequence[NDArray[Any]], order: NDArray[np.int64]) -> NDArray[np.bool_]:
    """In this order, from the second on: is it the same as the one before, by all keys?"""
    same: NDArray[np.bool_] = np.logical_and.reduce([np.diff(key[order]) == 0 for key in keys])
    return same
