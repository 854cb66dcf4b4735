"""Evidence that should stand behind a thing and does not: which record, of which run, lot or wafer, and why it is asked for.

Asked for is what the step of the route says (a judged cure its logger file, a die attach its placement log, readings, a count, material),
what a test gives (unit results), what a wafer comes with (its die map), and who did the work. Nothing is guessed from other records.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import and_, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Step
from app.db import House
from app.evidence.keep import path_of
from app.evidence.models import Evidence
from app.final_test.models import UnitFile
from app.genealogy.origins import Origins
from app.genealogy.record_files import files_told
from app.ledger.cells import LostDie, Placement
from app.ledger.corrections import not_void
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Batch, Lot
from app.ledger.judgements import Judgement
from app.ledger.runs import Line, Reading, Run, RunVoid, Use
from app.listed import among
from app.naming.resolve import codes_of
from app.ovens.models import CureTrace
from app.receiving.models import WaferMap

KINDS = (
    "logger file", "judgement", "placement log", "reading", "count", "material", "person", "unit results", "die map", "original file",
)  # fmt: skip
_COUNTED_BY_PERSON = ("hand", "counter", "weight")


@dataclass(frozen=True, order=True)
class Missing:
    """One record that is not there. `about`: the code of the run, lot or wafer that it should be of."""

    kind: str
    about: str
    words: str


def missing_evidence(session: Session, found: Origins, house: House | None = None) -> list[Missing]:
    """Of everything above a thing. With `house`, files that are named and no longer lie in the data folder as well."""
    return missing_of(session, [line.line for line in found.lines], found.wafers, found.up.loose, house)


def missing_of(
    session: Session, lines: Iterable[int], wafers: Iterable[int] = (), loose: Iterable[int] = (), house: House | None = None
) -> list[Missing]:
    """Of these run lines, wafers and loose lots, in the order of KINDS: a fixed number of statements."""
    facts = _Facts(session, list(lines))
    found = [
        *_logger_files(session, facts), *_judgements(session, facts), *_placement_logs(session, facts), *_readings(session, facts),
        *_counts(session, facts, list(loose)), *_materials(session, facts), *_people(facts), *_unit_results(session, facts),
        *_die_maps(session, list(wafers)), *(_files(session, facts, list(wafers), house) if house else ()),
    ]  # fmt: skip
    return sorted(set(found), key=lambda one: (KINDS.index(one.kind), one))


class _Facts:
    """Lines that ended as done in runs that are not void, their runs and steps."""

    def __init__(self, session: Session, lines: list[int]) -> None:
        voided = select(RunVoid.run).where(RunVoid.run == Run.id).exists()
        query = select(Line, Run).join(Run, Run.id == Line.run).where(among(Line.id, lines), ~voided, Line.closed_e.is_not(None))
        self.lines: list[tuple[Line, Run]] = [(line, run) for line, run in session.execute(query.order_by(Line.id)) if run.outcome != "aborted"]
        self.runs = {run.id: run for _, run in self.lines}
        self.codes = codes_of(session, "run", list(self.runs))
        routes = catalogue.with_ids(session, list({line.route for line, _ in self.lines if line.route}))
        self.steps: dict[int, Step] = {}
        for line, _ in self.lines:
            steps = routes[line.route].body.steps if line.route in routes else ()
            if (step := next((one for one in steps if one.key == line.step), None)) is not None:
                self.steps[line.id] = step

    def with_step(self) -> Iterable[tuple[Line, Run, Step]]:
        return ((line, run, self.steps[line.id]) for line, run in self.lines if line.id in self.steps)

    def of(self, operation: str) -> list[Run]:
        return [run for run in self.runs.values() if run.operation == operation]


def _logger_files(session: Session, facts: _Facts) -> Iterable[Missing]:
    """Judged cures that no file of the oven's logger tells of."""
    cures = {run.id: run for line, run in facts.lines if line.judged == "cure" and run.ended_at is not None}
    covers = and_(CureTrace.station == Run.station, CureTrace.last_at >= Run.started_at, CureTrace.first_at <= Run.ended_at)
    told = set(session.scalars(select(Run.id).where(among(Run.id, cures), select(CureTrace.id).where(covers).exists())))
    return [Missing("logger file", facts.codes[run], "no file of the oven's logger covers this cure") for run in cures if run not in told]


def _judgements(session: Session, facts: _Facts) -> Iterable[Missing]:
    """Judged lines that nobody judged, or that could not be told."""
    judged = [(line, run) for line, run in facts.lines if line.judged]
    replaced = select(Judgement.replaces).where(Judgement.replaces.is_not(None))
    query = select(Judgement.line, Judgement.verdict).where(among(Judgement.line, [line.id for line, _ in judged]), Judgement.id.not_in(replaced))
    verdicts = {line: verdict for line, verdict in session.execute(query)}
    for line, run in judged:
        of = f"of step {line.step}" + (f", shelf {line.shelf}" if line.shelf else "")
        if line.id not in verdicts:
            yield Missing("judgement", facts.codes[run.id], f"no judgement {of}")
        elif verdicts[line.id] == "cannot_tell":
            yield Missing("judgement", facts.codes[run.id], f"the judgement {of} could not tell: its record has gaps")


def _placement_logs(session: Session, facts: _Facts) -> Iterable[Missing]:
    attached = {run.id for line, run in facts.lines if run.operation == "die attach" and line.set is not None}
    logged = set(session.scalars(select(Placement.run).where(among(Placement.run, attached), Placement.closed_e.is_(None)).distinct()))
    logged |= set(session.scalars(select(LostDie.run).where(among(LostDie.run, attached), LostDie.closed_e.is_(None)).distinct()))
    return [Missing("placement log", facts.codes[run], "no placement log: its wafers are those mounted on the station") for run in attached - logged]


def _readings(session: Session, facts: _Facts) -> Iterable[Missing]:
    asked: defaultdict[int, set[str]] = defaultdict(set)
    for _, run, step in facts.with_step():
        asked[run.id] |= {record.name for record in step.records} if run.outcome == "done" else set()
    query = select(Reading.run, Reading.name).where(among(Reading.run, asked), Reading.closed_e.is_(None))
    for run_id, name in session.execute(query):
        asked[run_id].discard(name)
    return [Missing("reading", facts.codes[run_id], f"no reading of {name}") for run_id, names in asked.items() for name in names]


def _counts(session: Session, facts: _Facts, loose: list[int]) -> Iterable[Missing]:
    """Steps that ask for a count and have none, and loose lots whose units nobody counted: not by hand, weight or counter, nor at a test."""
    asked = {run.id: step.count for _, run, step in facts.with_step() if step.count in _COUNTED_BY_PERSON and run.outcome == "done"}
    counted = set(session.scalars(select(CountEntry.run).where(among(CountEntry.run, asked), CountEntry.kind == "counted")))
    tested = [line.item for line, run in facts.lines if run.id in asked and line.item is not None]
    counted |= set(session.scalars(select(Flow.run).where(among(Flow.parent, tested), Flow.run.in_(list(asked)), Flow.kind == "bin")))
    for run_id in asked.keys() - counted:
        yield Missing("count", facts.codes[run_id], f"its step asks for a count by {asked[run_id]}, and there is none")
    lots = set(session.scalars(select(Lot.item).where(among(Lot.item, loose), Lot.form == "loose")))
    of_lot = CountEntry.kind.in_(("counted", "opening")), CountEntry.closed_e.is_(None)
    told = set(session.scalars(select(CountEntry.item).where(among(CountEntry.item, lots), *of_lot)))
    told |= set(session.scalars(select(Flow.child).where(among(Flow.child, lots), Flow.kind == "bin")))
    codes = codes_of(session, "lot", list(lots - told))
    for lot in lots - told:
        yield Missing("count", codes[lot], "nobody counted this loose lot: its units follow from what it was made of")


def _materials(session: Session, facts: _Facts) -> Iterable[Missing]:
    """Steps that need a material, and lines that had none of that kind."""
    needing = [(line, run, step) for line, run, step in facts.with_step() if step.needs]
    query = select(Use.line, Batch.part).join(Batch, Batch.item == Use.item)
    used = session.execute(query.where(Use.line.in_([line.id for line, _, _ in needing]), not_void())).all()
    parts = catalogue.with_ids(session, list({part for _, part in used}))
    had: defaultdict[int, set[str]] = defaultdict(set)
    for line_id, part in used:
        had[line_id].add(parts[part].body.kind)
    for line, run, step in needing:
        for need in step.needs:
            if need.kind not in had[line.id]:
                yield Missing("material", facts.codes[run.id], f"no batch of {need.kind} is recorded at step {line.step}")


def _people(facts: _Facts) -> Iterable[Missing]:
    return [Missing("person", facts.codes[run.id], f"nobody is named for this {run.operation}") for run in facts.runs.values() if run.person is None]


def _unit_results(session: Session, facts: _Facts) -> Iterable[Missing]:
    tests = {run.id for run in facts.of("test") if run.outcome == "done"}
    told = set(session.scalars(select(UnitFile.run).where(among(UnitFile.run, tests))))
    return [Missing("unit results", facts.codes[run], "no file of unit results: its bins are counts alone") for run in tests - told]


def _die_maps(session: Session, wafers: list[int]) -> Iterable[Missing]:
    mapped = set(session.scalars(select(WaferMap.wafer).where(among(WaferMap.wafer, wafers), WaferMap.closed_e.is_(None))))
    codes = codes_of(session, "wafer", [wafer for wafer in wafers if wafer not in mapped])
    return [Missing("die map", code, "no die map") for code in codes.values()]


def _files(session: Session, facts: _Facts, wafers: Sequence[int], house: House) -> Iterable[Missing]:
    """Files that the record names and that no longer lie in the data folder."""
    named = {number for number, _, _ in files_told(session, list(facts.runs), [line.id for line, _ in facts.lines], wafers)}
    query = select(Evidence.digest, Evidence.name).where(among(Evidence.id, named))
    return [
        Missing("original file", name, f"its bytes ({digest[:12]}) are not in the data folder")
        for digest, name in session.execute(query)
        if not path_of(house, digest).is_file()
    ]
