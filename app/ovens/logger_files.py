"""Reads what an oven's data logger wrote: CSV with a time and any number of sensors, as a trace in UTC and degrees C.

Right numbers or a refusal that names line and remedy; never a guess. What a file leaves open is stated (`Stated`). Readings that are
missing or broken stay in their row as NaN, with a note; a row without readings is an event, skipped and noted.
"""

import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

import numpy as np

from app.errors import BadInput, Reason, bad_input
from app.ovens.logger_misread import LOOKED_AT, comma_is_both, is_half_of_day, other_offset, sensor_a_block, sensor_a_line, sensors_by_number
from app.ovens.logger_notes import Notes
from app.ovens.logger_numbers import Numbers, Said, States
from app.ovens.logger_table import Stated, Table, find_table, names_a_time, time_text
from app.ovens.logger_temperatures import temperatures
from app.ovens.logger_text import lines_of, too_many_rows
from app.ovens.logger_times import ORDERS, Times
from app.ovens.logger_units import Unit, declared_unit, ends_in_unit, is_kelvin, is_of_units, unit_word, without_unit
from app.ovens.trace import Floats, Trace, plain
from app.receiving.delimited import fields_of_line
from app.receiving.local_clocks import zone_named

MOST_ROWS = 2_000_000

_BLOCK = LOOKED_AT
_MOST_BAD = 20  # lines named in one refusal
_SUMMARY = {"min", "minimum", "max", "maximum", "avg", "average", "mean", "std", "stdev", "end", "end of data"}
_SECOND_TABLE = ("Other headings stand here: a second table begins.", "Export each table as a file of its own.")


def read_trace(
    data: bytes, name: str, stated: Stated = Stated(), most_rows: int = MOST_ROWS, latest: datetime | None = None,  # noqa: B008 (frozen, never changed)
) -> Trace:  # fmt: skip
    """The trace of one file. `name` is for the words of a refusal; `latest`: a reading after it can't be right."""
    what = f"{name} cannot be read as the log of an oven."
    _check_stated(what, stated)
    lines = lines_of(data, what, stated.encoding, most_rows)
    return _Reader(what, stated, find_table(lines, what, stated), most_rows).read(lines, latest)


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
        self.numbers = Numbers(table.delimiter)
        self.notes = Notes(table.notes)
        self.bad: list[Reason] = []
        self.beside: dict[str, list[str]] = {}  # columns that are not read, in the rows of the first block

    def read(self, lines: list[str], latest: datetime | None) -> Trace:
        last = self._without_cut_line(lines)
        for first in range(self.table.first_line - 1, last, _BLOCK):
            self._block(lines, first, min(first + _BLOCK, last))
            if self.rows > self.most_rows:
                raise too_many_rows(self.what, self.most_rows)
        self._refuse_bad(all_of_them=True)
        self.numbers.check_marks(self.what, self.stated.decimal)
        if not self.rows:
            raise bad_input(self.what, f"line {self.table.header_line}", "There are no readings below the headings.", "Export it again.")
        values, states = np.concatenate(self.values), np.concatenate(self.states)
        temps, states = temperatures(self.table, self.stated, values, states)
        if not (states == Said.NUMBER).any():
            raise bad_input(self.what, f"line {self.table.first_line}", "No sensor has a single reading.", "Check the file and the columns.")
        times, rows = self.times.seconds(), self.times.lines()
        if latest is not None:
            self._refuse_later(times, latest)
        self._refuse_sensor_a_line(times, temps)
        self._refuse_other_offset(times)
        self.notes.look_at_times(times, rows)
        for place, sensor in enumerate(self.table.sensors):
            self.notes.look_at_sensor(sensor.name, states[:, place], times, rows)
        return Trace(times, tuple(sensor.name for sensor in self.table.sensors), temps, self.notes.all())

    def _refuse_later(self, times: Floats, latest: datetime) -> None:
        """A reading that is still to come tells of a wrong clock, zone or order of dates: then no reading of the file has its true time."""
        later = np.flatnonzero(times > latest.timestamp())
        if not len(later):
            return
        at = datetime.fromtimestamp(float(times[later[0]]), UTC)
        others = f", and those of {len(later) - 1} more lines" if len(later) > 1 else ""
        why = f"Its reading of {at:%Y-%m-%d %H:%M:%S} UTC{others} is still to come: the logger's clock, its zone or the order of its dates is wrong."
        now = "State the zone that the logger's clock kept and what its dates begin with; a clock that was ahead is set right and told by an offset."
        raise bad_input(self.what, f"line {self.times.lines()[later[0]]}", why, now)

    def _without_cut_line(self, lines: list[str]) -> int:
        """A last line without an end may be half a line: it counts only if its last number is as long as in the lines before."""
        if not lines[-1].strip():
            return len(lines) - 1
        tail = [fields_of_line(line, self.table.delimiter) or [""] for line in lines[max(self.table.first_line - 1, len(lines) - 8) :]]
        after_mark = [re.split(r"[.,]", fields[-1].strip())[1:] for fields in tail]
        as_long = len({tuple(len(digits) for digits in parts) for parts in after_mark}) == 1 and len(after_mark[-1]) == 1
        if len(tail) >= 3 and {len(fields) for fields in tail} == {self.width} and as_long and after_mark[-1][0]:
            return len(lines)
        if len(tail[-1]) > max(column.place for column in self.columns) + 1:  # the sensors' columns have an end
            return len(lines)
        self.notes.add("cut_short", "The last line has no end and may be cut short: it was left out.", len(lines))
        return len(lines) - 1

    def _block(self, lines: list[str], first: int, last: int) -> None:
        numbers, rows = [], []
        for number in range(first, last):
            fields = fields_of_line(lines[number], self.table.delimiter)
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
            values[:, n], states[:, n] = self.numbers.column(texts[column.place], numbers)
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
        self._refuse_units_beside([numbers[n] for n in kept])
        if self.table.delimiter == "," and self.stated.decimal is None and "." not in self.numbers.marks:
            first = min(sensor.place for sensor in self.table.sensors)
            if comma_is_both([rows[n] for n in kept], first, len(self.table.sensors)):
                why = "Its numbers have no point, and twice as many columns as there are sensors: the comma may be separator and decimal mark."
                now = "Export it with semicolons between the columns; or state the point as decimal mark, if these are whole degrees."
                self._bad(numbers[kept[0]], why, now)

    def _refuse_units_beside(self, lines: list[int]) -> None:
        """Each row may name its unit."""
        units = {column.unit[:2].strip() for column in self.table.sensors}
        for heading in filter(is_of_units, self.beside):
            said = [unit_word(text) or ("K" if is_kelvin(text) else None) for text in self.beside[heading]]
            n = next((n for n, unit in enumerate(said) if unit and units != {unit[:2]}), None)
            if n is not None:
                why = f"It says {self.beside[heading][n]}, and the readings were taken for {' and '.join(sorted(units))}."
                self._bad(lines[n], why, "State the unit that the rows name; rows in another are a file of their own.", heading)

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
        if self._says_another_unit(fields, number):
            return
        others = [field.strip() for place, field in enumerate(fields) if place not in self.table.time and field.strip()]
        if not any(re.match(r"[-+.,=]?\d", field) for field in others):
            self.notes.add("event", f"No readings: {_shown(fields)}", number)
        elif self.table.delimiter == "," and len(fields) >= self.width + len(self.table.sensors):
            why = f"It has {len(fields)} fields, the headings {self.width}: the comma is both separator and decimal mark."
            self._bad(number, why, "Export it with semicolons between the columns, or with decimal points.")
        elif fields[0].strip().lower().rstrip(":") in _SUMMARY:
            self.notes.add("event", f"A summary, not read: {_shown(fields)}", number)
        else:
            self._bad(number, f"It has {len(fields)} fields, the headings have {self.width}.", "Correct or remove this line.")

    def _unnamed(self, texts: Sequence[Sequence[str]], lines: list[int]) -> None:
        for place, heading in enumerate(self.table.headings):
            if not heading:
                n = next((n for n, text in enumerate(texts[place]) if text.strip()), None)
                if n is not None:
                    self._bad(lines[n], f"Column {place + 1} has a value but no heading.", "Name the column, or remove it.")

    def _kept(self, rows: list[list[str]], lines: list[int], values: Floats, states: States) -> list[int]:
        """Rows with readings; their times are read here. Others are events, or wrong."""
        sensors = states[:, : len(self.table.sensors)]
        readings = ((sensors == Said.NUMBER) | (sensors == Said.BROKEN) | (sensors == Said.MISSING)).any(axis=1)
        texts = (states == Said.WORDS).any(axis=1)
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
            elif self._says_another_unit(rows[n], lines[n]):
                continue
            elif has_text and not self._is_event(rows[n], states[n], has_reading):
                self._no_number(rows[n], lines[n], states[n])
            elif any(field.strip() for field in rows[n]):
                self.notes.add("event", f"No readings: {_shown(rows[n])}", lines[n])
        return kept

    def _are_other_headings(self, row: Sequence[str]) -> bool:
        if tuple(field.strip() for field in row)[1 : len(self.table.headings)] == self.table.headings[1:]:
            return False
        return names_a_time(row, self.table.time, self.table.headings) or self._names_other_sensors(row)

    def _names_other_sensors(self, row: Sequence[str]) -> bool:
        """Whether a sensor's name stands in another's column, or a name with a unit that is not the column's."""
        places = {plain(column.name): column.place for column in self.columns}
        texts = [(column.place, row[column.place].strip() if column.place < len(row) else "") for column in self.columns]
        misplaced = any(places.get(plain(without_unit(text)), place) != place for place, text in texts)
        if misplaced and all(text for _, text in texts):
            return True
        return any(ends_in_unit(text) and plain(text) != plain(self.table.headings[place]) and without_unit(text) != text for place, text in texts)

    def _says_another_unit(self, row: Sequence[str], line: int) -> bool:
        """Notes a line that names another unit than the headings: what comes below it may be in that one."""
        units = {column.unit for column in self.columns}
        said = next((text for text, unit in self._units_below(row) if (unit_word(text) or "K") not in (unit, unit[:2])), None)
        declared = declared_unit(row)
        if declared and not any(unit.startswith(declared) for unit in units):
            said = declared
        if said:
            why = f"It says that the unit is {said}, and the headings say {' and '.join(sorted(units))}."
            self._bad(line, why, "Export what comes below it as a file of its own.")
        return said is not None

    def _units_below(self, row: Sequence[str]) -> Iterator[tuple[str, Unit]]:
        """What stands in a sensor's column, if it is a unit; and the unit of that column."""
        for column in self.columns:
            text = row[column.place].strip() if column.place < len(row) else ""
            if unit_word(text) or is_kelvin(text):
                yield text, column.unit

    def _is_event(self, row: list[str], states: States, has_reading: bool) -> bool:
        """Words where readings should be, and no number; or the headings once more."""
        if tuple(field.strip() for field in row)[1:] == self.table.headings[1:]:
            return True
        texts = [row[column.place].strip() for column, state in zip(self.columns, states.tolist(), strict=True) if state == Said.WORDS]
        return not has_reading and all(text[:1].isalpha() for text in texts)

    def _no_time(self, row: list[str], line: int, when: str, why: str) -> None:
        if row[0].strip().lower().rstrip(":") in _SUMMARY:
            self.notes.add("event", f"A summary, not read: {_shown(row)}", line)
        else:
            why = "It has readings but no time." if not when.strip() else why
            self._bad(line, why, "Correct or remove this line.", "time")

    def _no_number(self, row: list[str], line: int, states: States) -> None:
        column = next(column for column, state in zip(self.columns, states.tolist(), strict=True) if state == Said.WORDS)
        text = row[column.place].strip()
        why, now = f"{text[:40]!r} is not a number.", "Correct it; or state which columns are sensors, if this is none."
        if "," in text and self.table.delimiter == ",":
            why = f"{text[:40]!r} has a comma, which separates the columns here."
            now = "Export it with semicolons between the columns, or with decimal points."
        elif re.fullmatch(r"[-+]?\d[\d.,]*[^\d.,]+", text[:40]):
            now = "Export the numbers alone, with their unit in the heading."
        self._bad(line, why, now, column.name)

    def _refuse_sensor_a_line(self, times: Floats, temps: Floats) -> None:
        looked = times[: len(self.values[0])]
        read = {sensor.name: values[: len(looked)] for sensor, values in zip(self.table.sensors, temps.T, strict=True)}
        if (block := sensor_a_block(looked, self.beside)) is not None:
            why = f"Its time begins anew, and column {block[0]} says something else: another sensor begins here."
            raise bad_input(self.what, f"line {self.times.lines()[block[1]]}", why, "Export a column for each sensor.")
        if (telling := sensor_a_line(looked, self.beside) or sensors_by_number(looked, read)) is not None:
            line = int(self.times.lines()[np.flatnonzero(np.diff(looked) == 0)[0] + 1])
            why = f"Its time stands on several lines, which column {telling} tells apart: it has one sensor per line."
            raise bad_input(self.what, f"line {line}", why, "Export a column for each sensor.")

    def _refuse_other_offset(self, times: Floats) -> None:
        for heading, texts in self.beside.items():
            if (n := other_offset(times[: len(texts)], texts, self.times.zone)) is not None:
                why = f"{heading} says {texts[n]}, and the times were read as of {self.times.zone}."
                raise bad_input(self.what, f"line {self.times.lines()[n]}", why, "State the zone of the logger's clock as the file has it.")

    def _bad(self, line: int, why: str, now: str, column: str = "") -> None:
        self.bad.append(Reason("bad_input", why, now, f"line {line}, column {column}" if column else f"line {line}"))

    def _refuse_bad(self, all_of_them: bool) -> None:
        if len(self.bad) >= _MOST_BAD or (all_of_them and self.bad):
            raise BadInput(self.what, *self.bad[:_MOST_BAD])


def _shown(fields: Sequence[str]) -> str:
    return ", ".join(field.strip() for field in fields if field.strip())[:200]
