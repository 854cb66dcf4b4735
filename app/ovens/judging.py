"""Import a logger's file and judge the cures that it tells of: each run line by the sensors of its shelf, with every reason."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from sqlalchemy import select, text, union
from sqlalchemy.orm import Session, aliased

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Station
from app.db import House
from app.errors import BadInput, bad_input, few, refuse, unknown
from app.evidence.keep import Kept, keep_and_read, record_evidence
from app.floor.dispositions import judgement_in_force, write_judgement
from app.floor.ends import Said, Value, abort_run, finish_run, interrupt_run, open_lines_of
from app.holds.place import hold_line
from app.journal.act import By
from app.ledger.judgements import VERDICTS, Judgement
from app.ledger.places import Load
from app.ledger.ran import AnyLine, AnyRun
from app.ledger.runs import LASTED_LONG, Cover, Line, Run, RunVoid, is_void
from app.ledger.sets import Member, panels_of
from app.ledger.stops import Hold
from app.naming.resolve import code_of, codes_of
from app.ovens.cure import Judgement as Verdict
from app.ovens.cure import judge, recipe_of
from app.ovens.logger_files import read_trace
from app.ovens.logger_table import Stated
from app.ovens.models import CureTrace
from app.ovens.record_quality import Round, Used, Watch
from app.ovens.trace import Trace
from app.ovens.traces import Spell, Told, evidence_told, keep_trace, replaced_by, trace_of, traces_of

_WORSE = ("conforms", "cannot_tell", "does_not_conform")
_NEAR = timedelta(minutes=10)
_BROKEN_OFF = ("aborted", "interrupted")
_SHORT = timedelta(days=8)  # more than a run lasts that is not among those of LASTED_LONG


@dataclass(frozen=True)
class Judged:
    """A line and the judgement that it has now; `worse`: it was better before, and a hold stops what is still here."""

    line: Line
    judgement: Judgement
    worse: bool


def read_logger_file(house: House, name: str, data: bytes, stated: Stated) -> tuple[Kept, Trace]:
    """Keeps and reads a file, outside any transaction. It is kept even when it can't be read."""
    kept, trace = keep_and_read(house, name, data, lambda: read_trace(data, name, stated, latest=clock.now() + clock.MAY_DIFFER))
    if not len(trace.times):
        raise bad_input(f"{name} has no reading.", "the table", "No row has a time and a temperature.", "Export the readings again.")
    return kept, trace


@dataclass(frozen=True)
class Imported:
    """The number of the file, the lines that were judged by it, and those that were judged anew without the files that it replaces."""

    evidence: int
    judged: list[Judged]
    without: list[Judged]


def import_logger_file(
    session: Session, by: By, station: int, kept: Kept, trace: Trace, stated: Stated, replaces: Collection[int] = ()
) -> Imported:
    """Keeps the trace and judges again every ended cure of the oven that it tells of, and what completed one that was broken off.

    `replaces`: numbers of files (evidence) that were wrong or read wrongly; what was judged by them is judged without them.
    """
    body: Station = catalogue.station(session, station).body
    if "cure" not in body.operations:
        raise refuse("station_cannot", f"{body.name} is not an oven.", f"It does {', '.join(body.operations)}.", "Name the oven of this logger.")
    said = {k: v for k, v in vars(stated).items() if v not in (None, ())} | ({"replaces": sorted(replaces)} if replaces else {})
    evidence = record_evidence(session, by, kept, "logger_file", said)
    row = keep_trace(session, by, station, evidence.id, trace)
    wrong = replaced_by(session, by, row, replaces) if replaces else []
    _must_agree(session, row)
    told = _told_of(session, row)
    others = {run for one in wrong for run in _told_of(session, one)} - told
    return Imported(evidence.id, _judge_all(session, by, told), _judge_all(session, by, others, even_without=True))


def _told_of(session: Session, row: CureTrace) -> set[Run]:
    """The ended cures that a file tells of, and what completed one that was broken off."""
    runs = set(cures_in(session, row.station, row.first_at - _NEAR, row.last_at + _NEAR))
    return runs | set(_completing(session, [run.id for run in runs if run.outcome in _BROKEN_OFF]))


def _judge_all(session: Session, by: By, runs: Collection[Run], *, even_without: bool = False) -> list[Judged]:
    ended = sorted((run for run in runs if run.outcome != "aborted"), key=lambda run: run.id)
    return [judged for run in ended for judged in judge_run(session, by, run, even_without=even_without)]


def _must_agree(session: Session, row: CureTrace) -> None:
    """Refuses what contradicts an earlier file: kept, it would let no load of that time end. The earlier one may be the wrong one, so it is named."""
    spell = Spell(row.station, row.first_at, row.last_at)
    try:
        traces_of(session, [spell])
    except BadInput as refused:
        here = few(str(one) for one in evidence_told(session, [spell])[spell] if one != row.evidence)
        now = f"Leave this file out if it is wrong. If the one that is here is, say that this one replaces it (file {here})."
        raise BadInput(refused.what, *(replace(reason, now=now) for reason in refused.reasons)) from None


def fits_no_cure(session: Session, station: int, trace: Trace) -> str | None:
    """What to tell whoever brought a file that says nothing of any cure of the oven, ended or under way: most often its zone was stated wrongly."""
    first, last = (datetime.fromtimestamp(seconds, UTC) for seconds in (trace.times.min(), trace.times.max()))
    runs = Run.station == station, Run.operation == "cure", Run.closed_e.is_(None), Run.started_at <= last + _NEAR
    if cures_in(session, station, first - _NEAR, last + _NEAR) or session.scalar(select(Run.id).where(*runs).limit(1)) is not None:
        return None
    read = f"read as {_span(session, first, last)}"
    name = catalogue.station(session, station).name
    return (
        f"The file fits no cure: {read}, it covers no load of {name}. If a load was meant, check the zone of the logger's clock,"
        " the order of its dates, and the oven; then import it again as it should be read."
    )


def reads_as(session: Session, station: int, trace: Trace, judged: Sequence[Judged]) -> str:
    """From when to when a file was read, and which cures it was taken for: one in the wrong zone may fit another, and only a person sees it."""
    first, last = (datetime.fromtimestamp(seconds, UTC) for seconds in (trace.times.min(), trace.times.max()))
    told = cures_in(session, station, first, last)  # a round that was broken off too, by which the one that completed it was judged
    runs = {run.id: run for run in told or [session.get_one(Run, one.line.run) for one in judged]}
    codes = codes_of(session, "run", list(runs))
    cures = [f"{codes[run.id]}, {_span(session, run.started_at, run.ended_at or last)}" for run in runs.values()]
    read = f"Read as {_span(session, first, last)}"
    name = catalogue.station(session, station).name
    return f"{read}, and taken for what {name} did then: {'; '.join(cures)}." if cures else f"{read}."


def _span(session: Session, begin: datetime, end: datetime) -> str:
    return f"from {catalogue.site_time(session, begin)} to {catalogue.site_time(session, end)}"


def end_load(session: Session, by: By, load: Load, values: Sequence[Value] = (), *, person: int | None = None) -> list[Line]:
    """The oven has run and its door is open. What files say already is judged at once; else the judgement waits for them."""
    run = _running(session, load)
    lines = finish_run(session, by, run, values, person=person)
    judge_run(session, by, run)
    return lines


def interrupt_load(session: Session, by: By, load: Load, done: Collection[int] = (), *, person: int | None = None) -> list[Line]:
    """The door is opened before the cure is over. `done`: lines whose panels had all of it; the rest comes again, and its heat counts."""
    run = _running(session, load)
    lines = {line.id: line for line in open_lines_of(session, run)}
    what = f"Load {code_of(session, 'load', load.id)} was not interrupted."
    if strange := sorted(set(done) - set(lines)):
        raise bad_input(what, "done", f"Line {strange[0]} is not one of its open lines.", "Choose from what is on its shelves.")
    if lines and set(done) == set(lines):
        raise bad_input(what, "done", "All that is in it is said to be done.", "Then end it: the door is open.")
    panels = [panel for line in done if (one := lines[line].set) is not None for panel in panels_of(session, one)]
    interrupted = interrupt_run(session, by, run, Said(done=panels or None), person=person)
    judge_run(session, by, run)
    return interrupted


def abort_load(session: Session, by: By, load: Load, *, person: int | None = None) -> Run:
    """Nothing of it counts as done; its heat counts, and another load completes the cure."""
    run = _running(session, load)
    abort_run(session, by, run, person=person)
    return run


def _running(session: Session, load: Load) -> Run:
    if load.run is None:
        raise refuse("finished", f"Load {code_of(session, 'load', load.id)} is not running.", "It never started.", "Start it first.")
    run = session.get_one(Run, load.run, populate_existing=True)
    if run.closed_e is not None:
        raise refuse("finished", f"Load {code_of(session, 'load', load.id)} has ended.", "Someone ended it before.", "Look at its page.")
    return run


def judge_run(session: Session, by: By, run: Run, *, even_without: bool = False) -> list[Judged]:
    """The judged lines of an ended cure, by what files say of it now; nothing when no file says anything of it.

    `even_without`: those that were judged before are then, too: the file that they were judged by may be replaced.
    Of an interrupted one those that did the step for some: the rest is judged with the round that completes it.
    """
    if run.ended_at is None or session.get(RunVoid, run.id) is not None:
        return []
    query = select(Line).where(Line.run == run.id, Line.judged == "cure").order_by(Line.id)
    if trace_of(session, run.station, run.started_at, run.ended_at) is None:
        if not even_without:
            return []
        query = query.where(select(Judgement.id).where(Judgement.line == Line.id).exists())
    if run.outcome == "interrupted":
        query = query.where(select(Cover.line).where(Cover.line == Line.id, Cover.done).exists())
    return [judge_line(session, by, run, line) for line in session.scalars(query).all()]


def judge_again(session: Session, by: By, number: int) -> Judged:
    """A line of an ended cure, by what files say of it now."""
    line = session.get(Line, number)
    run = session.get_one(Run, line.run) if line is not None else None
    if line is None or run is None or line.judged != "cure" or line.closed_e is None:
        raise unknown(str(number), "the number of an ended line of a judged cure")
    if run.outcome == "aborted" or session.get(RunVoid, run.id) is not None:
        what = f"Line {number} was not judged."
        raise refuse("finished", what, "Its run was aborted or is void: it did nothing.", "Judge the line of the run that completed it.")
    return judge_line(session, by, run, line)


def judge_line(session: Session, by: By, run: Run, line: Line) -> Judged:
    """Judges a line with the aborted rounds that it completes. What does not conform, or is judged worse than before, is held by itself."""
    found = verdict_of(session, run, line)
    before = judgement_in_force(session, line.id)
    spell = Spell(run.station, run.started_at, run.ended_at or by.now)
    judgement = write_judgement(
        session, by, line.id, verdict=found.verdict, reasons=found.reasons_json(), facts=found.facts_json(), rule=run.recipe,
        evidence=next(reversed(evidence_told(session, [spell])[spell]), None),
    )  # fmt: skip
    worse = before is not None and _WORSE.index(found.verdict) > _WORSE.index(before.verdict)
    if (worse or found.verdict == "does_not_conform") and judgement is not before and not _is_held(session, line.id):
        hold_line(session, by, line.id, f"The cure {VERDICTS[found.verdict]}: " + " ".join(reason.text for reason in found.reasons[:3]))
    return Judged(line, judgement, worse)


def verdict_of(session: Session, run: Run, line: Line) -> Verdict:
    """The judgement of a line as the files stand; nothing is written."""
    recipe = recipe_of(catalogue.definition(session, run.recipe or 0).body)
    earlier = [round_of(session, one, its_line) for one, its_line in _broken_off_before(session, line)]
    return judge(recipe, round_of(session, run, line), earlier, _others(session, run))


def round_of(session: Session, run: Run, line: Line) -> Round:
    return rounds_of(session, [(line, run)])[line.id]


def rounds_of(session: Session, lines: Iterable[tuple[AnyLine, AnyRun]], known: Told | None = None) -> dict[int, Round]:
    """By line: the time in the oven of each, with what the files say of it. As many statements for one as for a hundred."""
    pairs = list(lines)
    spells = {run.id: Spell(run.station, run.started_at, run.ended_at or run.started_at) for _, run in pairs}
    traces = traces_of(session, spells.values(), known)
    codes = codes_of(session, "run", list(spells))
    stations = catalogue.with_ids(session, [run.station for _, run in pairs])
    return {
        line.id: Round(
            trace := traces[spells[run.id]], watches_of(stations[run.station].body, line.shelf, trace), run.started_at,
            spells[run.id].door_open, f"run {codes[run.id]}",
        )
        for line, run in pairs
    }  # fmt: skip


def watches_of(oven: Station, shelf: str | None, trace: Trace | None) -> tuple[Watch, ...]:
    """The sensors of the shelf; where the catalogue names none for the oven, every sensor of its logger."""
    if not oven.sensors:
        return tuple(Watch(name) for name in trace.sensors) if trace else ()
    return tuple(Watch(one.name, one.since, one.until) for one in oven.sensors if one.shelf == shelf or len(oven.shelves) < 2)


def _completing(session: Session, runs: Sequence[int]) -> Sequence[Run]:
    """The ended rounds, not void, that came after these for panels of theirs, at the same step: those of before are judged with them."""
    if not runs:
        return []
    before, was, panel = aliased(Line), aliased(Member), aliased(Member)
    query = (
        select(Run)
        .join(Line, Line.run == Run.id)
        .join(panel, panel.set == Line.set)
        .join(was, was.panel == panel.panel)
        .join(before, before.set == was.set)
        .where(before.run.in_(runs), Line.id > before.id, Line.step == before.step, Line.round == before.round)
        .where(Run.outcome.in_(("done", "interrupted")), ~is_void(Run.id))
        .distinct()
    )
    return session.scalars(query).all()


def _broken_off_before(session: Session, line: Line) -> list[tuple[Run, Line]]:
    """The aborted and interrupted rounds of this step that held panels of this line, in order: their heat counts with it."""
    mine = select(Member.panel).where(Member.set == line.set)
    query = (
        select(Run, Line)
        .join(Line, Line.run == Run.id)
        .join(Member, Member.set == Line.set)
        .where(Member.panel.in_(mine), Line.step == line.step, Line.round == line.round, Line.id < line.id, Run.outcome.in_(_BROKEN_OFF))
        .where(~is_void(Run.id))
        .distinct()
        .order_by(Line.id)
    )
    return [(run, its_line) for run, its_line in session.execute(query)]


def cures_in(session: Session, station: int, begin: datetime, end: datetime) -> Sequence[Run]:
    """Ended cures of an oven, not void, that were under way between two times. Of all that ended later, only the long ones can have begun before."""
    under_way = select(Run.id).where(Run.station == station, Run.ended_at >= begin, Run.started_at <= end)
    soon, long = under_way.where(Run.started_at >= begin - _SHORT), under_way.where(text(LASTED_LONG[session.get_bind().dialect.name]))
    query = select(Run).where(Run.id.in_(union(soon, long)), Run.operation == "cure")
    return session.scalars(query.where(~is_void(Run.id)).order_by(Run.id)).all()


def _others(session: Session, run: Run) -> list[Used]:
    """Other loads of this oven in the same time: one trace can't be of both."""
    began, ended = run.started_at, run.ended_at or run.started_at
    others = [(one.id, one.started_at, one.ended_at or one.started_at) for one in cures_in(session, run.station, began, ended) if one.id != run.id]
    return [Used(f"run {code_of(session, 'run', one)}", first, last) for one, first, last in others if first < ended and last > began]


def _is_held(session: Session, line: int) -> bool:
    return session.scalar(select(Hold.id).where(Hold.kind == "line", Hold.subject == line, Hold.closed_e.is_(None))) is not None
