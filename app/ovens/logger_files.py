"""Reads what an oven's data logger wrote: CSV with a time and any number of sensors, as a trace in UTC and degrees C.

Right numbers or a refusal that names line and remedy; never a guess. What a file leaves open is stated (`Stated`). Readings that are
missing or broken stay in their row as NaN, with a note; a row without readings is an event, skipped and noted.
"""

import re
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from app.errors import BadInput, Reason, bad_input
from app.ovens.logger_misread import LOOKED_AT, comma_is_both, is_half_of_day, sensor_a_line
from app.ovens.logger_table import Stated, Table, Unit, find_table, names_a_time, split, time_text
from app.ovens.logger_times import ORDERS, Times
from app.ovens.thermocouple import hot_junction_c
from app.ovens.trace import Floats, Note, Trace
from app.receiving.local_clocks import zone_named

MOST_ROWS = 2_000_000
# Our choice: no cure oven is colder or hotter, so what lies outside is what a logger shows for a broken sensor (full scale).
LEAST_C, GREATEST_C = -60.0, 500.0
FULL_SCALE = (327.67, -327.68)  # in any unit: the ends of 16 bits in hundredths, which lie inside in degrees F

_BLOCK = LOOKED_AT
_MOST_BAD = 20  # lines named in one refusal
_MOST_NOTES = 100  # of one kind and sensor
_READ, _BLANK, _MISSING, _BROKEN, _TEXT = range(5)
_PLAIN = frozenset("0123456789.,-+")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,2})?", re.ASCII)
_MISSING_WORDS = {"-", "--", "---", "nan", "n/a", "na", "#n/a", "null", "none"}
_BROKEN_WORDS = {
    "inf", "+inf", "-inf", "infinity", "-infinity", "open", "ol", "o.l.", "over", "+over", "-over", "overrange", "over range", "under", "underrange",
    "under range", "burnout", "b.out", "burn out", "err", "error", "fault", "fail", "short", "invalid", "bad", "----", "-----", "******", "#num!",
    "#value!", "#div/0!",
}  # fmt: skip
_SUMMARY = {"min", "minimum", "max", "maximum", "avg", "average", "mean", "std", "stdev", "end", "end of data"}
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_SECOND_TABLE = ("Other headings stand here: a second table begins.", "Export each table as a file of its own.")
States = NDArray[np.int8]


def read_trace(data: bytes, name: str, stated: Stated = Stated(), most_rows: int = MOST_ROWS) -> Trace:  # noqa: B008 (frozen, never changed)
    """The trace of one file. `name` is for the words of a refusal."""
    what = f"{name} cannot be read as the log of an oven."
    _check_stated(what, stated)
    lines = _lines(data, what, stated, most_rows)
    return _Reader(what, stated, find_table(lines, what, stated), most_rows).read(lines)


def _check_stated(what: str, stated: Stated) -> None:
    allowed = (
        ("date_order", stated.date_order, ORDERS),
        ("unit", stated.unit, ("C", "F", "mV type K")),
        ("decimal", stated.decimal, (".", ",")),
        ("encoding", stated.encoding, ("latin-1",)),
    )
    for field, value, choices in allowed:
        if value is not None and value not in choices:
            raise bad_input(what, field, f"{value!r} cannot be stated.", f"State one of: {', '.join(choices)}.")
    if stated.zone is not None and zone_named(stated.zone) is None:
        raise bad_input(what, "zone", f"There is no zone {stated.zone[:60]!r}.", "State a zone like Europe/Berlin, or an offset like +01:00.")
    if stated.cold_junction_c is not None and not 0 <= stated.cold_junction_c <= 100:
        raise bad_input(what, "cold_junction_c", "A cold junction is between 0 and 100 degrees C.", "State its temperature.")


def _lines(data: bytes, what: str, stated: Stated, most_rows: int) -> list[str]:
    if data[:4] == b"PK\x03\x04":
        raise bad_input(what, "the whole file", "It is an archive or a workbook, not text.", "Open it and export the readings as CSV.")
    if data.count(b"\n") + data.count(b"\r") > 2 * (most_rows + 1000):
        raise bad_input(what, "the whole file", f"It has more than {most_rows} rows.", "Export a shorter time.")
    text = _decoded(data, what, stated).replace("\r\n", "\n").replace("\r", "\n")
    if control := _CONTROL.search(text):
        line = text.count("\n", 0, control.start()) + 1
        why = f"It has the control character {ord(control[0]):#04x}: this is no text."
        raise bad_input(what, f"line {line}", why, "Export the readings as CSV, as text in UTF-8.")
    lines = text.split("\n")
    if not text.strip():
        raise bad_input(what, "line 1", "It is empty.", "Export the readings again.")
    if len(lines) > most_rows + 1000:
        raise bad_input(what, "the whole file", f"It has more than {most_rows} rows.", "Export a shorter time.")
    return lines


def _decoded(data: bytes, what: str, stated: Stated) -> str:
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        if wide:
            return data.decode("utf-16")
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if not wide and stated.encoding == "latin-1":
            return data.decode("latin-1").replace("\x85", "\n")
        line = data.count(b"\n", 0, error.start) + 1
        kind = "UTF-16, as which it begins" if wide else "UTF-8"
        raise bad_input(what, f"line {line}", f"It is not {kind}.", "Save it as UTF-8; or state the encoding latin-1, if it is that.") from None
    if stated.encoding == "latin-1" and not text.isascii():
        raise bad_input(what, "encoding", "Latin-1 was stated, but it is UTF-8.", "State no encoding.")
    return text


class _Reader:
    """Goes through the rows in blocks, so that memory holds the text once and numbers otherwise."""

    def __init__(self, what: str, stated: Stated, table: Table, most_rows: int) -> None:
        self.what, self.stated, self.table, self.most_rows = what, stated, table, most_rows
        self.columns = [*table.sensors, *([table.cold_junction] if table.cold_junction else [])]
        self.width = len(table.headings)
        self.times = Times(what, stated.date_order, table.zone or (zone_named(stated.zone) if stated.zone else None))
        self.values: list[Floats] = []
        self.states: list[States] = []
        self.rows = 0
        self.notes: list[Note] = list(table.notes)
        self.counts: Counter[str] = Counter()
        self.bad: list[Reason] = []
        self.marks: dict[str, int] = {}  # decimal mark -> first line with it
        self.only_thousands = True  # every number with a mark has three digits after it
        self.whole_line = 0  # first line with a number without a mark
        self.beside: dict[str, list[str]] = {}  # columns that are not read, in the rows of the first block

    def read(self, lines: list[str]) -> Trace:
        last = self._without_cut_line(lines)
        for first in range(self.table.first_line - 1, last, _BLOCK):
            self._block(lines, first, min(first + _BLOCK, last))
            if self.rows > self.most_rows:
                raise bad_input(self.what, "the whole file", f"It has more than {self.most_rows} rows.", "Export a shorter time.")
        self._refuse_bad(all_of_them=True)
        self._check_marks()
        if not self.rows:
            raise bad_input(self.what, f"line {self.table.header_line}", "There are no readings below the headings.", "Export it again.")
        values, states = np.concatenate(self.values), np.concatenate(self.states)
        temps, states = self._temperatures(values, states)
        if not (states == _READ).any():
            raise bad_input(self.what, f"line {self.table.first_line}", "No sensor has a single reading.", "Check the file and the columns.")
        times = self.times.seconds()
        self._refuse_sensor_a_line(times)
        self._note_times(times)
        for place, sensor in enumerate(self.table.sensors):
            self._note_states(sensor.name, states[:, place], times)
        self.notes.sort(key=lambda note: note.line or 0)
        for code, count in self.counts.items():
            if count > _MOST_NOTES:
                self.notes.append(Note("more", f"{count - _MOST_NOTES} more notes of the kind {code}."))
        return Trace(times, tuple(sensor.name for sensor in self.table.sensors), temps, tuple(self.notes))

    def _without_cut_line(self, lines: list[str]) -> int:
        """A last line without an end may be half a line: it counts only if its last number is as long as in the lines before."""
        if not lines[-1].strip():
            return len(lines) - 1
        tail = [split(line, self.table.delimiter) or [""] for line in lines[max(self.table.first_line - 1, len(lines) - 8) :]]
        after_mark = [re.split(r"[.,]", fields[-1].strip())[1:] for fields in tail]
        as_long = len({tuple(len(digits) for digits in parts) for parts in after_mark}) == 1 and len(after_mark[-1]) == 1
        if len(tail) >= 3 and {len(fields) for fields in tail} == {self.width} and as_long and after_mark[-1][0]:
            return len(lines)
        if len(tail[-1]) > max(column.place for column in self.columns) + 1:  # the sensors' columns have an end
            return len(lines)
        self._note(Note("cut_short", "The last line has no end and may be cut short: it was left out.", len(lines)), "cut_short")
        return len(lines) - 1

    def _block(self, lines: list[str], first: int, last: int) -> None:
        numbers, rows = [], []
        for number in range(first, last):
            fields = split(lines[number], self.table.delimiter)
            if fields is not None and len(fields) == self.width:
                numbers.append(number + 1)
                rows.append(fields)
            else:
                self._odd_line(number + 1, lines[number], fields, numbers, rows)
        if not rows:
            return
        texts = list(zip(*rows, strict=True))
        values, states = np.full((len(rows), len(self.columns)), np.nan), np.zeros((len(rows), len(self.columns)), dtype=np.int8)
        for n, column in enumerate(self.columns):
            values[:, n], states[:, n] = self._numbers(texts[column.place], numbers)
        self._unnamed(texts, numbers)
        kept = self._kept(rows, numbers, values, states)
        if not self.values:
            self._look_beside(rows, numbers, kept)
        self._refuse_bad(all_of_them=False)
        self.values.append(values[kept])
        self.states.append(states[kept])
        self.rows += len(kept)

    def _look_beside(self, rows: list[list[str]], numbers: list[int], kept: list[int]) -> None:
        """At the columns that are not read: they may say that those that are read mean something else."""
        if not kept:
            return
        named = {*self.table.time, *(column.place for column in self.columns)}
        others = [(place, heading) for place, heading in enumerate(self.table.headings) if heading and place not in named]
        self.beside = {heading: [rows[n][place].strip() for n in kept] for place, heading in others}
        half = next((heading for heading, texts in self.beside.items() if is_half_of_day(texts)), None)
        if half is not None:
            self._bad(numbers[kept[0]], f"{half} says AM or PM, apart from the time.", "Export the time in one column, or with a clock of 24 hours.")
        if self.table.delimiter == "," and self.stated.decimal is None and "." not in self.marks:
            first = min(sensor.place for sensor in self.table.sensors)
            if comma_is_both([rows[n] for n in kept], first, len(self.table.sensors)):
                why = "Its numbers have no point, and twice as many columns as there are sensors: the comma may be separator and decimal mark."
                now = "Export it with semicolons between the columns; or state the point as decimal mark, if these are whole degrees."
                self._bad(numbers[kept[0]], why, now)

    def _odd_line(self, number: int, line: str, fields: list[str] | None, numbers: list[int], rows: list[list[str]]) -> None:
        """A line with another number of fields than the headings."""
        if not line.strip(" \t;,"):
            return
        if fields is None:
            self._bad(number, "Its quotes do not pair.", "Correct this line.")
            return
        while len(fields) > self.width and not fields[-1].strip():
            fields.pop()
        if len(fields) == self.width:
            numbers.append(number)
            rows.append(fields)
            return
        if self._are_other_headings(fields):
            self._bad(number, *_SECOND_TABLE)
            return
        others = [field.strip() for place, field in enumerate(fields) if place not in self.table.time and field.strip()]
        if not any(re.match(r"[-+.,=]?\d", field) for field in others):
            self._note(Note("event", f"No readings: {_shown(fields)}", number), "event")
        elif self.table.delimiter == "," and len(fields) >= self.width + len(self.table.sensors):
            why = f"It has {len(fields)} fields, the headings {self.width}: the comma is both separator and decimal mark."
            self._bad(number, why, "Export it with semicolons between the columns, or with decimal points.")
        elif fields[0].strip().lower().rstrip(":") in _SUMMARY:
            self._note(Note("event", f"A summary, not read: {_shown(fields)}", number), "event")
        else:
            self._bad(number, f"It has {len(fields)} fields, the headings have {self.width}.", "Correct or remove this line.")

    def _numbers(self, texts: Sequence[str], lines: list[int]) -> tuple[Floats, States]:
        """Values and states of one column; the quick way for a column of plain numbers with one decimal mark."""
        letters = set("".join(texts))
        comma = "," in letters
        if letters <= _PLAIN and not (comma and ("." in letters or self.table.delimiter == ",")):
            try:
                values = np.array([float(text) for text in (_with_points(texts) if comma else texts)])
            except ValueError:
                pass
            else:
                self._note_marks(texts, lines, letters)
                return values, np.zeros(len(texts), dtype=np.int8)
        return self._numbers_one_by_one(texts, lines)

    def _numbers_one_by_one(self, texts: Sequence[str], lines: list[int]) -> tuple[Floats, States]:
        values, states = np.full(len(texts), np.nan), np.full(len(texts), _BLANK, dtype=np.int8)
        numbers = []
        for n, text in enumerate(texts):
            text = text.strip()
            if not text:
                continue
            word = text.lower()
            if len(text) <= 32 and _NUMBER.fullmatch(text) and not ("," in text and self.table.delimiter == ","):
                values[n], states[n] = float(text.replace(",", ".")), _READ
                numbers.append(n)
            elif word in _MISSING_WORDS:
                states[n] = _MISSING
            elif word in _BROKEN_WORDS:
                states[n] = _BROKEN
            else:
                states[n] = _TEXT
        read = [texts[n].strip() for n in numbers]
        self._note_marks(read, [lines[n] for n in numbers], set("".join(read)))
        return values, states

    def _note_marks(self, texts: Sequence[str], lines: list[int], letters: set[str]) -> None:
        if letters & {".", ","} <= set(self.marks) and self.marks and not self.only_thousands:
            return  # nothing new to learn, as in nearly every block
        for text, line in zip(texts, lines, strict=True):
            mark = "," if "," in text else "." if "." in text else ""
            if mark:
                self.marks.setdefault(mark, line)
                self.only_thousands &= len(re.split(r"[.,]", text)[1]) == 3
            else:
                self.whole_line = self.whole_line or line

    def _check_marks(self) -> None:
        if len(self.marks) == 2:
            line = max(self.marks.values())
            why = "The file has numbers with a comma and numbers with a point, so one of them may separate thousands."
            raise bad_input(self.what, f"line {line}", why, "Export it without separators of thousands.")
        for mark, line in self.marks.items():
            if self.stated.decimal is not None and mark != self.stated.decimal:
                why = f"A number has the mark {mark!r}, but {self.stated.decimal!r} was stated as decimal mark."
                raise bad_input(self.what, f"line {line}", why, "Correct what was stated.")
            if self.stated.decimal is None and self.only_thousands and self.whole_line and self.table.delimiter != ",":
                why = f"The mark {mark!r} may be a decimal mark or separate thousands."
                raise bad_input(self.what, f"line {line}", why, "State the decimal mark.")

    def _unnamed(self, texts: Sequence[Sequence[str]], lines: list[int]) -> None:
        for place, heading in enumerate(self.table.headings):
            if not heading:
                n = next((n for n, text in enumerate(texts[place]) if text.strip()), None)
                if n is not None:
                    self._bad(lines[n], f"Column {place + 1} has a value but no heading.", "Name the column, or remove it.")

    def _kept(self, rows: list[list[str]], lines: list[int], values: Floats, states: States) -> list[int]:
        """Rows with readings; their times are read here. Others are events, or wrong."""
        sensors = states[:, : len(self.table.sensors)]
        readings = ((sensors == _READ) | (sensors == _BROKEN) | (sensors == _MISSING)).any(axis=1)
        texts = (states == _TEXT).any(axis=1)
        kept = []
        for n, (has_reading, has_text) in enumerate(zip(readings.tolist(), texts.tolist(), strict=True)):
            when = time_text(rows[n], self.table.time)
            if has_reading and not has_text:
                why = self.times.read(when, lines[n])
                if why is None:
                    kept.append(n)
                else:
                    self._no_time(rows[n], lines[n], when, why)
            elif has_text and self._are_other_headings(rows[n]):
                self._bad(lines[n], *_SECOND_TABLE)
            elif has_text and not self._is_event(rows[n], states[n], has_reading):
                self._no_number(rows[n], lines[n], states[n])
            elif any(field.strip() for field in rows[n]):
                self._note(Note("event", f"No readings: {_shown(rows[n])}", lines[n]), "event")
        return kept

    def _are_other_headings(self, row: Sequence[str]) -> bool:
        if tuple(field.strip() for field in row)[1 : len(self.table.headings)] == self.table.headings[1:]:
            return False
        return names_a_time(row, self.table.time, self.table.headings)

    def _is_event(self, row: list[str], states: States, has_reading: bool) -> bool:
        """Words where readings should be, and no number; or the headings once more."""
        if tuple(field.strip() for field in row)[1:] == self.table.headings[1:]:
            return True
        texts = [row[column.place].strip() for column, state in zip(self.columns, states.tolist(), strict=True) if state == _TEXT]
        return not has_reading and all(text[:1].isalpha() for text in texts)

    def _no_time(self, row: list[str], line: int, when: str, why: str) -> None:
        if row[0].strip().lower().rstrip(":") in _SUMMARY:
            self._note(Note("event", f"A summary, not read: {_shown(row)}", line), "event")
        else:
            why = "It has readings but no time." if not when.strip() else why
            self._bad(line, why, "Correct or remove this line.", "time")

    def _no_number(self, row: list[str], line: int, states: States) -> None:
        column = next(column for column, state in zip(self.columns, states.tolist(), strict=True) if state == _TEXT)
        text = row[column.place].strip()
        twice = "," in text and self.table.delimiter == ","
        why = f"{text[:40]!r} has a comma, which separates the columns here." if twice else f"{text[:40]!r} is no number."
        self._bad(line, why, "Correct it; or state which columns are sensors, if this is none.", column.name)

    def _temperatures(self, values: Floats, states: States) -> tuple[Floats, States]:
        """Degrees C of the sensors. What a logger shows for a broken sensor is no temperature."""
        count = len(self.table.sensors)
        for value in (*FULL_SCALE, *self.stated.broken_values):
            states[np.isclose(values, value, rtol=0, atol=1e-9)] = _BROKEN
        cold: Floats = np.full(len(values), self.stated.cold_junction_c if self.stated.cold_junction_c is not None else np.nan)
        if self.table.cold_junction:
            cold = _TO_C[self.table.cold_junction.unit](values[:, count], cold)
            states[(states[:, count] != _READ) | ~((cold >= 0) & (cold <= 100)), count] = _MISSING
        temps = np.full((len(values), count), np.nan)
        for n, sensor in enumerate(self.table.sensors):
            read = states[:, n] == _READ
            if self.table.cold_junction and sensor.unit == "mV type K":
                states[read & (states[:, count] != _READ), n] = _MISSING
                read = states[:, n] == _READ
            temps[read, n] = _TO_C[sensor.unit](values[read, n], cold[read])
            full = np.isclose(temps[:, n], FULL_SCALE[0], rtol=0, atol=0.006)  # turned into degrees F by the logger, and rounded
            broken = read & (full | ~((temps[:, n] >= LEAST_C) & (temps[:, n] <= GREATEST_C)))
            temps[broken, n], states[broken, n] = np.nan, _BROKEN
        temps[states[:, :count] != _READ] = np.nan
        return temps, states[:, :count]

    def _refuse_sensor_a_line(self, times: Floats) -> None:
        looked = times[: len(next(iter(self.beside.values()), ()))]
        if (telling := sensor_a_line(looked, self.beside)) is not None:
            line = int(self.times.lines()[np.flatnonzero(np.diff(looked) == 0)[0] + 1])
            why = f"Its time stands on several lines, which column {telling} tells apart: there is a sensor a line."
            raise bad_input(self.what, f"line {line}", why, "Export a column for each sensor.")

    def _note_times(self, times: Floats) -> None:
        lines = self.times.lines()
        for n in np.flatnonzero(np.diff(times) < 0).tolist():
            text = f"Time runs backward by {times[n] - times[n + 1]:g} s."
            self._note(Note("time_backward", text, int(lines[n + 1]), None, float(times[n + 1]), float(times[n])), "time_backward")
        repeated = np.flatnonzero(np.diff(times) == 0)
        if len(repeated):
            text = f"{len(repeated)} rows have the time of the row before them."
            self.notes.append(Note("time_repeated", text, int(lines[repeated[0] + 1]), None, float(times.min()), float(times.max())))

    def _note_states(self, sensor: str, states: States, times: Floats) -> None:
        lines = self.times.lines()
        missing = np.flatnonzero((states == _MISSING) | (states == _BLANK))
        if len(missing):
            text = f"{len(missing)} readings of {sensor} are missing."
            span = float(times[missing].min()), float(times[missing].max())
            self.notes.append(Note("missing", text, int(lines[missing[0]]), sensor, *span))
        broken = states == _BROKEN
        edges = np.flatnonzero(np.diff(np.r_[False, broken, False]))
        for n, (first, end) in enumerate(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)):
            if n == _MOST_NOTES - 1:  # the last note covers all that are left
                end = int(edges[-1])
            spell = times[first:end]
            text = f"{sensor} shows what a broken sensor shows, {int(broken[first:end].sum())} times."
            self.notes.append(Note("broken", text, int(lines[first]), sensor, float(spell.min()), float(spell.max())))
            if n == _MOST_NOTES - 1:
                break

    def _note(self, note: Note, code: str) -> None:
        self.counts[code] += 1
        if self.counts[code] <= _MOST_NOTES:
            self.notes.append(note)

    def _bad(self, line: int, why: str, now: str, column: str = "") -> None:
        self.bad.append(Reason("bad_input", why, now, f"line {line}, column {column}" if column else f"line {line}"))

    def _refuse_bad(self, all_of_them: bool) -> None:
        if len(self.bad) >= _MOST_BAD or (all_of_them and self.bad):
            raise BadInput(self.what, *self.bad[:_MOST_BAD])


def _with_points(texts: Sequence[str]) -> list[str]:
    return [text.replace(",", ".") for text in texts]


def _shown(fields: Sequence[str]) -> str:
    return ", ".join(field.strip() for field in fields if field.strip())[:200]


def _celsius(values: Floats, _cold: Floats) -> Floats:
    return values


def _fahrenheit(values: Floats, _cold: Floats) -> Floats:
    return (values - 32) * 5 / 9


_TO_C: dict[Unit, Callable[[Floats, Floats], Floats]] = {"C": _celsius, "F": _fahrenheit, "mV type K": hot_junction_c}
