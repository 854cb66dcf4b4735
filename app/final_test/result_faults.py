"""What is wrong with lines of unit results: each function refuses them, named by line, or lets them pass."""

import os
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.errors import BadInput, Reason, bad_input
from app.final_test.bins import FAILURE, FARTHEST, name_sql, text_sql
from app.final_test.result_columns import REFUSED, RESULT, UNIT, Layout
from app.receiving.delimited import CUT_SHORT, TAIL, may_be_cut
from app.receiving.look_alikes import looks_like

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

KNOWN = 1000  # bad lines that are kept apart while reading; more are counted, not listed
NAMED = 20  # lines that are named
_EITHER = {"0", "1", "true", "false", "y", "n", "yes", "no", "-", "+", "none"}
_NO_FAILURES = {"0", "false", "n", "no", "-", "none", "nil", "null", "n/a", "na"}
_PERHAPS_PASS = re.compile(r"(pass(ed|es)?|ok|good)[\W_\d].*", re.I)  # PASS A, OK2
_ZERO, _ONE = r"[+-]?0+(x0+|\.0+)?", r"[+-]?0*1(\.0+)?"
_A_BIN = re.compile(rf"{_ZERO}|{_ONE}|((hard|soft|h|s)[\W_]?)?bin[\W_]*\w+", re.I)
_NOTHING_FAILED = {"no failure", "no failures", "no fail", "no error", "no errors", "no fault", "no defect", "without failure"}
_LIKE_PASS = _NOTHING_FAILED | {
    "accept", "accepted", "go", "io", "i o", "in ordnung", "bestanden", "gut", "conform", "conforme", "conforms", "success", "successful",
    "succeeded", "passes", "in spec", "within spec", "valid", "complete", "completed", "g", "t", "\u5408\u683c", "\u901a\u8fc7", "\u826f",
}  # fmt: skip
_NO_UNIT = {"empty", "empty pocket", "no unit", "no part", "no device", "no die", "not present", "absent"}
_NO_TEST = {
    "not tested", "nottested", "untested", "no test", "nt", "n t", "not run", "not measured", "unmeasured", "skipped", "skip", "test skipped",
    "retest", "re test",
}  # fmt: skip
_SUMMARIES = {
    "mean", "average", "avg", "median", "min", "min.", "minimum", "max", "max.", "maximum", "std", "stdev", "sigma", "sum", "total", "totals",
    "count", "yield", "lsl", "usl", "lcl", "ucl", "limit", "limits", "lower limit", "upper limit", "unit", "units",
}  # fmt: skip


# by its numbers a column may have points that separate thousands; only then is it looked at as text
_LIKE_THOUSANDS = (
    "bool_or({0} = floor({0})) AND bool_or({0} <> floor({0}))"
    " AND bool_and({0} = floor({0}) OR (abs({0}) BETWEEN 1 AND 1000 AND abs(round({0} * 1000) - {0} * 1000) < 1e-6))"
)
_POINTS_OF_THOUSANDS = """
    SELECT min(n) FILTER (contains(text, '.')), arg_min(text, n) FILTER (contains(text, '.')),
        bool_or(text <> '' AND NOT contains(text, '.'))
        AND bool_and(regexp_full_match(text, '[+-]?[1-9][0-9]{{0,2}}[.][0-9]{{3}}')) FILTER (contains(text, '.'))
    FROM ({0})
"""
_NAME_OR_FILE = re.compile(r'"(?:[^"]|"")*"|\bFILE\b')  # a column may be called FILE


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
        return self.connection.execute(_NAME_OR_FILE.sub(lambda found: file if found[0] == "FILE" else found[0], select)).fetchall()

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
        raise bad_input(REFUSED, "the whole file", why, "Save it as plain CSV, one unit per line.")


def no_number(value: str) -> str:
    """SQL of a value that is no number (nan, infinite), or no measurement."""
    return f"NOT abs({value}) < {FARTHEST}"


def refuse_senseless_lines(reading: Reading, count: int) -> None:
    """`count`: how many rows have no unit or result, or a value that is not a number."""
    if not count:
        return
    no_unit, no_result, names = f"{UNIT} IS NULL", f"{FAILURE} = ''", [name_sql(column.name) for column in reading.layout.measured]
    senseless = " OR ".join([no_unit, no_result, *map(no_number, names)])
    asked = ", ".join(["file_row_number", no_unit, no_result, *names])
    found = reading.rows(f"SELECT {asked} FROM FILE WHERE {senseless} ORDER BY 1 LIMIT {NAMED}")
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
        _reason(lines[again], title, f"Unit {unit} has a result in line {lines[first]} already.", "A re-test is a run of its own: send it alone.")
        for unit, (first, again) in found
    ]
    raise _refusal(reasons, rows - different)


def refuse_units_that_look_alike(reading: Reading, rows: int) -> None:
    """1 and 01, a1 and A1: one unit twice, or two? Numbers are read as such; only names are looked at."""
    if reading.layout.units_are_numbers:
        return
    key = f"upper(ltrim({UNIT}, '0'))"
    ((different,),) = reading.rows(f"SELECT count(DISTINCT {key}) FROM FILE")
    if different == rows:
        return
    alike = f"SELECT {key} FROM FILE GROUP BY 1 HAVING count(*) > 1 ORDER BY min(file_row_number) LIMIT {NAMED}"
    pairs = f"min(file_row_number, 2), arg_min({UNIT}, file_row_number, 2)"
    found = reading.rows(f"SELECT {pairs} FROM FILE WHERE {key} IN ({alike}) GROUP BY {key} ORDER BY 1")
    lines, title = reading.lines_of([row for pair, _ in found for row in pair]), reading.layout.of(UNIT).title
    now = "Write each unit once, under one name; of different units, under names that differ by more than zeros in front and letter case."
    asked = [(lines[again], f"{other!r}: is that unit {unit!r} of line {lines[first]}?") for (first, again), (unit, other) in found]
    raise _refusal([_reason(line, title, why, now) for line, why in asked], rows - different)


def refuse_cut_line(reading: Reading, lines: int) -> None:
    with reading.source.open("rb") as source:
        size = source.seek(0, os.SEEK_END)
        source.seek(max(0, size - TAIL - 1))
        tail = source.read()
    if may_be_cut(tail, reading.layout.delimiter):
        raise bad_input(REFUSED, f"line {lines}", *CUT_SHORT)


def refuse_underscored_numbers(reading: Reading, underscores: int) -> None:
    """The reader takes 4_50 for 450. `underscores`: how many the file has; those of its header are none of a number."""
    layout = reading.layout
    with reading.source.open("rb") as source:
        if underscores <= sum(line.count(b"_") for line in islice(source, layout.header_line)):
            return
    numbers = [column for column in layout.columns if column.type == "DOUBLE"]
    reader = _as_text(reading)
    told = " OR ".join(f"contains({column.inner}, '_')" for column in numbers)
    texts = ", ".join(column.inner for column in numbers)
    query = f"SELECT * FROM (SELECT row_number() OVER () - 1, {texts} FROM {reader}) WHERE {told} LIMIT 1"
    if found := reading.connection.execute(query).fetchone():
        column, text = next((column, text) for column, text in zip(numbers, found[1:], strict=True) if "_" in (text or ""))
        raise _refusal([_reason(reading.lines_of([found[0]])[found[0]], column.title, f"{text[:40]!r} is not a number.", "Correct it.")], 1)


def refuse_points_of_thousands(reading: Reading) -> None:
    """1.150 among whole numbers, from a site that writes decimals with a comma: a column where all points have three figures behind them."""
    names = [] if reading.layout.delimiter == "," or reading.layout.decimal != "." else reading.layout.measured
    if not names:
        return
    asked = [_LIKE_THOUSANDS.format(name_sql(column.name)) for column in names]
    (found,) = reading.rows(f"SELECT {', '.join(asked)} FROM FILE")
    for column in (column for column, is_so in zip(names, found, strict=True) if is_so):
        texts = f"SELECT row_number() OVER () - 1 AS n, trim({column.inner}) AS text FROM {_as_text(reading)}"
        row, text, is_one = reading.connection.execute(_POINTS_OF_THOUSANDS.format(texts)).fetchone() or (None, None, False)
        if is_one:
            why = f"In {text!r} the point may be a decimal sign or separate thousands: other lines have none."
            now = "State the decimal sign (decimal), or write numbers without separators of thousands."
            raise _refusal([_reason(reading.lines_of([row])[row], column.title, why, now)], 1)


def _as_text(reading: Reading) -> str:
    """SQL of the file's rows as they are written."""
    layout = reading.layout
    types = ", ".join(f"'{column.inner}': 'VARCHAR'" for column in layout.columns)
    return (
        f"read_csv({text_sql(str(reading.source))}, header=false, skip={layout.header_line}, columns={{{types}}}, auto_detect=false,"
        f" delim={text_sql(layout.delimiter)}, quote='', escape='')"
    )


def refuse_summary_lines(reading: Reading) -> None:
    """Limits and means have numbers in every column, and are no unit."""
    if reading.layout.units_are_numbers:
        return
    words = ", ".join(map(text_sql, sorted(_SUMMARIES)))
    found = reading.rows(f"SELECT file_row_number, {UNIT} FROM FILE WHERE lower({UNIT}) IN ({words}) ORDER BY 1 LIMIT {NAMED}")
    if found:
        lines, title = reading.lines_of([row for row, _ in found]), reading.layout.of(UNIT).title
        now = "Leave out limits, means and sums."
        raise _refusal([_reason(lines[row], title, f"{text!r} is not a unit.", now) for row, text in found], len(found))


def refuse_odd_results(reading: Reading, failures: Iterable[str], known: Collection[str], good_bins: Collection[str]) -> None:
    """Results that may be no failure at all. `known`: those that are one. `good_bins`: names of bins that are no reject."""
    result = reading.layout.of(RESULT)
    perhaps = _is_perhaps_none if result.title_says_failure else _is_perhaps_a_pass
    odd = [
        code
        for code in failures
        if code not in known
        and (
            perhaps(code) or code in good_bins or _plain(code) in _NO_UNIT | _NO_TEST or _PERHAPS_PASS.fullmatch(code) or looks_like(code) is not None
        )
    ]
    if not odd:
        return
    codes = ", ".join(map(text_sql, odd))
    query = f"SELECT min(file_row_number), {FAILURE} FROM FILE WHERE {FAILURE} IN ({codes}) GROUP BY 2 ORDER BY 1 LIMIT {NAMED}"
    found = reading.rows(query)
    lines = reading.lines_of([row for row, _ in found])
    raise _refusal([_reason(lines[row], result.title, f"{code!r}: {asked}", now) for row, code in found for asked, now in [_asked(code)]], len(odd))


def _is_perhaps_none(code: str) -> bool:
    """Under a title that says failure: that there was none."""
    return code.lower() in _NO_FAILURES or _plain(code) in _NOTHING_FAILED or re.fullmatch(_ZERO, code) is not None


def _is_perhaps_a_pass(code: str) -> bool:
    """Under result or status: a pass in another word, or a bin, which may be a good one."""
    return code.lower() in _EITHER or _plain(code) in _LIKE_PASS or _A_BIN.fullmatch(code) is not None


def _asked(code: str) -> tuple[str, str]:
    """What is asked of an odd result, and what to do."""
    if _plain(code) in _NO_UNIT:
        return "was there a unit?", "Leave the line out where there was none; or set it as a failure code in the bin table."
    if _plain(code) in _NO_TEST:
        return "was it tested?", "Test these units, and send the whole file again; or set it as a failure code of a bin in the bin table."
    return "is that a failure?", "Write PASS, or a failure code in letters that look like no others; or set it as a failure code in the bin table."


def _plain(code: str) -> str:
    """NOT_TESTED is not tested, N/T is n t."""
    return " ".join(re.split(r"[\W_]+", code.lower())).strip()


def refuse_other_counts(layout: Layout, units: int, failing: int) -> None:
    """Against what is said above the header."""
    counted = {"units": units, "passing": units - failing, "failing": failing}
    for kind, number, line in layout.declared:
        if number != counted[kind]:
            why = f"It says {number} {kind if kind == 'units' else f'{kind} units'}, and there are {counted[kind]}."
            raise bad_input(REFUSED, f"line {line}", why, "Have the file sent again, or correct this line.")


def _bad_line(layout: Layout, line: int, kind: str, inner: str | None, text: str | None) -> Reason:
    fields = (text or "").strip("\r\n").split(layout.delimiter)
    if kind == "INVALID ENCODING":
        return _reason(line, "", "It is not UTF-8.", "Save the file as UTF-8.")
    if kind == "LINE SIZE OVER MAXIMUM":
        return _reason(line, "", "It is longer than any line of results.", "Write one unit per line.")
    if kind == "CAST" and inner and len(fields) == len(layout.columns):
        place = int(inner.removeprefix("c"))
        expected = "a number with a decimal comma" if layout.decimal == "," else "a number"
        return _reason(line, layout.columns[place].title, f"{fields[place][:40]!r} is not {expected}.", "Correct it, or leave it empty.")
    return _reason(line, "", f"It has {len(fields)} fields; the header has {len(layout.columns)}.", "Write one field for each column.")


def _senseless_line(layout: Layout, line: int, no_unit: object, no_result: object, *values: object) -> Reason:
    if no_unit:
        expected = "Number the unit with a whole number." if layout.units_are_numbers else "Name the unit."
        return _reason(line, layout.of(UNIT).title, "The unit is missing, or is not a whole number.", expected)
    if no_result:
        return _reason(line, layout.of(RESULT).title, "It is empty.", "Write PASS, or the failure code.")
    column, value = next((c, v) for c, v in zip(layout.measured, values, strict=True) if isinstance(v, float) and not abs(v) < FARTHEST)
    return _reason(line, column.title, f"{value:g} is not a measured number.", "Leave it empty where nothing was measured.")


def _reason(line: int, column: str, why: str, now: str) -> Reason:
    return Reason("bad_input", why, now, f"line {line}, column {column}" if column else f"line {line}")


def _refusal(reasons: Sequence[Reason], count: int, or_more: bool = False) -> BadInput:
    lines = f"{count} or more lines are" if or_more else "One line is" if count == 1 else f"{count} lines are"
    return BadInput(f"{REFUSED} {lines} at fault.", *reasons)
