"""What the columns of a file of unit results are, from its first lines: which is which, numbers or text, point or comma."""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from app.catalogue.definitions import BinTableBody
from app.errors import BadInput, bad_input
from app.final_test.bins import needed_columns
from app.receiving.delimited import Header, column, find_header, plain_name, refuse_lines_before_header
from app.receiving.map_notes import key_of

UNIT, RESULT, TESTER_BIN, BIN = "unit", "result", "tester_bin", "bin"
REFUSED = "The unit results were not taken."
_NAMES = {
    UNIT: ("unit", "unitid", "unitno", "unitnumber", "serial", "serialnumber"),
    RESULT: ("result", "status", "passfail", "failure", "failurecode", "failcode"),
    TESTER_BIN: ("testerbin", "testbin", "bin"),
}
Decimal = Literal[".", ","]
_FAILURES = ("failure", "failurecode", "failcode")
_HEAD_BYTES = 1 << 18
_SAMPLE = 1000
_WHOLE = re.compile(r"0|[1-9]\d{0,14}")  # below 2**53, so that a double holds it
_WITH_COMMA = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?")
_WITH_POINT = re.compile(r"[+-]?(\d+\.\d*|\.\d+)([eE][+-]?\d+)?")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(nan|inf|infinity)", re.IGNORECASE)
_PLAIN = re.compile(r"[+-]?\d{1,15}\.?\d{0,15}", re.ASCII)
_INTEGER = re.compile(r"[+-]?\d{1,15}", re.ASCII)
# 1,006 units are a thousand and six, whatever parts the thousands: a count has no decimals
_COUNT = re.compile(r"#?\s*([A-Za-z][A-Za-z _-]*?)\s*[:=,;\t]\s*\"?(\d{1,9}|\d{1,3}(?:[,.' ]\d{3}){1,2})\"?[\s,;]*", re.ASCII)
_ALL_UNITS = {"units", "unitstested", "testedunits", "totalunits", "total", "tested", "quantity", "qty", "unitcount", "numberofunits"}
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+")


@dataclass(frozen=True)
class Column:
    """A column: its title in the file, its name in what is kept, its name and type while reading."""

    title: str
    name: str
    inner: str
    type: str  # of DuckDB

    @property
    def value(self) -> str:
        """What is kept of it, as SQL. A unit's number is read as a double: read as an integer, 1.5 would pass for 2."""
        if self.name == UNIT and self.type == "DOUBLE":
            return f"CASE WHEN {self.inner} = trunc({self.inner}) AND abs({self.inner}) < 1e15 THEN {self.inner}::BIGINT END"
        return self.inner if self.type == "DOUBLE" else f"nullif(trim({self.inner}, ' \"'), '')"

    @property
    def title_says_failure(self) -> bool:
        return plain_name(self.title) in _FAILURES


@dataclass(frozen=True)
class Layout:
    """How the file is to be read."""

    header_line: int
    delimiter: str
    decimal: str
    columns: tuple[Column, ...]
    declared: tuple[tuple[str, int, int], ...] = ()  # units, passing or failing; how many; the line above the header that says so

    def of(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    def has(self, name: str) -> bool:
        return any(column.name == name for column in self.columns)

    @property
    def measured(self) -> list[Column]:
        return [column for column in self.columns if column.type == "DOUBLE" and column.name != UNIT]

    @property
    def units_are_numbers(self) -> bool:
        return self.of(UNIT).type == "DOUBLE"

    def with_units_as_text(self) -> "Layout":
        return replace(self, columns=tuple(replace(c, type="VARCHAR") if c.name == UNIT else c for c in self.columns))


def delimiter_of(text: str) -> str | None:
    """Of the columns, by the header."""
    found = find_header(text.lstrip("\ufeff"), _NAMES[UNIT], _NAMES[RESULT])
    return found[1].delimiter if found else None


def find_layout(source: Path, table: BinTableBody, decimal: Decimal | None = None) -> Layout:
    """Finds the header by its names, which must include what the bin table asks for, and looks at the lines after it.

    `decimal`: the decimal sign that was stated.
    """
    text = _head(source)
    found = find_header(text, _NAMES[UNIT], _NAMES[RESULT])
    if found is None:
        raise _no_header(text, table)
    header_line, header = found
    refuse_lines_before_header(text, header_line, REFUSED)
    lines = text.split("\n")
    titles = [title.strip().strip('"').strip() for title in lines[header_line - 1].split(header.delimiter)]
    if len(titles) != len(header.names):
        raise bad_input(REFUSED, f"line {header_line}", "A column's title has the separator inside.", "Name it without.")
    names = _names(header, header_line, titles, table)
    sample = [fields for line in lines[header_line : header_line + _SAMPLE] if len(fields := line.split(header.delimiter)) == len(titles)]
    values = [[field.strip() for field in fields] for fields in zip(*sample, strict=True)] or [[] for _ in titles]
    measured = [value for some, name in zip(values, names, strict=True) if name not in (UNIT, RESULT, TESTER_BIN) for value in some]
    sign = _decimal(header, header_line, measured, decimal)
    needed = needed_columns(table)
    columns = tuple(
        Column(title, name, f"c{place}", _type(name, values[place], sign, name in needed))
        for place, (title, name) in enumerate(zip(titles, names, strict=True))
    )
    _refuse_other_scale(header_line, table, columns, values, sign)
    return Layout(header_line, header.delimiter, sign, columns, tuple(_declared(lines[: header_line - 1])))


def _no_header(text: str, table: BinTableBody) -> BadInput:
    asked = ", ".join([UNIT, RESULT, *needed_columns(table)])
    for name, other in ((UNIT, RESULT), (RESULT, UNIT)):
        if half := find_header(text, _NAMES[other]):
            why = "It is missing, or has another name."
            return bad_input(REFUSED, f"line {half[0]}, column {name}", why, f"Name the columns, in any order: {asked}.")
    return bad_input(REFUSED, "line 1", "There is no header that names the columns.", f"Begin with one, in any order: {asked}.")


def _refuse_other_scale(header_line: int, table: BinTableBody, columns: Sequence[Column], values: Sequence[Sequence[str]], sign: str) -> None:
    """Where the bin table asks for parts of one, numbers that are all above one or whole are of another scale, or cut in two by a comma."""
    given = {column.name: [value for value in values[place] if value] for place, column in enumerate(columns)}
    for polygon in (one for entry in table.bins for one in entry.polygons):
        for name, points in ((polygon.x, [x for x, _ in polygon.points]), (polygon.y, [y for _, y in polygon.points])):
            if max(map(abs, points)) <= 1 and (said := _of_another_scale(given[name], sign)):
                title = next(column.title for column in columns if column.name == name)
                why = f"It has {said} only, and bin table {table.name} asks for parts of one."
                now = "Write parts of one with a decimal point; where the comma is the decimal mark, semicolons between the columns."
                raise bad_input(REFUSED, f"line {header_line}, column {title}", why, now)


def _of_another_scale(texts: Sequence[str], sign: str) -> str:
    if all(map(_INTEGER.fullmatch, texts)) and any(int(text) for text in texts):
        return "whole numbers"
    numbers = [number for text in texts if (number := text.replace(sign, ".")).strip("+-0.")]  # of what failed many write a zero
    if len(set(numbers)) > 1 and all(map(_PLAIN.fullmatch, numbers)) and all(abs(float(number)) > 1 for number in numbers):
        return "numbers above one"
    return ""


def _declared(lines: Iterable[str]) -> Iterator[tuple[str, int, int]]:
    for number, line in enumerate(lines, start=1):
        if found := _COUNT.fullmatch(line):
            kind = "units" if plain_name(found[1]) in _ALL_UNITS else {"passing": "passing", "failing": "failing"}.get(key_of(found[1]) or "")
            if kind:
                yield kind, int(re.sub(r"\D", "", found[2])), number


def _head(source: Path) -> str:
    with source.open("rb") as file:
        data = file.read(_HEAD_BYTES)
    if len(data) == _HEAD_BYTES:
        data = data[: data.rfind(b"\n") + 1]
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").decode(errors="replace").lstrip("\ufeff")


def _names(header: Header, line: int, titles: Sequence[str], table: BinTableBody) -> list[str]:
    """The kept name of each column: the bin table's where it asks for it, else as titled."""
    names = list(titles)
    for name in needed_columns(table):
        place = column(header, REFUSED, line, plain_name(name))
        if place is None:
            why = f"It is missing, and bin table {table.name} asks for it."
            raise bad_input(REFUSED, f"line {line}, column {name}", why, f"The file has: {', '.join(titles)}.")
        names[place] = name
    for name, known in _NAMES.items():
        place = column(header, REFUSED, line, *known)
        if place is not None:
            names[place] = name
    _refuse_alike(header, line, titles)
    return names


def _refuse_alike(header: Header, line: int, titles: Sequence[str]) -> None:
    seen: set[str] = set()
    for place, (name, title) in enumerate(zip(header.names, titles, strict=True), start=1):
        if not name or '"' in title:
            raise bad_input(REFUSED, f"line {line}, column {place}", "It has no usable title.", "Give every column a name of its own.")
        if name in seen:
            raise bad_input(REFUSED, f"line {line}, column {title}", "Two columns have this title.", "Give every column a name of its own.")
        seen.add(name)


def _decimal(header: Header, line: int, values: Sequence[str], stated: Decimal | None) -> str:
    """The decimal sign of the file. What could be thousands is asked for, what is both is refused: nothing is guessed."""
    at = f"after line {line}"
    if stated not in (None, ".", ","):
        raise bad_input(REFUSED, "decimal", f"{stated!r} is not a decimal sign.", "State . or , alone.")
    if header.delimiter == ",":
        if stated == ",":
            why = "The comma separates its columns, but was stated as the decimal sign."
            raise bad_input(REFUSED, at, why, "State the point, or separate the columns by semicolons.")
        return "."
    commas = [value for value in values if _WITH_COMMA.fullmatch(value)]
    points = [value for value in values if _WITH_POINT.fullmatch(value)]
    if commas and points:
        raise bad_input(REFUSED, at, f"It has both {commas[0]} and {points[0]}.", "Write all numbers with the same decimal sign.")
    if stated is not None:
        if others := commas if stated == "." else points:
            why = f"{others[0]} does not have the decimal sign {stated} that was stated."
            raise bad_input(REFUSED, at, why, "State the other, or write numbers without separators of thousands.")
        return stated
    if commas and all(_THOUSANDS.fullmatch(value) for value in commas):
        now = "State the decimal sign (decimal): a comma or a point."
        raise bad_input(REFUSED, at, f"{commas[0]} may be thousands or decimals.", now)
    return "," if commas else "."


def _type(name: str, values: Sequence[str], decimal: str, needed: bool) -> str:
    """Text is what shows no number in the first lines; the unit is a number only where all of them are whole."""
    given = [value for value in values if value]
    if name == UNIT:
        return "DOUBLE" if given and all(_WHOLE.fullmatch(value) for value in given) else "VARCHAR"
    if name in (RESULT, TESTER_BIN):
        return "VARCHAR"
    number = needed or not given or any(_NUMBER.fullmatch(value.replace(decimal, ".")) for value in given)
    return "DOUBLE" if number else "VARCHAR"
