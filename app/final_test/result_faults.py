"""What is wrong with lines of unit results: each function refuses them, named by line, or lets them pass."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.errors import BadInput, Reason, bad_input
from app.final_test.bins import FAILURE, text_sql
from app.final_test.result_columns import REFUSED, RESULT, UNIT, Column, Layout

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

KNOWN = 1000  # bad lines that are kept apart while reading; more are counted, not listed
NAMED = 20  # lines that are named
_FARTHEST = 1e12  # a greater number is no measurement, and past what bins compare exactly


@dataclass(frozen=True)
class Reading:
    """A file that is being read: where it is, how it is laid out, and the Parquet file that came of it, row by row in its order."""

    connection: "DuckDBPyConnection"
    source: Path
    layout: Layout
    parquet: Path

    def rows(self, select: str) -> list[tuple[Any, ...]]:
        """`select` asks FILE, whose rows are numbered from 0 by file_row_number where it asks for it."""
        file = f"read_parquet({text_sql(str(self.parquet))}, file_row_number={'true' if 'file_row_number' in select else 'false'})"
        return self.connection.execute(select.replace("FILE", file)).fetchall()

    def lines_of(self, rows: Sequence[int]) -> dict[int, int]:
        """The lines of the source that became these rows: its lines after the header, blank ones apart."""
        wanted, row = set(rows), 0
        found: dict[int, int] = {}
        for line, text in self.source_lines():
            if len(found) == len(wanted):
                break
            if text.strip(b"\r\n"):
                if row in wanted:
                    found[row] = line
                row += 1
        return found

    def source_lines(self) -> Iterator[tuple[int, bytes]]:
        with self.source.open("rb") as file:
            for number, line in enumerate(file, start=1):
                if number > self.layout.header_line:
                    yield number, line


def refuse_bad_lines(reading: Reading) -> None:
    """Lines that the reader put aside: not as many fields as the header, or no number where one is expected."""
    found = reading.connection.execute(
        "SELECT line, arg_min(error_type, last), arg_min(column_name, last), any_value(csv_line), count(*)"
        " FROM (SELECT *, error_type = 'CAST' AS last FROM reject_errors) GROUP BY line ORDER BY line"
    ).fetchall()
    if found:
        or_more = sum(row[4] for row in found) >= KNOWN  # the reader kept no more of them apart
        raise _refusal([_bad_line(reading.layout, *row[:4]) for row in found[:NAMED]], len(found), or_more)


def refuse_lost_lines(reading: Reading, lines: int, rows: int) -> None:
    """Every line must have become a row, but for the header, what stands before it, and blank lines."""
    header_line = reading.layout.header_line
    if rows == 0:
        raise bad_input(REFUSED, f"line {header_line}", "No unit follows the header.", "Send the file with its lines.")
    lost = lines - header_line - rows
    if lost:
        lost -= sum(1 for _, text in reading.source_lines() if not text.strip(b"\r\n"))
    if lost:
        why = f"It has {lines} lines, but {lost} of them did not become a unit."
        raise bad_input(REFUSED, "the whole file", why, "Save it as plain CSV, one unit a line.")


def senseless(layout: Layout) -> str:
    """SQL of a row without unit or result, or with a number that is none (nan, infinite) or no measurement."""
    numbers = [f'NOT abs("{column.name}") < {_FARTHEST}' for column in _measured(layout)]
    return " OR ".join([f"{UNIT} IS NULL", f"{FAILURE} = ''", *numbers])


def refuse_senseless_lines(reading: Reading, count: int) -> None:
    """`count`: how many rows are `senseless`."""
    if not count:
        return
    measured = _measured(reading.layout)
    asked = ", ".join(["file_row_number", f"{UNIT} IS NULL", f"{FAILURE} = ''", *(f'"{column.name}"' for column in measured)])
    found = reading.rows(f"SELECT {asked} FROM FILE WHERE {senseless(reading.layout)} ORDER BY 1 LIMIT {NAMED}")
    lines = reading.lines_of([row[0] for row in found])
    raise _refusal([_senseless_line(reading.layout, lines[row[0]], *row[1:]) for row in found], count)


def refuse_repeated_units(reading: Reading, rows: int) -> None:
    """Each unit once. Numbers that only grow are all different; others have to be counted."""
    if reading.layout.units_are_numbers:
        ((falls,),) = reading.rows("SELECT count(*) FROM (SELECT unit, lag(unit) OVER () AS before FROM FILE) WHERE unit <= before")
        if falls == 0:
            return
    ((different,),) = reading.rows("SELECT count(DISTINCT unit) FROM FILE")
    if different == rows:
        return
    repeated = f"SELECT unit FROM FILE GROUP BY unit HAVING count(*) > 1 ORDER BY min(file_row_number) LIMIT {NAMED}"
    found = reading.rows(f"SELECT unit, min(file_row_number, 2) FROM FILE WHERE unit IN ({repeated}) GROUP BY unit ORDER BY 2")
    lines = reading.lines_of([row for _, pair in found for row in pair])
    title = reading.layout.of(UNIT).title
    reasons = [
        _reason(lines[again], title, f"Unit {unit} has a result in line {lines[first]} already.", "A re-test is a run of its own: send it apart.")
        for unit, (first, again) in found
    ]
    raise _refusal(reasons, rows - different)


def _measured(layout: Layout) -> list[Column]:
    return [column for column in layout.columns if column.type == "DOUBLE" and column.name != UNIT]


def _bad_line(layout: Layout, line: int, kind: str, inner: str | None, text: str | None) -> Reason:
    fields = (text or "").strip("\r\n").split(layout.delimiter)
    if kind == "INVALID ENCODING":
        return _reason(line, "", "It is not UTF-8.", "Save the file as UTF-8.")
    if kind == "LINE SIZE OVER MAXIMUM":
        return _reason(line, "", "It is longer than any line of results.", "Write one unit a line.")
    if kind == "CAST" and inner and len(fields) == len(layout.columns):
        place = int(inner.removeprefix("c"))
        expected = "a number with a decimal comma" if layout.decimal == "," else "a number"
        return _reason(line, layout.columns[place].title, f"{fields[place][:40]!r} is not {expected}.", "Correct it, or leave it empty.")
    return _reason(line, "", f"It has {len(fields)} fields; the header has {len(layout.columns)}.", "Write one field for each column.")


def _senseless_line(layout: Layout, line: int, no_unit: object, no_result: object, *values: object) -> Reason:
    if no_unit:
        expected = "Number the unit with a whole number." if layout.units_are_numbers else "Name the unit."
        return _reason(line, layout.of(UNIT).title, "The unit is missing, or no whole number.", expected)
    if no_result:
        return _reason(line, layout.of(RESULT).title, "It is empty.", "Write PASS, or the failure code.")
    column, value = next((c, v) for c, v in zip(_measured(layout), values, strict=True) if isinstance(v, float) and not abs(v) < _FARTHEST)
    return _reason(line, column.title, f"{value:g} is not a measured number.", "Leave it empty where nothing was measured.")


def _reason(line: int, column: str, why: str, now: str) -> Reason:
    return Reason("bad_input", why, now, f"line {line}, column {column}" if column else f"line {line}")


def _refusal(reasons: Sequence[Reason], count: int, or_more: bool = False) -> BadInput:
    lines = f"{count} or more lines are" if or_more else "One line is" if count == 1 else f"{count} lines are"
    return BadInput(f"{REFUSED} {lines} at fault.", *reasons)
