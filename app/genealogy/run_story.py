"""One run, whole: who, where, when and by whose word; its lines with what they worked on and used; readings, judgements, marks, files.

As many statements for a run of one line as for one of a hundred.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select, true, union
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route
from app.evidence.models import Evidence
from app.final_test.models import UnitFile, UnitFileCorrection
from app.final_test.result_corrections import file_in_force
from app.genealogy.doings import Signed
from app.genealogy.record_files import FileRow
from app.genealogy.run_rows import words_of
from app.journal.models import Entry
from app.ledger.cells import CellMark, LostDie, Placement, PlacementSum
from app.ledger.corrections import not_void
from app.ledger.judgements import VERDICTS, AtRisk, Disposition, Judgement
from app.ledger.places import Load
from app.ledger.runs import Line, Reading, Run, RunVoid, Use
from app.ledger.stops import Hold
from app.ledger.travels import covers_of_lines
from app.naming.models import Code
from app.naming.resolve import Named, code_of, codes_of
from app.people.models import Person

SOURCES = {"server": "this server's clock", "person": "a person's word", "machine": "the machine's word", "file": "a file's word"}
_ITEMS = ("wafer", "batch", "panel", "lot", "sample", "pack")


@dataclass(frozen=True)
class Told:
    """A moment, whose word it is, who did it, and who entered it when."""

    at: datetime
    source: str
    person: str
    entered_by: str
    entered_at: datetime


@dataclass(frozen=True)
class RunReading:
    id: int
    name: str
    value: float
    unit: str
    low: float | None
    high: float | None
    within: bool
    line: int | None  # the line's number in the run; none: of the run
    is_replaced: bool


@dataclass(frozen=True)
class RunJudgement:
    verdict: str
    reasons: tuple[str, ...]
    in_force: bool
    decided: tuple[Signed, ...]  # all that was signed of it, in order: the last one decides
    by: str
    at: datetime


@dataclass(frozen=True)
class RunLine:
    """`panels`: (code, extent). `item`: the loose lot, sample or pack that it worked on instead."""

    id: int
    number: int
    step: str
    round: int
    shelf: str | None
    lot: str | None
    item: str | None
    panels: tuple[tuple[str, str], ...]
    units: int | None
    materials: tuple[tuple[str, str, bool], ...]  # (code, place, in force: not so where its mount was corrected)
    started_at: datetime
    ended_at: datetime | None
    judged: str | None
    judgements: tuple[RunJudgement, ...]
    at_risk: tuple[str, ...]  # reasons that were signed

    @property
    def is_undecided(self) -> bool:
        """It has ended, and neither a judgement that conforms nor a disposition closes it."""
        latest = self.judgements[0] if self.judgements else None
        is_closed = latest is not None and bool(latest.verdict == VERDICTS["conforms"] or latest.decided)
        return self.judged is not None and self.ended_at is not None and not is_closed


@dataclass(frozen=True)
class RunMark:
    reason: str
    panels: int
    cells: int
    taken_back: int


@dataclass(frozen=True)
class RunStory:
    run: str
    id: int
    operation: str
    station: str
    station_code: str
    recipe: str | None
    load: str | None
    outcome: str | None
    start: Told
    end: Told | None
    void: tuple[str, str, datetime] | None  # (reason, by, when)
    lines: tuple[RunLine, ...]
    readings: tuple[RunReading, ...]
    marks: tuple[RunMark, ...]
    placed: int
    wrong: int
    lost: int
    files: tuple[FileRow, ...]
    results: UnitFile | None  # of a test run, as corrected
    corrected: tuple[str, ...]  # why earlier results were replaced, and by whom
    holds: tuple[tuple[str, str], ...]  # in force on it, or on what ran at its station then: code, reason


def run_story(session: Session, named: Named) -> RunStory:
    run = session.get_one(Run, named.id)
    lines = list(session.scalars(select(Line).where(Line.run == run.id).order_by(Line.id)))
    station = catalogue.with_id(session, run.station)
    void = session.get(RunVoid, run.id)
    entries = _entries(session, [e for e in (run.e, run.closed_e, void.e if void else None) if e])
    people = _people(session, [one for one in (run.person, run.ended_by) if one])
    load = session.scalar(select(Load.id).where(Load.run == run.id))
    sums = session.execute(
        select(PlacementSum.placed, PlacementSum.wrong, PlacementSum.lost).where(PlacementSum.run == run.id, PlacementSum.closed_e.is_(None))
    ).all()
    return RunStory(
        named.code, run.id, run.operation, station.name, code_of(session, "station", run.station),
        catalogue.definition(session, run.recipe).name if run.recipe else None, code_of(session, "load", load) if load else None, run.outcome,
        _told(entries[run.e], run.started_at, run.source, people.get(run.person or 0, "")),
        _told(entries[run.closed_e], run.ended_at, run.ended_source or "", people.get(run.ended_by or 0, ""))
        if run.closed_e and run.ended_at else None,
        (void.reason, entries[void.e].actor_name, entries[void.e].happened_at) if void else None,
        _lines(session, lines), _readings(session, run.id, lines), _marks(session, run.id),
        sum(one[0] for one in sums), sum(one[1] for one in sums), sum(one[2] for one in sums), _files(session, run.id, lines),
        file_in_force(session, run.id), _corrected(session, run.id),
        _holds(session, run, lines),
    )  # fmt: skip


def _holds(session: Session, run: Run, lines: list[Line]) -> tuple[tuple[str, str], ...]:
    on_it = (Hold.kind == "run") & (Hold.subject == run.id) | (Hold.kind == "line") & Hold.subject.in_([line.id for line in lines])
    begun = Hold.span_to.is_(None) | (Hold.span_to >= run.started_at)
    not_over = Hold.span_from.is_(None) | (Hold.span_from <= run.ended_at) if run.ended_at else true()
    then = (Hold.kind == "span") & (Hold.subject == run.station) & begun & not_over
    found = list(session.scalars(select(Hold).where(Hold.closed_e.is_(None), on_it | then).order_by(Hold.id)))
    codes = codes_of(session, "hold", [one.id for one in found])
    return tuple((codes[one.id], one.reason) for one in found)


def _entries(session: Session, ids: Iterable[int]) -> dict[int, Entry]:
    return {entry.id: entry for entry in session.scalars(select(Entry).where(Entry.id.in_(list(ids))))}


def _people(session: Session, ids: list[int]) -> dict[int, str]:
    return {person: name for person, name in session.execute(select(Person.id, Person.name).where(Person.id.in_(ids)))}


def _told(entry: Entry, at: datetime, source: str, person: str) -> Told:
    return Told(at, SOURCES.get(source, source), person, entry.actor_name, entry.recorded_at)


def _lines(session: Session, lines: list[Line]) -> tuple[RunLine, ...]:
    ids = [line.id for line in lines]
    covers = covers_of_lines(session, ids)
    used: defaultdict[int, list[tuple[int, str, bool]]] = defaultdict(list)
    uses = select(Use.line, Use.item, Use.place, not_void()).where(Use.line.in_(ids)).order_by(Use.line, Use.item)
    for line, item, place, in_force in session.execute(uses):
        used[line].append((item, place or "", bool(in_force)))
    wanted = {panel for on in covers.values() for panel in on} | {item for many in used.values() for item, _, _ in many}
    wanted |= {item for line in lines for item in (line.item, line.lot) if item}
    codes = _item_codes(session, wanted)
    steps = _step_names(session, lines)
    judged, risks = _judgements(session, ids), _risks(session, ids)
    return tuple(
        RunLine(
            line.id, number, steps.get((line.route, line.step), line.step or ""), line.round, line.shelf,
            codes.get(line.lot or 0), codes.get(line.item or 0),
            tuple(sorted((codes[panel], extent) for panel, (extent, _) in covers.get(line.id, {}).items())), line.units,
            tuple((codes[item], place, in_force) for item, place, in_force in used[line.id]), line.started_at, line.ended_at, line.judged,
            tuple(judged[line.id]), tuple(risks[line.id]),
        )
        for number, line in enumerate(lines, start=1)
    )  # fmt: skip


def _item_codes(session: Session, items: set[int]) -> dict[int, str]:
    query = select(Code.thing, Code.code).where(Code.kind.in_(_ITEMS), Code.thing.in_(items or {0}))
    return {thing: code for thing, code in session.execute(query)}


def _step_names(session: Session, lines: list[Line]) -> dict[tuple[int | None, str | None], str]:
    routes = catalogue.with_ids(session, list({line.route for line in lines if line.route}))
    found: dict[tuple[int | None, str | None], str] = {}
    for route, defined in routes.items():
        body: Route = defined.body
        found |= {(route, step.key): step.name for step in body.steps}
    return found


def _judgements(session: Session, lines: list[int]) -> defaultdict[int, list[RunJudgement]]:
    """All of them, the newest first: what replaced what stays readable."""
    rows = session.execute(
        select(Judgement, Entry.actor_name, Entry.happened_at).join(Entry, Entry.id == Judgement.e)
        .where(Judgement.line.in_(lines)).order_by(Judgement.id.desc())
    ).all()  # fmt: skip
    decisions = select(Disposition, Entry.actor_name, Entry.happened_at).join(Entry, Entry.id == Disposition.e).order_by(Disposition.id)
    signed: defaultdict[int | None, list[Signed]] = defaultdict(list)
    for one, who, at in session.execute(decisions.where(Disposition.judgement.in_([row[0].id for row in rows]))):
        signed[one.judgement].append(Signed(who, at, f"{one.what}: {one.words}"))
    replaced = {row[0].replaces for row in rows}
    found: defaultdict[int, list[RunJudgement]] = defaultdict(list)
    for judgement, who, at in rows:
        reasons = tuple(words_of(reason) for reason in judgement.reasons)
        found[judgement.line].append(
            RunJudgement(VERDICTS[judgement.verdict], reasons, judgement.id not in replaced, tuple(signed[judgement.id]), who, at)
        )
    return found


def _risks(session: Session, lines: list[int]) -> defaultdict[int, list[str]]:
    found: defaultdict[int, list[str]] = defaultdict(list)
    query = select(AtRisk.line, AtRisk.reason, Entry.actor_name).join(Entry, Entry.id == AtRisk.e).where(AtRisk.line.in_(lines)).order_by(AtRisk.id)
    for line, reason, who in session.execute(query):
        found[line].append(f"{who}: {reason}")
    return found


def _readings(session: Session, run: int, lines: list[Line]) -> tuple[RunReading, ...]:
    numbers = {line.id: number for number, line in enumerate(lines, start=1)}
    return tuple(
        RunReading(r.id, r.name, r.value, r.unit, r.low, r.high, r.within, numbers.get(r.line or 0), r.closed_e is not None)
        for r in session.scalars(select(Reading).where(Reading.run == run).order_by(Reading.id))
    )


def _marks(session: Session, run: int) -> tuple[RunMark, ...]:
    by_reason: defaultdict[str, list[tuple[int, int, bool]]] = defaultdict(list)
    query = select(CellMark.reason, CellMark.panel, CellMark.n, CellMark.closed_e).where(CellMark.run == run)
    for reason, panel, n, closed_e in session.execute(query):
        by_reason[reason].append((panel, n, closed_e is not None))
    return tuple(
        RunMark(reason, len({panel for panel, _, _ in rows}), sum(n for _, n, gone in rows if not gone), sum(n for _, n, gone in rows if gone))
        for reason, rows in sorted(by_reason.items())
    )


def _corrected(session: Session, run: int) -> tuple[str, ...]:
    query = (
        select(UnitFileCorrection.reason, Entry.actor_name)
        .join(UnitFile, UnitFile.id == UnitFileCorrection.file).join(Entry, Entry.id == UnitFileCorrection.e)
        .where(UnitFile.run == run).order_by(UnitFileCorrection.e)
    )  # fmt: skip
    return tuple(f"{who}: {reason}" for reason, who in session.execute(query))


def _files(session: Session, run: int, lines: list[Line]) -> tuple[FileRow, ...]:
    """Every original file that says something about the run."""
    named = [select(table.evidence).where(table.run == run) for table in (Placement, LostDie, PlacementSum, UnitFile)]
    named.append(select(CellMark.evidence).where(CellMark.run == run, CellMark.evidence.is_not(None)))  # type: ignore[arg-type]
    named.append(select(Judgement.evidence).where(Judgement.line.in_([line.id for line in lines]), Judgement.evidence.is_not(None)))  # type: ignore[arg-type]
    query = select(Evidence).where(Evidence.id.in_(union(*named))).order_by(Evidence.id)
    return tuple(FileRow(one.id, one.name, one.kind.replace("_", " "), one.size_bytes, one.digest) for one in session.scalars(query))
