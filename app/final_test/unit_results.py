"""A tester's file of unit results becomes Parquet, binned on the way: no row passes through Python, and memory stays bounded.

CSV with a header found by names, in any order: the unit, `result` (pass, or a failure code), what the bin table asks for, the
tester's own bin if it gives one, anything else. Comma, semicolon, tab or |; a decimal comma where it can mean nothing else or is stated. A file
with a line that cannot be understood is refused as a whole, with the lines named; the Parquet file appears complete or not at all.
"""

import hashlib
import os
import tempfile
from collections.abc import Collection
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

from app.catalogue.definitions import BinTableBody
from app.errors import bad_input
from app.final_test.bins import FAILURE, binned_sql, name_sql, needed_columns, text_sql
from app.final_test.columnar import columnar
from app.final_test.plain_copy import plain_copy
from app.final_test.result_columns import BIN, REFUSED, RESULT, TESTER_BIN, UNIT, Column, Decimal, find_layout
from app.final_test.result_faults import (
    KNOWN,
    NAMED,
    Reading,
    no_number,
    refuse_bad_lines,
    refuse_cut_line,
    refuse_lost_lines,
    refuse_odd_results,
    refuse_other_counts,
    refuse_points_of_thousands,
    refuse_repeated_units,
    refuse_senseless_lines,
    refuse_summary_lines,
    refuse_underscored_numbers,
    refuse_units_that_look_alike,
)  # fmt: skip
from app.final_test.result_units import refuse_other_units
from app.final_test.survey import Survey, survey_of

_NO_BIN = ""  # of a line that makes no sense; a file with such a line is refused, so that no result keeps it


@dataclass(frozen=True)
class OtherBin:
    """A unit that the tester put into another bin than the table does."""

    line: int
    unit: str
    tester: str
    table: str


@dataclass(frozen=True)
class UnitResults:
    """What a file said. Digests are SHA-256 as hex: of the Parquet file that was written, and of the file as it came."""

    rows: int
    digest: str
    source_digest: str
    size_bytes: int  # of the Parquet file
    counts_by_bin: dict[tuple[str, str], int]  # (bin, grade) -> units
    counts_by_failure: dict[str, int]  # failure code -> units, the commonest first
    tester_bin_differs: int
    first_other_bins: tuple[OtherBin, ...]


def read_unit_results(
    source: Path, table: BinTableBody, parquet: Path, *, decimal: Decimal | None = None, survey: Survey | None = None, memory_limit: str = "512MB",
    taken: Collection[str] | None = None,
) -> UnitResults:  # fmt: skip
    """Reads `source`, bins it by `table` and writes `parquet`.

    `decimal`: the decimal sign that was stated. `survey`: of the whole file, by who has seen it pass. `taken`: of a file
    that was read before and taken as it is: the codes that were taken for failures, though they might be none.
    """
    survey = survey or survey_of(source)
    survey.refuse_mixed_ends()
    source_digest = survey.digest
    parquet.parent.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory(dir=parquet.parent) as folder,
        columnar(source, memory_limit=memory_limit, folder=folder) as connection,
        ThreadPoolExecutor(1) as beside,
    ):
        if (plain := plain_copy(source, survey, Path(folder) / "plain.csv")) != source:
            source, survey = plain, survey_of(plain)
        layout = find_layout(source, table, decimal)
        if taken is None:
            refuse_other_units(_lines_before(source, layout.header_line), table)
        reading = _copy(Reading(connection, source, layout, Path(folder) / "results.parquet"), table)
        written = beside.submit(_flush, reading.parquet)
        refuse_cut_line(reading, survey.lines)
        refuse_underscored_numbers(reading, survey.underscores)
        rows = reading.rows("SELECT count(*) FROM FILE")[0][0]
        refuse_lost_lines(reading, survey.lines, rows)
        if decimal is None and taken is None:
            refuse_points_of_thousands(reading)
        results = _sum_up(reading, table, rows, source_digest, written, taken or ())
        if taken is None:
            refuse_units_that_look_alike(reading, rows)
        os.replace(reading.parquet, parquet)
    return results


def _lines_before(source: Path, header_line: int) -> list[str]:
    with source.open(encoding="utf-8", errors="replace") as file:
        return [line.rstrip() for line in islice(file, header_line - 1)]


def _flush(parquet: Path) -> tuple[str, int]:
    """Digest and size of what was written, once the disk has it."""
    with parquet.open("rb") as written:
        digest = hashlib.file_digest(written, "sha256").hexdigest()
        os.fsync(written.fileno())
        return digest, written.tell()


def _copy(reading: Reading, table: BinTableBody) -> Reading:
    """Writes the Parquet file in one statement. Where a unit further down is no number, once more with units as text."""
    import duckdb

    try:
        reading.connection.execute(_copy_sql(reading, table))
    except duckdb.InvalidInputException as error:
        why = str(error).split("\n")[0].removeprefix("Invalid Input Error: ")
        raise bad_input(REFUSED, "the whole file", why, "Save it as plain CSV, one unit per line.") from None
    if reading.layout.units_are_numbers and _has_other_units(reading):
        for name in ("reject_errors", "reject_scans"):
            reading.connection.execute(f"DROP TABLE {name}")
        return _copy(replace(reading, layout=reading.layout.with_units_as_text()), table)
    refuse_bad_lines(reading)
    return reading


def _has_other_units(reading: Reading) -> bool:
    query = "SELECT count(*) FROM reject_errors WHERE error_type = 'CAST' AND column_name = ?"
    found = reading.connection.execute(query, [reading.layout.of(UNIT).inner]).fetchone()
    return bool(found and found[0])


def _copy_sql(reading: Reading, table: BinTableBody) -> str:
    layout = reading.layout
    types = ", ".join(f"'{column.inner}': '{column.type}'" for column in layout.columns)
    reader = (
        f"read_csv({text_sql(str(reading.source))}, header=false, skip={layout.header_line}, columns={{{types}}}, auto_detect=false,"
        f" delim={text_sql(layout.delimiter)}, decimal_separator='{layout.decimal}', quote='', escape='',"
        f" store_rejects=true, rejects_limit={KNOWN})"
    )
    kept = ", ".join(f"{column.value} AS {name_sql(column.name)}" for column in layout.columns if column.name != RESULT)
    with_failure = f"(SELECT *, {_failure_sql(layout.of(RESULT))} AS {FAILURE} FROM {reader})"
    needed = needed_columns(table)
    odd = [f"{FAILURE} = ''", *(no_number(column.inner) for column in layout.measured if column.name in needed)]
    inner = {column.name: column.inner for column in layout.columns} | {FAILURE: FAILURE}
    binned = binned_sql(table, with_failure, inner, (" OR ".join(odd), _NO_BIN))
    others = [f"{UNIT} IS NULL", *(no_number(name_sql(column.name)) for column in layout.measured if column.name not in needed)]
    told = f"* REPLACE (CASE WHEN {' OR '.join(others)} THEN {text_sql(_NO_BIN)} ELSE {BIN} END AS {BIN})"
    rows = f"SELECT {told} FROM (SELECT {kept}, {FAILURE}, {BIN} FROM ({binned}))"
    return f"COPY ({rows}) TO {text_sql(str(reading.parquet))} (FORMAT parquet, COMPRESSION zstd)"


def _failure_sql(result: Column) -> str:
    """NULL for a unit that passed, else its failure code; empty where the line does not say. The commonest word is asked first."""
    blank = "NULL" if result.title_says_failure else "''"
    tidy = f"trim({result.inner}, ' \"')"
    return (
        f"CASE WHEN {result.inner} = 'PASS' THEN NULL WHEN coalesce({tidy}, '') = '' THEN {blank}"
        f" WHEN upper({tidy}) IN ('PASS', 'PASSED', 'P', 'OK', 'GOOD') THEN NULL ELSE {tidy} END"
    )


def _sum_up(
    reading: Reading, table: BinTableBody, rows: int, source_digest: str, written: "Future[tuple[str, int]]", taken: Collection[str]
) -> UnitResults:
    """Counts from the written file, after the checks that need whole columns."""
    differs = f"{TESTER_BIN} <> {BIN}" if reading.layout.has(TESTER_BIN) else "false"
    counts = reading.rows(f"SELECT {BIN}, {FAILURE}, count(*), count(*) FILTER ({differs}) FROM FILE GROUP BY ALL")
    refuse_senseless_lines(reading, sum(row[2] for row in counts if row[0] == _NO_BIN))
    refuse_summary_lines(reading)
    refuse_repeated_units(reading, rows)
    by_bin: dict[str, int] = {}
    by_failure: dict[str, int] = {}
    for name, failure, units, _ in counts:
        by_bin[name] = by_bin.get(name, 0) + units
        if failure is not None:
            by_failure[failure] = by_failure.get(failure, 0) + units
    known, good_bins = {*taken, *(code for one in table.bins for code in one.fail_codes)}, {one.name for one in table.bins if one.grade != "reject"}
    refuse_odd_results(reading, by_failure, known, good_bins)
    refuse_other_counts(reading.layout, rows, sum(by_failure.values()))
    others = sum(row[3] for row in counts)
    digest, size = written.result()
    return UnitResults(
        rows=rows,
        digest=digest,
        source_digest=source_digest,
        size_bytes=size,
        counts_by_bin={(one.name, one.grade): by_bin[one.name] for one in table.bins if one.name in by_bin},
        counts_by_failure=dict(sorted(by_failure.items(), key=lambda item: (-item[1], item[0]))),
        tester_bin_differs=others,
        first_other_bins=_first_other_bins(reading, differs) if others else (),
    )


def _first_other_bins(reading: Reading, differs: str) -> tuple[OtherBin, ...]:
    found = reading.rows(
        f"SELECT file_row_number, {UNIT}::VARCHAR, {TESTER_BIN}, {BIN} FROM FILE WHERE {differs} ORDER BY 1 LIMIT {NAMED}"
    )
    lines = reading.lines_of([row[0] for row in found])
    return tuple(OtherBin(lines[row], unit, tester, ours) for row, unit, tester, ours in found)
