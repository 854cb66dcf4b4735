"""Evidence that should stand behind a thing and does not: which record, of which run, lot or wafer, and why it is asked for.

Asked for is what the step of the route says (a judged cure its logger file, a die attach its placement log, readings, a count, material, and
when what has a pot life was opened), what a test gives (unit results), what a wafer comes with (its die map), and who did the work. Nothing
is guessed from other records.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Need, Step
from app.db import House
from app.evidence.keep import is_kept
from app.floor.dispositions import JudgementRow, judgements_in_force
from app.genealogy.origins import Origins
from app.genealogy.record_files import FilesTold, cure_spells, files_told, logger_files
from app.genealogy.run_rows import words_of
from app.ledger.ran import LineRow, Ran, RunRow, ran
from app.listed import ask, listed, tuples
from app.naming.resolve import codes_of
from app.ovens.traces import Spell, evidence_told

KINDS = (
    "logger file", "judgement", "placement log", "reading", "count", "material", "opening", "person", "unit results", "die map", "original file",
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
    some, wafers = ran(session, lines), list(wafers)
    cured = cure_spells(some)
    told = evidence_told(session, cured.values())
    ids = [line.id for line, _ in some]
    files = files_told(session, [run.id for _, run in some], ids, wafers, logger_files(cured, told)) if house else None
    return missing_of_lines(session, some, wafers, loose, house, files, judgements_in_force(session, ids), told)


def missing_of_lines(
    session: Session, lines: Sequence[Ran], wafers: Iterable[int], loose: Iterable[int], house: House | None, files: FilesTold | None,
    judged: Mapping[int, JudgementRow], told: Mapping[Spell, Sequence[int]],
) -> list[Missing]:  # fmt: skip
    """The same of lines that were read, with the files that tell of them, their judgements in force and the logger files of every ended cure."""
    facts = _Facts(session, lines)
    found = [
        *_logger_files(facts, told), *_judgements(session, facts, judged), *_placement_logs(session, facts), *_readings(session, facts),
        *_counts(session, facts, list(loose)), *_materials(session, facts), *_people(facts), *_unit_results(session, facts),
        *_die_maps(session, list(wafers)), *(_files(facts, set(wafers), house, files) if house and files else ()),
    ]  # fmt: skip
    return sorted(set(found), key=lambda one: (KINDS.index(one.kind), one.kind, one.about, one.words))


class _Facts:
    """Lines that ended as done in runs that are not void, their runs and steps."""

    def __init__(self, session: Session, lines: Iterable[Ran]) -> None:
        self.lines = [(line, run) for line, run in lines if line.closed_e is not None and run.void_e is None and run.outcome != "aborted"]
        self.runs = {run.id: run for _, run in self.lines}
        self.codes = codes_of(session, "run", list(self.runs))
        routes = catalogue.with_ids(session, list({line.route for line, _ in self.lines if line.route}))
        keyed = {thing: {step.key: step for step in reversed(route.body.steps)} for thing, route in routes.items()}
        self.steps: dict[int, Step] = {}
        for line, _ in self.lines:
            step = keyed[line.route].get(line.step or "") if line.route in keyed else None
            if step is not None:
                self.steps[line.id] = step

    def with_step(self) -> Iterable[tuple[LineRow, RunRow, Step]]:
        return ((line, run, self.steps[line.id]) for line, run in self.lines if line.id in self.steps)

    def name_of(self, line: LineRow) -> str:
        """Of its step, as people call it."""
        return self.steps[line.id].name if line.id in self.steps else line.step or ""

    def of(self, operation: str) -> list[RunRow]:
        return [run for run in self.runs.values() if run.operation == operation]


def _logger_files(facts: _Facts, told: Mapping[Spell, Sequence[int]]) -> Iterable[Missing]:
    """Judged cures that no file of the oven's logger tells of."""
    cures = cure_spells((line, run) for line, run in facts.lines if line.judged == "cure")
    untold = [run for run, spell in cures.items() if not told[spell]]
    return [Missing("logger file", facts.codes[run], "no file of the oven's logger covers this cure") for run in untold]


def _judgements(session: Session, facts: _Facts, found: Mapping[int, JudgementRow]) -> Iterable[Missing]:
    """Judged lines that nobody judged, or that could not be told."""
    broken_off = [line.id for line, run in facts.lines if line.judged == "cure" and run.outcome == "interrupted"]
    did = {line for (line,) in tuples(session, _DID, lines=broken_off)} if broken_off else set()  # the others are judged with what completes them
    judged = [(line, run) for line, run in facts.lines if line.judged and (line.id in did or line.id not in broken_off)]
    for line, run in judged:
        of = f"of step {facts.name_of(line)}" + (f", shelf {line.shelf}" if line.shelf else "")
        if line.id not in found:
            yield Missing("judgement", facts.codes[run.id], f"no judgement {of}")
        elif found[line.id].verdict == "cannot_tell":
            why = "; ".join(words_of(reason).rstrip(".") for reason in found[line.id].reasons)
            yield Missing("judgement", facts.codes[run.id], f"the judgement {of} could not tell: {why}")


def _placement_logs(session: Session, facts: _Facts) -> Iterable[Missing]:
    attached = {run.id for line, run in facts.lines if run.operation == "die attach" and line.set is not None}
    logged = _of(ask(session, _LOGGED, runs=attached))
    return [Missing("placement log", facts.codes[run], "no placement log: its wafers are those mounted on the station") for run in attached - logged]


def _readings(session: Session, facts: _Facts) -> Iterable[Missing]:
    asked: defaultdict[int, set[str]] = defaultdict(set)
    for _, run, step in facts.with_step():
        asked[run.id] |= {record.name for record in step.records} if run.outcome == "done" else set()
    for run_id, name in ask(session, _READ, runs=asked):
        asked[run_id].discard(name)
    return [Missing("reading", facts.codes[run_id], f"no reading of {name}") for run_id, names in asked.items() for name in names]


def _counts(session: Session, facts: _Facts, loose: list[int]) -> Iterable[Missing]:
    """Steps that ask for a count and have none, and loose lots whose units nobody counted: not by hand, weight or counter, nor at a test.

    The route chose the method for what it can tell: a count by another stands on the record, and does not answer the step.
    """
    asked = {run.id: step.count for _, run, step in facts.with_step() if step.count in _COUNTED_BY_PERSON and run.outcome == "done"}
    methods: defaultdict[int, set[str]] = defaultdict(set)
    for run_id, method in ask(session, _COUNTED, runs=asked):
        methods[run_id].add(method)
    tested = [line.item for line, run in facts.lines if run.id in asked and line.item is not None]
    binned = _of(ask(session, _BINNED, items=tested, runs=asked))
    for run_id in asked.keys() - binned:
        if asked[run_id] not in methods[run_id]:
            other = f"there is one by {', '.join(sorted(methods[run_id]))} alone" if methods[run_id] else "there is none"
            yield Missing("count", facts.codes[run_id], f"its step asks for a count by {asked[run_id]}, and {other}")
    lots = _of(ask(session, _UNCOUNTED, lots=loose))
    codes = codes_of(session, "lot", list(lots))
    for lot in lots:
        yield Missing("count", codes[lot], "nobody counted this loose lot: its units follow from what it was made of")


def _materials(session: Session, facts: _Facts) -> Iterable[Missing]:
    """Steps that need a material, and lines that had none of that kind; of two parts of one kind, none of the one. And batches never opened."""
    needing = [(line, run, step) for line, run, step in facts.with_step() if step.needs]
    used = ask(session, _USED, lines=[line.id for line, _, _ in needing])
    parts = catalogue.with_ids(session, list({part for _, part, *_ in used}))
    had: defaultdict[int, set[tuple[str, str]]] = defaultdict(set)
    for line_id, part, *_ in used:
        had[line_id].add((parts[part].body.kind, parts[part].name))
    closed = {batch for _, part, batch, is_open in used if not is_open and parts[part].body.pot_life_minutes}
    for code in codes_of(session, "batch", sorted(closed)).values():
        yield Missing("opening", code, "nobody recorded when it was opened: whether its pot life had ended is not known")
    for line, run, step in needing:
        for need in _unmet(step.needs, had[line.id]):
            material = f"{need.kind} {need.part}" if sum(one.kind == need.kind for one in step.needs) > 1 and need.part else need.kind
            yield Missing("material", facts.codes[run.id], f"no batch of {material} is recorded at step {step.name}")


def _unmet(needs: Sequence[Need], had: Set[tuple[str, str]]) -> Iterable[Need]:
    """A batch of the kind meets a need, unless it is what another need of the step asks for: a wrong part is recorded, and held apart."""
    asked = {(need.kind, need.part) for need in needs}
    return [need for need in needs if not any(kind == need.kind and (part == need.part or (kind, part) not in asked) for kind, part in had)]


def _people(facts: _Facts) -> Iterable[Missing]:
    return [Missing("person", facts.codes[run.id], f"nobody is named for this {run.operation}") for run in facts.runs.values() if run.person is None]


def _unit_results(session: Session, facts: _Facts) -> Iterable[Missing]:
    tests = {run.id for run in facts.of("test") if run.outcome == "done"}
    told = _of(ask(session, _TESTED, runs=tests))
    return [Missing("unit results", facts.codes[run], "no file of unit results: its bins are counts alone") for run in tests - told]


def _die_maps(session: Session, wafers: list[int]) -> Iterable[Missing]:
    mapped = _of(ask(session, _MAPPED, wafers=wafers))
    codes = codes_of(session, "wafer", [wafer for wafer in wafers if wafer not in mapped])
    return [Missing("die map", code, "no die map") for code in codes.values()]


def _files(facts: _Facts, wafers: set[int], house: House, files: FilesTold) -> Iterable[Missing]:
    """Files that the record names and that no longer lie in the data folder."""
    for file in files.files:
        of_ours = any(thing in (facts.runs if kind == "run" else wafers) for kind, thing in files.of[file.id])
        if of_ours and not is_kept(house, file.digest):
            yield Missing("original file", file.name, f"its bytes ({file.digest[:12]}) are not in the data folder")


def _of(rows: Iterable[Sequence[int]]) -> set[int]:
    return {row[0] for row in rows}


_LOGGED = listed(
    """
    select run from placement where run in :runs and closed_e is null
    union select run from lost_die where run in :runs and closed_e is null
    """,
    "runs",
)
_READ = listed("select run, name from reading where run in :runs and closed_e is null", "runs")
# of a lot as a whole: one panel that was counted says nothing of the others
_COUNTED = listed(
    """
    select c.run, c.method from count_entry c
    where c.run in :runs and c.kind = 'counted' and c.closed_e is null and not exists (select 1 from panel p where p.item = c.item)
    """,
    "runs",
)
_BINNED = listed("select f.run from flow f where f.parent in :items and f.run in :runs and f.kind = 'bin'", "items", "runs")
_UNCOUNTED = listed(
    """
    select l.item from lot l where l.item in :lots and l.form = 'loose'
        and not exists (select 1 from count_entry c where c.item = l.item and c.kind in ('counted', 'opening') and c.closed_e is null)
        and not exists (select 1 from flow f where f.child = l.item and f.kind = 'bin')
    """,
    "lots",
)
_USED = listed(
    """
    select u.line, b.part, b.item, exists (select 1 from opening o where o.batch = b.item) as is_open
    from use u join batch b on b.item = u.item where u.line in :lines and not exists (
        select 1 from use_void v where v.line = u.line and v.item = u.item and v.closed_e is null
    )
    """,
    "lines",
)
_DID = listed("select distinct line from cover where line in :lines and done", "lines")
_TESTED = listed("select run from unit_file where run in :runs", "runs")
_MAPPED = listed("select wafer from wafer_map where wafer in :wafers and closed_e is null", "wafers")
