"""Dates and clocks as data loggers write them. A file writes them in one way, and only the whole file shows the order of its dates.

What is left open is asked for: an order of day and month that two readings fit, a zone, an hour that the zone has twice or never.
"""

import re
from array import array
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.errors import BadInput, bad_input
from app.ovens.trace import Floats
from app.receiving.local_clocks import second_time

ORDERS = ("day", "month", "year")
_NAME = "[A-Za-z\u00c0-\u00ff]{3,10}"  # of a month
_DATE = rf"\d{{1,4}}(?P<mark>[-/.])\d{{1,2}}(?P=mark)\d{{1,4}}|\d{{1,2}}(?:\. |[-/. ]){_NAME}\.?[-/. ,] ?\d{{2,4}}|{_NAME}\.? \d{{1,2}},? \d{{4}}"
_WHEN = re.compile(
    rf"({_DATE})(?:[Tt]|, ?| +)(\d{{1,2}}):([0-5]\d)(?::([0-5]\d)(?:[.,](\d{{1,9}}))?)?"
    r"(?: ?([AaPp])\.? ?[Mm]\.?)?(?: ?(Z|z|UTC|GMT|[+-]\d\d(?::?\d\d)?))?",
    re.ASCII,
)
_NUMBERS = re.compile(r"(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4})", re.ASCII)
_DAY_NAMED = re.compile(rf"(\d{{1,2}})(?:\. |[-/. ])({_NAME})\.?[-/. ,] ?(\d{{4}}|\d\d)", re.ASCII)
_NAMED_DAY = re.compile(rf"({_NAME})\.? (\d{{1,2}}),? (\d{{4}})", re.ASCII)
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december")
_SINCE_1970 = re.compile(r"(\d{10})(?:(\d{3})|\.(\d{1,9}))?", re.ASCII)  # in seconds or milliseconds, from 2001 on
# German, French, Spanish, Italian, Portuguese, Dutch, where they are written otherwise; the same letters mean the same month in all of them
_OTHER_MONTHS = {
    word: n
    for n, words in enumerate((
        "januar jänner janvier janv enero ene gennaio gen janeiro januari",
        "februar février fevrier févr fevr febrero febbraio fevereiro fev februari",
        "märz maerz mrz mär mars marzo março marco maart mrt", "avril avr abril abr aprile", "mai mayo maggio mag maio mei",
        "juni juin junio giugno giu junho", "juli juillet juil julio luglio lug julho", "août aout agosto ago augustus",
        "septembre sept septiembre settembre set setembro", "oktober okt octobre octubre ottobre ott outubro out",
        "novembre noviembre novembro", "dezember dez décembre decembre déc diciembre dic dicembre dezembro",
    ), start=1)
    for word in words.split()
}  # fmt: skip
_YEARS = range(1990, 2100)
_SPACES = str.maketrans("\u00a0\u2007\u2009\u202f", "    ")
_SECOND = 1_000_000
_MUCH = 5  # hours: no clock is set back by as many
_DAY = 86_400 * _SECOND
_ASK_ORDER = "State whether its dates begin with the day, the month or the year."


@dataclass(frozen=True)
class _Date:
    text: str
    line: int
    style: str
    readings: tuple[date | None, ...]  # by ORDERS


def is_time(text: str) -> bool:
    return _WHEN.fullmatch(_spaced(text)) is not None


def _spaced(text: str) -> str:
    """With plain spaces: many a writer puts a narrow one before AM, where a line must not break. Seconds since 1970 become date and clock."""
    text = text.strip() if text.isascii() else text.translate(_SPACES).strip()
    if not text[:9].isdecimal() or (match := _SINCE_1970.fullmatch(text)) is None:
        return text
    at = datetime.fromtimestamp(int(match[1]), UTC)
    return f"{at:%Y-%m-%d %H:%M:%S}.{(match[2] or match[3] or '0')[:9]}Z"


class Times:
    """The times of a file, a row at a time; `seconds` when all have been read."""

    def __init__(self, what: str, date_order: str | None, zone: tzinfo | None) -> None:
        self._what, self._order, self._zone = what, date_order, zone
        self._number: dict[str, int] = {}
        self._dates: list[_Date] = []
        self._shown = array("q")  # how many rows have each date
        self._of, self._micros, self._offset, self._lines = array("q"), array("q"), array("q"), array("q")
        self._style: tuple[str, bool, bool] | None = None

    @property
    def zone(self) -> tzinfo | None:
        """By which times were read that name none."""
        return None if self._style and self._style[2] else self._zone

    def read(self, text: str, line: int) -> str | None:
        """Takes a row's time; or says why it is none."""
        match = _WHEN.fullmatch(_spaced(text))
        if match is None:
            return f"{text[:40]!r} is not a date and time."
        written, _, hour, minute, second, fraction, half, zone = match.groups()
        number = self._number.get(written)
        if number is None:
            number = self._new_date(written, line)
            if number is None:
                return f"{written!r} is not a date from {_YEARS.start} to {_YEARS.stop - 1}."
        style = (self._dates[number].style, half is not None, zone is not None)
        if style != (self._style or style):
            return f"{text[:40]!r} is written in another way than line {self._lines[0]}."
        hours = int(hour)
        if half is not None:
            if not 1 <= hours <= 12:
                return f"{text[:40]!r} is not an hour of a twelve-hour clock."
            hours = hours % 12 + (12 if half in "pP" else 0)
        if hours > 23:
            return f"{text[:40]!r} has no hour from 0 to 23."
        offset = _offset_minutes(zone)
        if offset is None:
            return f"{text[:40]!r} has no offset of at most 14 hours."
        self._style = style
        micros = (hours * 3600 + int(minute) * 60 + int(second or 0)) * _SECOND + int((fraction or "0").ljust(6, "0")[:6])
        self._shown[number] += 1
        for values, value in ((self._of, number), (self._micros, micros), (self._offset, offset), (self._lines, line)):
            values.append(value)
        return None

    def lines(self) -> NDArray[np.int64]:
        return np.array(self._lines, dtype=np.int64)

    def seconds(self) -> Floats:
        """Seconds since 1970, UTC, of every row."""
        days = np.array([(day - date(1970, 1, 1)).days for day in self._in_order()], dtype=np.int64)
        of, micros = np.array(self._of, dtype=np.int64), np.array(self._micros, dtype=np.int64)
        local = days[of] * _DAY + micros
        if self._style and self._style[2]:
            return np.asarray((local - np.array(self._offset, dtype=np.int64) * 60 * _SECOND) / _SECOND)
        self._refuse_half_clock(of, micros)
        return self._from_zone(local)

    def _new_date(self, text: str, line: int) -> int | None:
        style, readings = _readings(text)
        if not any(readings):
            return None
        self._number[text] = len(self._dates)
        self._dates.append(_Date(text, line, style, readings))
        self._shown.append(0)
        return self._number[text]

    def _in_order(self) -> list[date]:
        """The dates in the order stated, or in the only one that fits them all."""
        if self._order is not None:
            return self._as_stated(ORDERS.index(self._order))
        short = next((entry for entry in self._dates if "short year" in entry.style), None)
        if short is not None:
            raise self._bad(short.line, f"{short.text} has a year of two digits, which may be its day.", _ASK_ORDER)
        fitting = {tuple(found) for n in range(len(ORDERS)) if (found := self._all(n)) is not None}
        if not fitting:
            raise self._bad(self._dates[0].line, "No order of day, month and year fits all of its dates.", _ASK_ORDER)
        if len(fitting) > 1:
            two = next(entry for entry in self._dates if len({day for day in entry.readings if day}) > 1)
            words = " or ".join(sorted({f"{day:%d %B %Y}" for day in two.readings if day}))
            raise self._bad(two.line, f"{two.text} may be {words}, and nothing in the file says which.", _ASK_ORDER)
        found = list(fitting.pop())
        if not self._is_shown(found):
            why = "The order of its dates is shown by too little: it could be a misprint."
            raise self._bad(self._dates[0].line, why, _ASK_ORDER)
        return found

    def _is_shown(self, found: list[date]) -> bool:
        """One misprinted date must not turn all others round: the order is only taken from days that follow each other."""
        if all(len(set(entry.readings[:2])) == 1 for entry in self._dates):
            return True
        deciding = sum(self._shown[n] for n, entry in enumerate(self._dates) if None in entry.readings[:2])
        return (deciding >= 2 or len(self._of) == 1) and _steps(found) <= {1}

    def _as_stated(self, order: int) -> list[date]:
        found = self._all(order)
        if found is None:
            wrong = next(entry for entry in self._dates if entry.readings[order] is None)
            why = f"{wrong.text} is not a date that begins with the {ORDERS[order]}, as was stated."
            raise self._bad(wrong.line, why, "Correct what was stated, or the file.")
        for other in range(len(ORDERS)):
            instead = self._all(other)
            if instead and instead != found and len(found) > 1 and _steps(instead) <= {1} and not _steps(found) <= {1}:
                why = f"As stated its days jump; read with the {ORDERS[other]} first they follow each other."
                raise self._bad(self._dates[0].line, why, "Correct what was stated; or, if it is right, export each day by itself.")
        return found

    def _all(self, order: int) -> list[date] | None:
        found = [entry.readings[order] for entry in self._dates]
        return [day for day in found if day] if all(found) else None

    def _refuse_half_clock(self, of: NDArray[np.int64], micros: NDArray[np.int64]) -> None:
        """A twelve-hour clock without AM and PM shows itself where 12 o'clock is followed by 1, or any hour by one that is much earlier.

        A clock that was set back by an hour or so goes from 12 to 11.
        """
        hours = micros // (3600 * _SECOND)
        if (self._style and self._style[1]) or (hours == 0).any() or (hours > 12).any():
            return
        early = ((hours[:-1] == 12) & (hours[1:] <= 9)) | (hours[:-1] - hours[1:] >= _MUCH)
        falls = np.flatnonzero(early & (of[:-1] == of[1:]))
        if len(falls):
            at = int(falls[0])
            line = int(self._lines[at + 1])
            why = f"{hours[at]} o'clock is followed by {hours[at + 1]} o'clock: this is a twelve-hour clock without AM and PM."
            raise self._bad(line, why, "Export it with AM and PM, or with a clock of 24 hours.")

    def _from_zone(self, local: NDArray[np.int64]) -> Floats:
        if self._zone is None:
            now = "State the zone of the logger's clock, like Europe/Berlin or +01:00."
            raise self._bad(int(self._lines[0]), "Its times name no zone, and none was stated.", now)
        minutes, which = np.unique(local // (60 * _SECOND), return_inverse=True)
        offsets, later = np.zeros(len(minutes), dtype=np.int64), np.zeros(len(minutes), dtype=np.int64)
        for n, minute in enumerate(minutes.tolist()):
            naive = datetime(1970, 1, 1) + timedelta(minutes=minute)
            offsets[n], later[n] = (_micros(self._zone.utcoffset(naive.replace(fold=fold))) for fold in (0, 1))
        which = which.reshape(-1)
        every = self._where_clocks_changed(local, which, offsets, later) if (offsets != later).any() else offsets[which]
        return np.asarray((local - every) / _SECOND)

    def _where_clocks_changed(
        self, local: NDArray[np.int64], which: NDArray[np.int64], offsets: NDArray[np.int64], later: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        """The offset of every row. An hour that the zone has twice is told apart where the logger's own clock was set back."""
        back = int((offsets - later).max())
        second = second_time(local, (offsets > later)[which], back) if not (offsets < later).any() else None
        if second is None:
            at = int(np.flatnonzero((offsets != later)[which])[0])
            naive = datetime(1970, 1, 1) + timedelta(microseconds=int(local[at]))
            why = f"{naive:%Y-%m-%d %H:%M} occurs twice or never there, because clocks were changed, and the file does not show the change."
            raise self._bad(int(self._lines[at]), why, "State the offset that the logger's clock kept, like +01:00.")
        return np.where(second, later[which], offsets[which])

    def _bad(self, line: int, why: str, now: str) -> BadInput:
        return bad_input(self._what, f"line {line}", why, now)


def _micros(offset: timedelta | None) -> int:
    return (offset or timedelta()) // timedelta(microseconds=1)


def _steps(days: list[date]) -> set[int]:
    return {(after - before).days for before, after in pairwise(days)}


def _offset_minutes(text: str | None) -> int | None:
    if text is None or text[0] not in "+-":
        return 0
    digits = text[1:].replace(":", "")
    minutes = int(digits[:2]) * 60 + int(digits[2:] or 0)
    if minutes > 14 * 60 or int(digits[2:] or 0) > 59:
        return None
    return minutes if text[0] == "+" else -minutes


def _readings(text: str) -> tuple[str, tuple[date | None, ...]]:
    """How a date is written, and what it is with the day, the month or the year first."""
    if match := _NUMBERS.fullmatch(text):
        a, b, c = match.groups()
        if len(a) == 4 and len(c) <= 2:
            return "year first", (_day(a, b, c),) * 3
        if len(a) <= 2 and len(c) == 4:
            return "numbers", (_day(c, b, a), _day(c, a, b), None)
        if len(a) <= 2 and len(c) == 2:
            return "short year", (_day(c, b, a), _day(c, a, b), _day(a, b, c))
        return "numbers", (None,) * 3
    if match := _NAMED_DAY.fullmatch(text):
        return "named", (_day(match[3], _month(match[1]), match[2]),) * 3
    if match := _DAY_NAMED.fullmatch(text):
        first, month, last = match[1], _month(match[2]), match[3]
        if len(last) == 4:
            return "named", (_day(last, month, first),) * 3
        day_first = _day(last, month, first)
        return "named, short year", (day_first, day_first, _day(first, month, last))
    return "none", (None,) * 3


def _month(name: str) -> str:
    matches = [n for n, month in enumerate(_MONTHS, start=1) if name.lower() in (month, month[:3])]
    return str(matches[0]) if matches else str(_OTHER_MONTHS.get(name.lower(), 0))


def _day(year: str, month: str, day: str) -> date | None:
    """A year of two digits is of this century."""
    number = int(year) + (2000 if len(year) <= 2 else 0)
    if number not in _YEARS:
        return None
    try:
        return date(number, int(month), int(day))
    except ValueError:
        return None
