"""A cure trace: what an oven's sensors say it did. Several files may make one trace, and one may hold many loads."""

from collections.abc import Sequence
from dataclasses import dataclass

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

    def column(self, sensor: str) -> int | None:
        """The place of a sensor; letter case and spaces around do not matter."""
        return next((n for n, name in enumerate(self.sensors) if plain(name) == plain(sensor)), None)


def plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def window(trace: Trace, at_from: float, at_to: float) -> Trace:
    """The rows within these times (seconds since 1970), both included, and the notes about them or about the whole file."""
    inside = (trace.times >= at_from) & (trace.times <= at_to)
    notes = [note for note in trace.notes if note.at_from is None or note.at_to is None or (note.at_from <= at_to and note.at_to >= at_from)]
    return Trace(trace.times[inside], trace.sensors, trace.temps_c[inside], tuple(notes))


def merge(traces: Sequence[Trace]) -> Trace:
    """One trace of several files: other sensors, later times, or the same readings again (which count once).

    Refuses two readings of one sensor at one time that differ. A time that runs backward in its file stays behind the one before it.
    """
    if len(traces) == 1:
        return traces[0]
    names = {plain(name): name for trace in traces for name in trace.sensors}
    order = list(names)
    times = np.concatenate([trace.times for trace in traces]) if traces else np.zeros(0)
    follows = np.concatenate([np.maximum.accumulate(trace.times) for trace in traces]) if traces else np.zeros(0)
    origin = np.repeat(np.arange(len(traces)), [len(trace.times) for trace in traces])
    temps = np.full((len(times), len(order)), np.nan)
    first = 0
    for trace in traces:
        columns = [order.index(plain(name)) for name in trace.sensors]
        temps[first : first + len(trace.times), columns] = trace.temps_c
        first += len(trace.times)
    for column, key in enumerate(order):
        _drop_repeats(times, temps[:, column], origin, names[key])
    by_time = np.argsort(follows, kind="stable")
    by_time = by_time[~np.isnan(temps[by_time]).all(axis=1)]
    notes = tuple(dict.fromkeys(note for trace in traces for note in trace.notes))
    return Trace(times[by_time], tuple(names.values()), temps[by_time], notes)


def _drop_repeats(times: Floats, temps: Floats, origin: NDArray[np.int64], sensor: str) -> None:
    """Readings that another file has as well become NaN in the later one. A file's own repeats stay."""
    read = np.flatnonzero(~np.isnan(temps))
    # a reading of a file is at (time, how often this file had that time before): the same place in two files is the same reading
    turn = np.zeros(len(read), dtype=np.int64)
    by_file = np.lexsort((times[read], origin[read]))
    same = (np.diff(times[read][by_file]) == 0) & (np.diff(origin[read][by_file]) == 0)
    new = np.r_[True, ~same][: len(read)]
    place = np.arange(len(read))
    turn[by_file] = place - np.maximum.accumulate(np.where(new, place, 0))
    by_place = np.lexsort((origin[read], turn, times[read]))
    again = (np.diff(times[read][by_place]) == 0) & (np.diff(turn[by_place]) == 0)
    earlier, later = read[by_place][:-1][again], read[by_place][1:][again]
    differ = np.abs(temps[earlier] - temps[later]) > 1e-9
    if differ.any():
        n = int(np.argmax(differ))
        at = np.datetime64(round(times[earlier[n]]), "s")
        why = f"Two files say that {sensor} read {temps[earlier[n]]:g} and {temps[later[n]]:g} degrees C at {at}Z."
        raise bad_input("These files contradict each other.", f"sensor {sensor}, {at}Z", why, "Leave out the file that is wrong.")
    temps[later] = np.nan
