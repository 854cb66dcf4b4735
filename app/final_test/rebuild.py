"""Make the Parquet of unit results anew from the testers' files that were kept: older versions left it out of their backups.

Binned by the very revision that binned it, with the decimal sign as stated then, and put in its place only where every byte is as recorded.
"""

import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select

from app.catalogue import queries as catalogue
from app.catalogue.definitions import BinTableBody
from app.db import House
from app.errors import Refused
from app.evidence.keep import flush, path_of
from app.evidence.models import Evidence
from app.final_test.models import UnitFile
from app.final_test.results_in import parquet_path
from app.final_test.survey import survey_of
from app.final_test.unit_results import UnitResults, read_unit_results
from app.naming.resolve import code_of

REMEDY = "`reelroot rebuild-results` makes it anew from the file as it came"


@dataclass(frozen=True)
class Rebuilt:
    """Unit results that were not there as written. `why_not`: they still are not; empty: they are."""

    run: str
    name: str  # of the tester's file
    rows: int
    why_not: str


@dataclass(frozen=True)
class _Recorded:
    run: str
    name: str
    source: Path
    source_digest: str
    table: BinTableBody
    stated: dict[str, Any]
    digest: str
    counts: tuple[int, dict[str, int], dict[str, int], int]


def rebuild_results(house: House) -> Iterator[Rebuilt]:
    """Every file that is missing or not as it was written, of corrected results too."""
    with house.reading() as session:
        files = session.scalars(select(UnitFile.id).order_by(UnitFile.id)).all()
    for id in files:
        recorded = _recorded(house, id)
        path = parquet_path(house, recorded.digest)
        if not is_as_written(path, recorded.digest):
            yield Rebuilt(recorded.run, recorded.name, recorded.counts[0], _rebuild(recorded, path))


def is_as_written(path: Path, digest: str) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == digest


def _recorded(house: House, id: int) -> _Recorded:
    with house.reading() as session:
        file = session.get_one(UnitFile, id)
        evidence = session.get_one(Evidence, file.evidence)
        return _Recorded(
            code_of(session, "run", file.run), evidence.name, path_of(house, evidence.digest), evidence.digest,
            catalogue.definition(session, file.bin_table).body, json.loads(evidence.stated), file.parquet,
            (file.rows, dict(file.by_bin), dict(file.by_failure), file.tester_bin_differs),
        )  # fmt: skip


def _rebuild(recorded: _Recorded, path: Path) -> str:
    """Empty once it is in its place; else why it is not."""
    if not recorded.source.is_file():
        return "The tester's file is missing as well."
    written = path.with_name(f"rebuilding-{recorded.digest}.parquet")
    try:
        survey = survey_of(recorded.source)
        if survey.digest != recorded.source_digest:
            return "The tester's file is not as it came."
        decimal, taken = recorded.stated.get("decimal"), recorded.counts[2]
        results = read_unit_results(recorded.source, recorded.table, written, decimal=decimal, survey=survey, taken=taken)
        if why_not := _differs(recorded, results):
            return why_not
        os.replace(written, path)
        flush(path.parent)
    except Refused as refused:
        return str(refused)
    finally:
        written.unlink(missing_ok=True)
    return ""


def _differs(recorded: _Recorded, results: UnitResults) -> str:
    by_bin = {name: units for (name, _), units in results.counts_by_bin.items()}
    if (results.rows, by_bin, results.counts_by_failure, results.tester_bin_differs) != recorded.counts:
        return "Read now, it gives other counts than are recorded: another version read it. Rebuild with that one."
    if results.digest != recorded.digest:
        return "The counts are as recorded, the bytes are not: another version wrote them. Rebuild with that one."
    return ""
