"""ISO 8601 times of a whole column at once: the letters of a field a row (delimited.py), UTC in microseconds out.

Date and time of day, with T or a space between; seconds and fraction may be missing; Z or an offset, or a stated zone. Also what leaves nothing
open beside it: a twelve-hour clock with AM or PM, and seconds or milliseconds since 1970, from 2001 until 2033. Counts since another year, in
other parts of a second, or beyond that are no times here.
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
_SPACE = "(?: |\xe2\x80\xaf|\xc2\xa0)?"  # in UTF-8, a byte a letter: many a writer puts a narrow one before AM, where a line must not break
_SHAPE = re.compile(
    rf"(0000)-(00)-(00)[Tt ](00?):(00)(?::(00)(?:[.,](0{{1,9}}))?)?(?:{_SPACE}([AaPp])\.?[Mm]\.?)? ?(?:([Zz])|([+-])(00)(?::?(00))?)?"
)
_SINCE_1970 = re.compile(r"(0{10})(?:(000)|[.,](0{1,9}))?")
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
    NO_HALF = 4


WORDS = {
    Fault.NOT_A_TIME: "is not an ISO 8601 date and time, like 2026-03-05T14:30:00Z",
    Fault.NO_ZONE: "has no zone, and none was stated",
    Fault.NO_HALF: "has neither AM nor PM, which others have",
    Fault.CLOCK_CHANGED: "is a local time that occurs twice or never, because clocks were changed",
}


def read_times(letters: Bytes, zone: tzinfo | None) -> tuple[Times, NDArray[np.int8]]:
    """The times, and the fault of each (NONE where it was understood). `zone` is for times that name none."""
    times = np.full(len(letters), np.datetime64("NaT", "us"))
    faults = np.full(len(letters), Fault.NOT_A_TIME, dtype=np.int8)
    shapes = np.where((letters >= ord("0")) & (letters <= ord("9")), np.uint8(ord("0")), letters)
    left, clocks, halves = np.ones(len(letters), dtype=bool), np.zeros(len(letters), dtype=bool), np.zeros(len(letters), dtype=bool)
    for _ in range(_SHAPES):
        if not left.any():
            break
        shape = shapes[np.argmax(left)]
        same = left & (shapes == shape).all(axis=1)
        left &= ~same
        text = shape.tobytes().rstrip(b"\0").decode("latin-1")
        if match := _SINCE_1970.fullmatch(text):
            times[same], faults[same] = _since_1970(letters[same], match)
        elif (match := _SHAPE.fullmatch(text)) and (match[8] or len(match[4]) == 2):
            (halves if match[8] else clocks)[same] = True
            times[same], faults[same] = _read_shape(letters[same], match, zone)
    if halves.any():
        faults[clocks & (faults != Fault.NOT_A_TIME)] = Fault.NO_HALF
    return times, faults


def _number(letters: Bytes, match: re.Match[str], group: int) -> NDArray[np.int64]:
    value = np.zeros(len(letters), dtype=np.int64)
    for place in range(*match.span(group)):
        value = value * 10 + (letters[:, place] - ord("0"))
    return value


def _micros(letters: Bytes, match: re.Match[str], group: int) -> NDArray[np.int64]:
    """Of a fraction of a second."""
    found: NDArray[np.int64] = _number(letters, match, group) * 1_000_000 // 10 ** len(match[group] or "")
    return found


def _since_1970(letters: Bytes, match: re.Match[str]) -> tuple[Times, NDArray[np.int8]]:
    """Only what begins with a 1: seconds since 1904 or 1900 are more by now, and would be a year to come."""
    times = (_number(letters, match, 1) * 1_000_000 + _micros(letters, match, 2 if match[2] else 3)).astype("datetime64[us]")
    return times, np.where(letters[:, 0] == ord("1"), Fault.NONE, Fault.NOT_A_TIME).astype(np.int8)


def _read_shape(letters: Bytes, match: re.Match[str], zone: tzinfo | None) -> tuple[Times, NDArray[np.int8]]:
    def number(group: int) -> NDArray[np.int64]:
        return _number(letters, match, group)

    hours, is_hour = number(4), np.ones(len(letters), dtype=bool)
    if match[8]:
        is_hour = (hours >= 1) & (hours <= 12)
        hours = hours % 12 + (12 if match[8] in "pP" else 0)
    times, good = _moments(number(1), number(2), number(3), hours, number(5), number(6))
    times = times + _micros(letters, match, 7).astype("timedelta64[us]")
    faults = np.where(good & is_hour, Fault.NONE, Fault.NOT_A_TIME).astype(np.int8)
    if match[10]:
        minutes = number(11) * 60 + number(12)
        faults[(minutes > 14 * 60) | (number(12) > 59)] = Fault.NOT_A_TIME
        return times - minutes * _MINUTE * (1 if match[10] == "+" else -1), faults
    if match[9]:
        return times, faults
    if zone is None:
        faults[faults == Fault.NONE] = Fault.NO_ZONE
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
