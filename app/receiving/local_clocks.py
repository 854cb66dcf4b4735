"""Clocks that files were written by: the zone as someone states it, and the hour that a zone has twice when its clocks are set back."""

import re
from datetime import timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray


def zone_named(text: str) -> tzinfo | None:
    """A zone by its IANA name or as an offset like +01:00; None if there is no such zone."""
    if offset := re.fullmatch(r"(?:UTC|GMT)? ?([+-])(\d{1,2})(?::?([0-5]\d))?", text.strip(), re.ASCII):
        minutes = int(offset[2]) * 60 + int(offset[3] or 0)
        return timezone(timedelta(minutes=minutes if offset[1] == "+" else -minutes)) if minutes <= 14 * 60 else None
    try:
        return ZoneInfo("UTC" if text.strip() in ("Z", "UTC", "GMT") else text.strip())
    except (ValueError, OSError, KeyError):  # zoneinfo raises each of them, by the shape of the name
        return None


def second_time(local: NDArray[np.int64], twice: NDArray[np.bool_], back: int) -> NDArray[np.bool_] | None:
    """Which of the times that a zone has twice came after its clock was set back by `back`. None: the file does not show it.

    Only a clock that was set back itself shows it: its times, in the order of the file, step back once, by no more than the change.
    In a file that begins with the newest, a step back is no change of the clock.
    """
    among = np.flatnonzero(twice)
    first, last = int(among[0]), int(among[-1]) + 1
    steps = np.diff(local[first:last])
    backward = np.flatnonzero(steps < 0)
    if (first and local[first - 1] > local[first]) or (last < len(local) and local[last] < local[last - 1]):
        return None
    if last - first != len(among) or len(backward) != 1 or not back / 2 < -steps[backward[0]] <= back:
        return None
    second = np.zeros(len(local), dtype=bool)
    second[first + int(backward[0]) + 1 : last] = True
    return second
