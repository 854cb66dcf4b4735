"""Take in a tester's unit results: the file is kept, binned into Parquet, and ends its test run with one loose lot per bin."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.definitions import BinTableBody
from app.catalogue.queries import Defined
from app.db import House
from app.errors import refuse
from app.evidence.keep import Kept, flush, flush_beside, half_kept, keep_half, record_evidence
from app.final_test.bins_out import take_bins_out
from app.final_test.models import UnitFile
from app.final_test.result_columns import Decimal
from app.final_test.survey import Survey
from app.final_test.unit_results import UnitResults, read_unit_results
from app.floor.ends import Value
from app.journal.act import By
from app.ledger.items import Lot
from app.ledger.runs import Run
from app.naming.resolve import code_of


@dataclass(frozen=True)
class ResultsFile:
    """A file that was kept and binned by one revision of a bin table."""

    kept: Kept
    results: UnitResults
    table: Defined[BinTableBody]
    decimal: Decimal | None = None  # as stated


def read_results(house: House, name: str, source: BinaryIO, table: Defined[BinTableBody], decimal: Decimal | None = None) -> ResultsFile:
    """Keeps and bins a file, outside any transaction: millions of lines stop no terminal. What is binned is what is kept: it has its name last.

    `decimal`: the decimal sign, where the file leaves it open.
    """
    folder = house.data_dir / "unit_results"
    folder.mkdir(parents=True, exist_ok=True)
    survey = Survey()
    with half_kept(house, source, survey.see, name) as half:
        flush_beside(half)  # ahead of the one that is waited for: the disk has all the time that reading takes
        written = folder / f"reading-{half.name}.parquet"
        results = read_unit_results(half, table.body, written, decimal=decimal, survey=survey)
        kept = keep_half(house, name, half, results.source_digest)
    os.replace(written, parquet_path(house, results.digest))
    flush(folder)
    return ResultsFile(kept, results, table, decimal)


def import_unit_results(
    session: Session, by: By, run: Run, file: ResultsFile, values: Sequence[Value] = (), *, person: int | None = None
) -> dict[str, Lot]:
    """Ends the test run with the counts of the file. What the file does not name stays in the lot, for the next run."""
    if session.scalar(select(UnitFile.id).where(UnitFile.run == run.id)) is not None:
        raise refuse("finished", f"Run {code_of(session, 'run', run.id)} has its results.", "A file ended it before.", "Test again as a new run.")
    lots = take_bins_out(session, by, run, file.results.counts_by_bin, values, person=person)
    record_results(session, by, run, file)
    return lots


def record_results(session: Session, by: By, run: Run, file: ResultsFile) -> UnitFile:
    """The file as it came is evidence, its units are kept by digest already; the row has counts by bin and by failure, in units."""
    evidence, results = record_evidence(session, by, file.kept, "unit_results", {"decimal": file.decimal} if file.decimal else None), file.results
    row = UnitFile(
        e=by.e, run=run.id, evidence=evidence.id, bin_table=file.table.definition, parquet=results.digest, rows=results.rows,
        by_bin={name: units for (name, _), units in sorted(results.counts_by_bin.items())},
        by_failure=dict(sorted(results.counts_by_failure.items())), tester_bin_differs=results.tester_bin_differs,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def parquet_path(house: House, digest: str) -> Path:
    return house.data_dir / "unit_results" / f"{digest}.parquet"
