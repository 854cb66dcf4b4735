"""The original files behind a record: logs, logger files, results, die maps, each with what it tells of. As they came."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.evidence.keep import is_kept
from app.final_test.models import UnitFile, UnitFileCorrection
from app.ledger.ran import Ran
from app.listed import among, gathered, listed, tuples
from app.naming.resolve import codes_of_items
from app.ovens.traces import Spell


@dataclass(frozen=True)
class RecordFile:
    """`of`: the runs, wafers and batches that it tells of. `is_kept`: its bytes are in the data folder."""

    number: int
    name: str
    kind: str
    size_bytes: int
    digest: str
    of: tuple[str, ...]
    is_kept: bool


class FileRow(NamedTuple):
    """A row of `evidence`."""

    id: int
    name: str
    kind: str
    size_bytes: int
    digest: str


@dataclass(frozen=True)
class FilesTold:
    """Files, and by file what each tells of: (kind, thing)."""

    files: tuple[FileRow, ...]
    of: Mapping[int, Sequence[tuple[str, int]]]


def files_of(session: Session, house: House, told: FilesTold, runs: Mapping[int, str]) -> tuple[RecordFile, ...]:
    """By kind, each with the codes of what it tells of."""
    codes = codes_of_items(session, list({thing for things in told.of.values() for kind, thing in things if kind == "item"}))
    return tuple(
        RecordFile(
            one.id, one.name, one.kind.replace("_", " "), one.size_bytes, one.digest,
            tuple(sorted(runs[thing] if kind == "run" else codes[thing] for kind, thing in told.of[one.id])), is_kept(house, one.digest),
        )
        for one in told.files
    )  # fmt: skip


def files_told(
    session: Session, runs: Iterable[int], lines: Iterable[int], items: Iterable[int], cured: Iterable[tuple[int, int]]
) -> FilesTold:
    """Every file that tells of these runs, lines, wafers or batches: one statement for what they tell of, one for the files.

    `cured`: the logger files of the cures among the runs, (evidence, run), as `logger_files` tells them.
    """
    told = set(gathered(session, _TOLD, runs=set(runs), lines=lines, items=items))
    told |= {(number, "run", run) for number, run in cured}
    of: defaultdict[int, list[tuple[str, int]]] = defaultdict(list)
    for number, kind, thing in told:
        of[number].append((kind, thing))
    return FilesTold(tuple(FileRow(*row) for row in tuples(session, _FILES, files=of)), of)


def logger_files(spells: Mapping[int, Spell], evidence: Mapping[Spell, Iterable[int]]) -> set[tuple[int, int]]:
    """(evidence, run): `spells` of cures by run, and what was told of them."""
    return {(file, run) for run, spell in spells.items() for file in evidence.get(spell, ())}


def cure_spells(lines: Iterable[Ran]) -> dict[int, Spell]:
    """By run: the cures that ended."""
    cures = {run.id: run for _, run in lines if run.operation == "cure"}
    return {run.id: Spell(run.station, run.started_at, run.ended_at) for run in cures.values() if run.ended_at is not None}


def results_in_force(session: Session, runs: Iterable[int]) -> dict[int, UnitFile]:
    """Test run -> its unit results, as corrected."""
    return {file.run: file for file in session.scalars(_IN_FORCE, {"runs": list(runs)})}


_WRONG = select(UnitFileCorrection.file).where(UnitFileCorrection.file == UnitFile.id)
_IN_FORCE = select(UnitFile).where(among(UnitFile.run, "runs"), ~_WRONG.exists()).order_by(UnitFile.id)
_OF_RUNS = ("placement", "lost_die", "placement_sum", "unit_file", "cell_mark")
_TOLD = listed(
    " union ".join(f"select distinct evidence, 'run' as kind, run as thing from {table} where run in :runs and evidence > 0" for table in _OF_RUNS)
    + """
    union select j.evidence, 'run', l.run from judgement j join line l on l.id = j.line where j.line in :lines and j.evidence is not null
    union select evidence, 'item', wafer from wafer_map where wafer in :items
    union select evidence, 'item', item from origin_link where item in :items
    """,
    "runs", "lines", "items",
)  # fmt: skip
_FILES = listed("select id, name, kind, size_bytes, digest from evidence where id in :files order by kind, id", "files")
