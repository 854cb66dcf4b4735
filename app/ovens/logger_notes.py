"""What a reader noted in a logger's file: lines without readings, times that repeat or run backward, readings that are missing or broken."""

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from app.ovens.logger_numbers import Said, States
from app.ovens.trace import Floats, Note

_MOST = 100  # of one code, and spells of one sensor
Lines = NDArray[np.int64]


class Notes:
    """In the order of lines; of each code the first hundred, and how many more."""

    def __init__(self, notes: Sequence[Note]) -> None:
        self._notes = list(notes)
        self._counts: Counter[str] = Counter()

    def add(self, code: str, text: str, line: int, begins: float | None = None, ends: float | None = None) -> None:
        self._counts[code] += 1
        if self._counts[code] <= _MOST:
            self._notes.append(Note(code, text, line, None, begins, ends))

    def look_at_times(self, times: Floats, lines: Lines) -> None:
        for n in np.flatnonzero(np.diff(times) < 0).tolist():
            text = f"Time runs backward by {times[n] - times[n + 1]:g} s."
            self.add("time_backward", text, int(lines[n + 1]), float(times[n + 1]), float(times[n]))
        repeated = np.flatnonzero(np.diff(times) == 0)
        if len(repeated):
            text = f"{len(repeated)} rows have the time of the row before them."
            self._notes.append(Note("time_repeated", text, int(lines[repeated[0] + 1]), None, float(times.min()), float(times.max())))

    def look_at_sensor(self, sensor: str, states: States, times: Floats, lines: Lines) -> None:
        missing = np.flatnonzero((states == Said.MISSING) | (states == Said.NOTHING))
        if len(missing):
            text = f"{len(missing)} readings of {sensor} are missing."
            span = float(times[missing].min()), float(times[missing].max())
            self._notes.append(Note("missing", text, int(lines[missing[0]]), sensor, *span))
        broken = states == Said.BROKEN
        for first, end in _spells(broken):
            spell = times[first:end]
            text = f"{sensor} shows what a broken sensor shows, {int(broken[first:end].sum())} times."
            self._notes.append(Note("broken", text, int(lines[first]), sensor, float(spell.min()), float(spell.max())))

    def all(self) -> tuple[Note, ...]:
        more = [Note("more", f"{count - _MOST} more notes of the kind {code}.") for code, count in self._counts.items() if count > _MOST]
        return (*sorted(self._notes, key=lambda note: note.line or 0), *more)


def _spells(broken: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First row and the row after the last of each spell; the hundredth reaches over all that are left."""
    edges = np.flatnonzero(np.diff(np.r_[False, broken, False])).tolist()
    spells = list(zip(edges[::2], edges[1::2], strict=True))
    return spells if len(spells) <= _MOST else [*spells[: _MOST - 1], (spells[_MOST - 1][0], spells[-1][1])]
