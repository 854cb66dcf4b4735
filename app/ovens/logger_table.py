"""Where the table of a logger's file begins, and what each column is: time, sensor with its unit, cold junction, or nothing for us."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Literal

from app.errors import BadInput, bad_input
from app.ovens.logger_misread import is_scaled
from app.ovens.logger_times import is_time
from app.ovens.logger_units import (
    Unit,
    declared_unit,
    is_kelvin,
    is_other_unit,
    letter_of_unit,
    may_be_kelvin,
    may_be_set_point,
    may_be_something_else,
    names_other_degrees,
    names_other_unit,
    unit_word,
    units_in,
    without_unit,
)  # fmt: skip
from app.ovens.trace import Note, plain
from app.receiving.delimited import fields_of_line
from app.receiving.local_clocks import zone_named
from app.receiving.told_zones import other_zone_in_line, without_zone, zone_in_heading, zone_in_line

LONGEST_NAME = 120
_DELIMITERS = ("\t", ";", ",", "|")
_C: Unit = "C"
_F: Unit = "F"
_LINES_BEFORE = 200
_LINES_AFTER = 10
_MOST_COLUMNS = 512
_DATE = {"date", "datum", "fecha", "tarih", "дата", "날짜", "日期", "日付"}
_CLOCK = {"time", "clock", "zeit", "uhrzeit", "hora", "heure", "ora", "tijd", "czas", "čas", "tid", "saat", "время", "시간", "时间", "時刻"}
_DATA = "data"  # a date only beside a clock of these: in English it is anything
_CLOCKS_OF_DATA = {"ora", "hora", "czas"}
_WHOLE = {
    "timestamp", "time stamp", "datetime", "date time", "date/time", "date & time", "date and time", "date_time", "time/date", "logged at",
    "zeitstempel", "datum/zeit", "datum zeit", "datum/uhrzeit", "fecha/hora", "fecha y hora", "horodatage", "date/heure", "日期时间", "日時",
}  # fmt: skip
_NO_SENSOR = {
    "", "#", "no", "no.", "nr", "nr.", "index", "record", "record no.", "scan", "sample", "elapsed", "elapsed time", "event", "events", "marker",
    "comment", "comments", "note", "notes", "status", "alarm", "alarms", "remark", "remarks", "user", "batch", "message",
}  # fmt: skip
_NO_HEADING = re.compile(r"[-+\d.,:/ ]*\d[-+\d.,:/ ]*", re.ASCII)
_WHICH = "State which columns are sensors, with their headings as they stand in the file."


@dataclass(frozen=True)
class Stated:
    """What a person said about a file that leaves it open. `sensors`: read these columns only. `broken_values`: what this logger writes
    for a broken sensor, in the file's unit."""

    date_order: Literal["day", "month", "year"] | None = None  # which comes first
    zone: str | None = None  # for times that name none: Europe/Berlin, or +01:00
    unit: Literal["C", "F", "mV type K"] | None = None  # for headings that name none
    decimal: Literal[".", ","] | None = None
    encoding: Literal["latin-1"] | None = None
    time_column: str | None = None
    sensors: tuple[str, ...] = ()
    cold_junction_column: str | None = None  # for mV: a column of temperatures
    cold_junction_c: float | None = None  # for mV without such a column
    broken_values: tuple[float, ...] = ()


@dataclass(frozen=True)
class Column:
    place: int
    name: str
    unit: Unit


@dataclass(frozen=True)
class Table:
    delimiter: str
    header_line: int  # from 1
    first_line: int  # of the rows
    headings: tuple[str, ...]
    time: tuple[int, ...]  # one column, or date and clock
    zone: tzinfo | None  # that the heading of the time names
    sensors: tuple[Column, ...]
    cold_junction: Column | None
    notes: tuple[Note, ...]


def find_table(lines: Sequence[str], what: str, stated: Stated) -> Table:
    """The first line of headings that has rows with a time below it."""
    found = [(number, delimiter, headings) for number, delimiter, headings in _headings(lines) if _time_places(headings, stated)]
    below = [_first_row(lines, *entry, stated) for entry in found]
    if not any(below):
        raise _no_table(lines, what, found, stated)
    first_row = min(line for line in below if line)
    rows = [entry for entry, row in zip(found, below, strict=True) if row and entry[0] < first_row]
    number, delimiter, headings = rows[-1]  # the nearest above the rows
    if len({other for line, other, _ in rows if line == number}) > 1:
        raise bad_input(what, f"line {number}", "Its columns may be separated in two ways.", "Export it with semicolons between the columns.")
    _refuse_rows_before(lines[: number - 1], delimiter, what)
    units, first = _unit_line(lines, number, delimiter, len(headings))
    declared = _declared_before(lines[: number - 1], delimiter)
    table = _table(what, stated, delimiter, number, first, headings, units, declared)
    _refuse_other_unit_before(lines[: number - 1], table, units, what, stated)
    return table if table.zone else _with_zone_before(table, lines[: number - 1], what, stated)


def time_text(fields: Sequence[str], places: Sequence[int]) -> str:
    return " ".join(fields[place].strip() for place in places if place < len(fields))


def _headings(lines: Sequence[str]) -> list[tuple[int, str, tuple[str, ...]]]:
    found = []
    for number, line in enumerate(lines[:_LINES_BEFORE], start=1):
        for delimiter in _DELIMITERS:
            fields = fields_of_line(line, delimiter) if delimiter in line else None
            if fields and len(fields) <= _MOST_COLUMNS:
                names = [field.strip().lstrip("#").strip() if place == 0 else field.strip() for place, field in enumerate(fields)]
                while names and not names[-1]:
                    names.pop()
                if len(names) >= 2 and not any(is_time(name) or _NO_HEADING.fullmatch(name) for name in names[1:]):
                    found.append((number, delimiter, tuple(names)))
    return found


def _time_places(headings: Sequence[str], stated: Stated) -> tuple[int, ...]:
    """The column of the time, or those of date and clock; none, or more than that, where the headings leave it open."""
    if stated.time_column:
        return tuple(place for place, heading in enumerate(headings) if plain(heading) == plain(stated.time_column))
    names = [_time_name(heading) for heading in headings]
    whole = [place for place, name in enumerate(names) if name in _WHOLE]
    of_data = _CLOCKS_OF_DATA & set(names)
    dates = [place for place, name in enumerate(names) if name in _DATE or (name == _DATA and of_data)]
    clocks = [place for place, name in enumerate(names) if name in _CLOCK]
    if not whole and len(dates) == len(clocks) == 1:
        return dates[0], clocks[0]
    return tuple(whole + dates + clocks)


def names_a_time(row: Sequence[str], places: Sequence[int], headings: Sequence[str]) -> bool:
    """Whether this row is one of headings: a word for the time stands where the time should."""
    known = _WHOLE | _DATE | _CLOCK | {_time_name(headings[place]) for place in places}
    return any(place < len(row) and _time_name(row[place].lstrip("\ufeff#")) in known for place in places)


def _is_left_open(headings: Sequence[str], places: Sequence[int]) -> bool:
    names = {_time_name(headings[place]) for place in places}
    return len(places) > 1 and not (len(places) == 2 and names & {*_DATE, _DATA} and names & _CLOCK)


def _time_name(heading: str) -> str:
    heading = heading[: LONGEST_NAME + 1]  # a longer one is none, and would take long
    return plain(without_zone(heading)).strip(" :,.")


def _first_row(lines: Sequence[str], number: int, delimiter: str, headings: Sequence[str], stated: Stated) -> int:
    """The line of the first row with a time, soon below these headings; 0 if there is none."""
    places = _time_places(headings, stated)
    kinds = (places, *[(place,) for place in places])
    for line in range(number, min(number + _LINES_AFTER, len(lines))):
        fields = fields_of_line(lines[line], delimiter)
        if fields and any(is_time(time_text(fields, kind)) for kind in kinds):
            return line + 1
    return 0


def _no_table(lines: Sequence[str], what: str, found: Sequence[tuple[int, str, tuple[str, ...]]], stated: Stated) -> BadInput:
    if stated.time_column and not found:
        why = f"No line of headings has the column {stated.time_column!r} that was stated for the time."
        return bad_input(what, "the whole file", why, "Name the column as it stands in the file.")
    if found:
        number, delimiter, headings = found[0]
        rows = [fields_of_line(line, delimiter) for line in lines[number : number + _LINES_AFTER] if line.strip()]
        if not rows:
            return bad_input(what, f"line {number}", "There are no rows below the headings.", "Export the readings themselves.")
        if rows[0] is None:
            return bad_input(what, f"line {number + 1}", "Its quotes do not pair.", "Correct this line.")
        text = time_text(rows[0], _time_places(headings, stated))
        why = f"Below these headings the time should stand; {text[:40]!r} is not a date and time."
        return bad_input(what, f"line {number + 1}", why, "Export it with date and time of day in every row, like 2026-03-05 14:30:00.")
    why = "No line near the beginning has headings with a time and at least one sensor, separated by comma, semicolon, tab or |."
    return bad_input(what, "line 1", why, "Export the log as CSV with a line of headings, or state the name of the column of the time.")


def _refuse_rows_before(lines: Sequence[str], delimiter: str, what: str) -> None:
    for number, line in enumerate(lines, start=1):
        fields = fields_of_line(line, delimiter) or []
        if len(fields) > 1 and is_time(fields[0]) and any(re.fullmatch(r"-?\d+[.,]?\d*", field.strip(), re.ASCII) for field in fields[1:]):
            raise bad_input(what, f"line {number}", "A row of readings stands before the headings.", "Put the headings first.")


def _unit_line(lines: Sequence[str], header_line: int, delimiter: str, width: int) -> tuple[list[str], int]:
    """Units may stand in a line of their own below the headings."""
    below = fields_of_line(lines[header_line], delimiter) if header_line < len(lines) else None
    fields = [field.strip() for field in below or []]
    named = any(unit_word(field) or is_kelvin(field) or is_other_unit(field) for field in fields)
    no_reading = not any(is_time(field) or re.search(r"\d", field) for field in fields)
    if named and no_reading:
        return (fields + [""] * width)[:width], header_line + 2
    return [""] * width, header_line + 1


def _declared_before(lines: Sequence[str], delimiter: str) -> Unit | None:
    """The unit that the lines above the headings name for those that name none, if it is one."""
    said = {unit for line in lines if (unit := declared_unit(fields_of_line(line, delimiter) or []))}
    return next((unit for unit in (_C, _F) if said == {unit}), None)


def _refuse_other_unit_before(lines: Sequence[str], table: Table, units: Sequence[str], what: str, stated: Stated) -> None:
    """Where the headings are silent, a line above them may say that the unit is another than was stated."""
    silent = any(not units_in(table.headings[one.place]) and not unit_word(units[one.place]) for one in table.sensors)
    for number, line in enumerate(lines, start=1):
        said = declared_unit(fields_of_line(line, table.delimiter) or [])
        if silent and said and stated.unit and not stated.unit.startswith(said):
            why = f"It says that the unit is {said}, but {stated.unit} was stated."
            now = "Correct what was stated; or, if no temperatures are meant, write the unit into the headings."
            raise bad_input(what, f"line {number}", why, now)


def _with_zone_before(table: Table, lines: Sequence[str], what: str, stated: Stated) -> Table:
    """A line above the headings may name the zone of the logger's clock; one that says it in other words must fit what was stated."""
    for number, line in enumerate(lines, start=1):
        if told := zone_in_line(line, table.delimiter):
            said = Note("before_table", f"Times that name no zone are read as of {told[0]}, which line {number} names.", number)
            return replace(table, zone=told[1], notes=(*table.notes, said))
    zone = zone_named(stated.zone) if stated.zone else None
    for number, line in enumerate(lines, start=1):
        if zone and (other := other_zone_in_line(line, table.delimiter, zone)):
            why = f"It says {other}, and {stated.zone} was stated, whose clocks never differ by that from UTC."
            raise bad_input(what, f"line {number}", why, "State the zone of the logger's clock; or remove this line, if it is wrong.")
    return table


def _table(
    what: str, stated: Stated, delimiter: str, number: int, first: int, headings: tuple[str, ...], units: Sequence[str], declared: Unit | None
) -> Table:
    time = _time_places(headings, stated)
    if _is_left_open(headings, time):
        names = ", ".join(headings[place] for place in time)
        if len({plain(headings[place]) for place in time}) == 1:
            why = f"{len(time)} columns are called {headings[time[0]]}: several tables stand side by side."
            raise bad_input(what, f"line {number}, column {time[1] + 1}", why, "Export each table as a file of its own.")
        raise bad_input(what, f"line {number}", f"Several columns may be the time: {names}.", "State which column is the time.")
    chosen, left_out = _chosen(what, stated, headings, units, time, number)
    columns = [_column(what, stated, place, headings[place], units[place], number, declared) for place in chosen]
    cold = next((column for column in columns if stated.cold_junction_column and _is_called(column, headings, stated.cold_junction_column)), None)
    sensors = tuple(column for column in columns if column is not cold)
    if cold and cold.unit not in ("C", "F"):
        raise bad_input(what, f"line {number}, column {cold.name}", "The cold junction needs a temperature.", "State another column.")
    _check_sensors(what, stated, sensors, cold, number)
    notes = [Note("left_out", f"Column {headings[place] or place + 1} is not a temperature and was left out.", number) for place in left_out]
    if number > 1:
        notes.insert(0, Note("before_table", f"{number - 1} lines before the headings were skipped.", 1))
    return Table(delimiter, number, first, headings, time, _zone_of(headings, time), sensors, cold, tuple(notes))


def _zone_of(headings: Sequence[str], time: Sequence[int]) -> tzinfo | None:
    """That a heading of the time names."""
    return next((zone for place in time if (zone := zone_in_heading(headings[place]))), None)


def _chosen(
    what: str, stated: Stated, headings: Sequence[str], units: Sequence[str], time: Sequence[int], number: int
) -> tuple[list[int], list[int]]:  # fmt: skip
    """Columns to read, and columns that are no temperature."""
    others = [place for place in range(len(headings)) if place not in time]
    if not stated.sensors:
        of_else = {p for p in others if plain(headings[p]) in _NO_SENSOR or names_other_unit(headings[p]) or is_other_unit(units[p])}
        read = [p for p in others if p not in of_else]
        return read, [p for p in others if p not in read]
    asked = {plain(name) for name in (*stated.sensors, stated.cold_junction_column or "") if name}
    read = [p for p in others if {plain(headings[p]), plain(without_unit(headings[p]))} & asked]
    there = {name for p in read for name in (plain(headings[p]), plain(without_unit(headings[p])))}
    if missing := sorted(asked - there):
        why = f"There is no column {missing[0]!r}; the columns are {', '.join(headings)[:300]}."
        raise bad_input(what, f"line {number}", why, "Name the sensors as they stand in the file.")
    return read, []


def _is_called(column: Column, headings: Sequence[str], name: str) -> bool:
    return plain(name) in (plain(column.name), plain(headings[column.place]))


def _column(what: str, stated: Stated, place: int, heading: str, below: str, number: int, declared: Unit | None) -> Column:
    where = f"line {number}, column {place + 1}"
    if len(heading) > LONGEST_NAME or not heading.isprintable():
        raise bad_input(what, where, f"A heading has at most {LONGEST_NAME} characters, all printable.", "Rename the sensor.")
    units = units_in(heading)
    if unit_below := unit_word(below):
        units.append(unit_below)
    if len(set(units)) > 1:
        raise bad_input(what, where, f"{heading!r} names two units: {' and '.join(sorted(set(units)))}.", "Keep the right one.")
    if is_scaled(heading):
        why = f"{heading!r} names a part or a multiple of a degree."
        raise bad_input(what, where, why, "Export it in degrees C or F, or rename the sensor.")
    named = units[0] if units else None
    _refuse_no_sensor(what, where, stated, heading, named)
    _refuse_other_scale(what, where, stated, heading, below, named)
    if named == "mV" and stated.unit == "mV type K":
        named = "mV type K"
    if named == "mV":
        why = f"{heading!r} is in millivolts; the kind of thermocouple is not said."
        raise bad_input(what, where, why, "State the unit as mV type K, if they are of type K.")
    is_cold = stated.cold_junction_column is not None and plain(stated.cold_junction_column) in (plain(heading), plain(without_unit(heading)))
    if named and stated.unit and named != stated.unit and not is_cold:
        why = f"{heading!r} says {named}, but {stated.unit} was stated."
        raise bad_input(what, where, why, "State no unit, or correct the heading.")
    unit = named or ("C" if is_cold and stated.unit == "mV type K" else stated.unit) or declared
    if unit is None:
        why = f"Nothing says whether {heading!r} is in degrees C or F."
        raise bad_input(what, where, why, "State the unit; or state which columns are sensors, if this is none.")
    return Column(place, without_unit(heading), unit)


def _refuse_no_sensor(what: str, where: str, stated: Stated, heading: str, named: Unit | None) -> None:
    """A set point read as a sensor would be one that is always right; and a unit that is stated makes no temperature of a humidity."""
    if stated.sensors:
        return
    if may_be_set_point(heading):
        raise bad_input(what, where, f"{heading!r} may be the set point of the oven, which no sensor measured.", _WHICH)
    if named is None and may_be_something_else(heading):
        raise bad_input(what, where, f"{heading!r} names no unit, and may be no temperature.", _WHICH)


def _refuse_other_scale(what: str, where: str, stated: Stated, heading: str, below: str, named: Unit | None) -> None:
    """Degrees C or F may be stated for a heading that names no unit, not for one that names another."""
    if below and not unit_word(below) and (is_kelvin(below) or is_other_unit(below)):
        now = "Export it in degrees C or F; or state which columns are sensors, if this is none."
        raise bad_input(what, where, f"{heading!r} is in {below}.", now)
    if named is None and names_other_degrees(heading):
        raise bad_input(what, where, f"{heading!r} is in degrees that are neither C nor F.", "Export it in degrees C or F.")
    is_answered = stated.unit is not None and plain(heading) in {plain(name) for name in stated.sensors}
    letter = letter_of_unit(heading)
    if named is None and letter and stated.unit in (_C, _F) and letter != stated.unit and not is_answered:
        why = f"{heading!r} seems to be in {letter}, and {stated.unit} was stated."
        raise bad_input(what, where, why, _WHICH)
    if named is None and may_be_kelvin(heading) and not is_answered:
        why = f"{heading!r} may be in kelvin, or of a thermocouple of type K."
        now = "Export it in degrees C or F; or, if K is the type, state the unit, and the sensors with their headings as they stand in the file."
        raise bad_input(what, where, why, now)


def _check_sensors(what: str, stated: Stated, sensors: Sequence[Column], cold: Column | None, number: int) -> None:
    if not sensors:
        raise bad_input(what, f"line {number}", "There is no column with a sensor.", "Export the sensors, or state which columns they are.")
    names: dict[str, Column] = {}
    for sensor in sensors:
        twin = names.setdefault(plain(sensor.name), sensor)
        if twin is not sensor:
            why = f"Columns {twin.place + 1} and {sensor.place + 1} have sensors of one name: {sensor.name}."
            raise bad_input(what, f"line {number}, column {sensor.place + 1}", why, "Rename one of them.")
    if stated.cold_junction_column and cold is None:
        why = f"There is no column {stated.cold_junction_column!r} for the cold junction."
        raise bad_input(what, f"line {number}", why, "Name the column as it stands in the file.")
    if any(sensor.unit == "mV type K" for sensor in sensors) and cold is None and stated.cold_junction_c is None:
        why = "Millivolts say a temperature only together with that of the cold junction."
        raise bad_input(what, f"line {number}", why, "State the column of the cold junction, or its temperature.")
