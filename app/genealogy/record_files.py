"""The original files behind a record: logs, logger files, results, die maps, each with what it tells of. As they came."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import CompoundSelect, Select, and_, literal, select, union
from sqlalchemy.orm import Session

from app.db import House
from app.evidence.keep import path_of
from app.evidence.models import Evidence
from app.final_test.models import UnitFile, UnitFileCorrection
from app.ledger.cells import CellMark, LostDie, Placement, PlacementSum
from app.ledger.judgements import Judgement
from app.ledger.runs import Line, Run
from app.listed import among
from app.naming.resolve import codes_of_items
from app.ovens.models import CureTrace
from app.receiving.models import OriginLink, WaferMap


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


def files_of(
    session: Session, house: House, runs: Mapping[int, str], lines: Sequence[Line], wafers: Iterable[int], batches: Iterable[int]
) -> tuple[RecordFile, ...]:
    """One statement for what the files tell of, one for the files."""
    items = [*wafers, *batches]
    codes = {("run", run): code for run, code in runs.items()}
    codes |= {("item", item): code for item, code in codes_of_items(session, items).items()}
    of: defaultdict[int, list[str]] = defaultdict(list)
    for number, kind, thing in files_told(session, list(runs), [line.id for line in lines], items):
        of[number].append(codes[kind, thing])
    found = session.scalars(select(Evidence).where(among(Evidence.id, of)).order_by(Evidence.kind, Evidence.id))
    return tuple(
        RecordFile(
            one.id, one.name, one.kind.replace("_", " "), one.size_bytes, one.digest, tuple(sorted(of[one.id])), path_of(house, one.digest).is_file()
        )
        for one in found
    )


def files_told(session: Session, runs: Sequence[int], lines: Sequence[int], items: Sequence[int]) -> list[tuple[int, str, int]]:
    """(evidence, kind of thing, thing): every file that tells of these runs, lines, wafers or batches. One statement."""
    tables: tuple[Any, ...] = (Placement, LostDie, PlacementSum, UnitFile, CellMark)
    of_runs = [_of_run(table).where(among(table.run, runs), table.evidence.is_not(None)) for table in tables]
    judged = select(Judgement.evidence, literal("run"), Line.run).join(Line, Line.id == Judgement.line)
    covers = and_(CureTrace.station == Run.station, CureTrace.last_at >= Run.started_at, CureTrace.first_at <= Run.ended_at)
    cured = select(CureTrace.evidence, literal("run"), Run.id).join(Run, covers).where(among(Run.id, runs), Run.operation == "cure")
    mapped = select(WaferMap.evidence, literal("item"), WaferMap.wafer).where(among(WaferMap.wafer, items))
    told = select(OriginLink.evidence, literal("item"), OriginLink.item).where(among(OriginLink.item, items))
    every: CompoundSelect[Any] = union(*of_runs, judged.where(among(Judgement.line, lines), Judgement.evidence.is_not(None)), cured, mapped, told)
    return [(number, kind, thing) for number, kind, thing in session.execute(every)]


def _of_run(table: Any) -> Select[Any]:
    return select(table.evidence, literal("run"), table.run)


def results_in_force(session: Session, runs: Iterable[int]) -> dict[int, UnitFile]:
    """Test run -> its unit results, as corrected."""
    wrong = select(UnitFileCorrection.file)
    query = select(UnitFile).where(among(UnitFile.run, runs), UnitFile.id.not_in(wrong)).order_by(UnitFile.id)
    return {file.run: file for file in session.scalars(query)}
