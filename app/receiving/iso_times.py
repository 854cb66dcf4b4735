"""ISO 8601 times of a whole column at once: the letters of a field a row (delimited.py), UTC in microseconds out.

Date and time of day, with T or a space between; seconds and fraction may be missing; Z or an offset, or a stated zone.
A local time that the stated zone has twice (its clocks were set back) is told only where the column shows that its clock was; one that the
zone never has is not guessed.
"""

import re
from datetime import timedelta, tzinfo
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from app.receiving.local_clocks import second_time

LONGEST = 40
_SHAPE = re.compile(r"(0000)-(00)-(00)[Tt ](00):(00)(?::(00)(?:[.,](0{1,9}))?)? ?(?:([Zz])|([+-])(00)(?::?(00))?)?")
_SHAPES = 64  # different ways of writing in one file; more is not a column of times
_MINUTE = np.timedelta64(60_000_000, "us")
Times = NDArray[np.datetime64]
Bytes = NDArray[np.uint8]


class Fault(IntEnum):
    """What keeps a time from being understood."""

    NONE = 0
    NOT_A_TIME = 1
    NO_ZONE = 2
    CLOCK_CHANGED = 3


WORDS = {
    Fault.NOT_A_TIME: "is not an ISO 8601 date and time, like 2026-03-05T14:30:00Z",
    Fault.NO_ZONE: "has no zone, and none was stated",
    Fault.CLOCK_CHANGED: "is a local time that occurs twice or never, because clocks were changed",
}


def read_times(letters: Bytes, zone: tzinfo | None) -> tuple[Times, NDArray[np.int8]]:
    """The times, and the fault of each (NONE where it was understood). `zone` is for times that name none."""
    times = np.full(len(letters), np.datetime64("NaT", "us"))
    faults = np.full(len(letters), Fault.NOT_A_TIME, dtype=np.int8)
    shapes = np.where((letters >= ord("0")) & (letters <= ord("9")), np.uint8(ord("0")), letters)
    left = np.ones(len(letters), dtype=bool)
    for _ in range(_SHAPES):
        if not left.any():
            break
        shape = shapes[np.argmax(left)]
        same = left & (shapes == shape).all(axis=1)
        left &= ~same
        match = _SHAPE.fullmatch(shape.tobytes().rstrip(b"\0").decode("ascii", "replace"))
        if match:
            times[same], faults[same] = _read_shape(letters[same], match, zone)
    return times, faults


def _read_shape(letters: Bytes, match: re.Match[str], zone: tzinfo | None) -> tuple[Times, NDArray[np.int8]]:
    def number(group: int) -> NDArray[np.int64]:
        value = np.zeros(len(letters), dtype=np.int64)
        for place in range(*match.span(group)):
            value = value * 10 + (letters[:, place] - ord("0"))
        return value

    times, good = _moments(*(number(group) for group in range(1, 7)))
    if match[7]:
        digits = len(match[7])
        times = times + (number(7) * 1_000_000 // 10**digits).astype("timedelta64[us]")
    faults = np.where(good, Fault.NONE, Fault.NOT_A_TIME).astype(np.int8)
    if match[9]:
        minutes = number(10) * 60 + number(11)
        faults[(minutes > 14 * 60) | (number(11) > 59)] = Fault.NOT_A_TIME
        return times - minutes * _MINUTE * (1 if match[9] == "+" else -1), faults
    if match[8]:
        return times, faults
    if zone is None:
        faults[good] = Fault.NO_ZONE
        return times, faults
    return _from_zone(times, faults, zone)


def _moments(
    year: NDArray[np.int64],
    month: NDArray[np.int64],
    day: NDArray[np.int64],
    hour: NDArray[np.int64],
    minute: NDArray[np.int64],
    second: NDArray[np.int64],
) -> tuple[Times, NDArray[np.bool_]]:
    good = (year >= 1970) & (year < 2200) & (month >= 1) & (month <= 12) & (day >= 1) & (hour < 24) & (minute < 60) & (second < 60)
    months = np.where(good, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + np.where(good, day - 1, 0)
    good &= days.astype("datetime64[M]") == months  # no 31 April
    seconds = np.where(good, hour * 3600 + minute * 60 + second, 0)
    return days.astype("datetime64[us]") + (seconds * 1_000_000).astype("timedelta64[us]"), good


def _from_zone(times: Times, faults: NDArray[np.int8], zone: tzinfo) -> tuple[Times, NDArray[np.int8]]:
    """Local times to UTC, a look at the zone for each different minute."""
    minutes, which = np.unique(times.astype("datetime64[m]"), return_inverse=True)
    offsets, later = np.zeros(len(minutes), dtype="timedelta64[us]"), np.zeros(len(minutes), dtype="timedelta64[us]")
    for n, local in enumerate(minutes.tolist()):
        offsets[n], later[n] = (np.timedelta64(zone.utcoffset(local.replace(fold=fold)) or timedelta()) for fold in (0, 1))
    early, late, good = offsets[which], later[which], faults == Fault.NONE
    twice = good & (early > late)
    second = second_time(times.astype(np.int64), twice, int((early - late)[twice].max().astype(np.int64))) if twice.any() else None
    unsure = good & (early != late) if second is None else good & (early < late)
    faults = np.where(unsure, np.int8(Fault.CLOCK_CHANGED), faults)
    return times - (early if second is None else np.where(second, late, early)), faults
