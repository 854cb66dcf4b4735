"""End a run: finish, interrupt, abort. Each closes its lines with what they covered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import NamedTuple, cast

from sqlalchemy import bindparam, delete, select
from sqlalchemy.orm import Session, aliased

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Record, Route
from app.clock import told
from app.errors import BadInput, bad_input, few, refuse
from app.floor.exits import told_cells
from app.floor.line_steps import step_of_line
from app.floor.placement_verdicts import judge_without_log
from app.floor.progress import loose_progress, progress
from app.floor.told_late import add_what_lay_there
from app.floor.windows import windows_into
from app.holds.place import hold_line, hold_panels
from app.journal.act import By
from app.journal.record import AtOnce, read, reading
from app.ledger.flows import PackContent
from app.ledger.judgements import Judgement
from app.ledger.runs import Claim, Cover, Line, Reading, Run, is_void
from app.ledger.sets import Member, lots_of_panels, panels_in, panels_of_sets, set_of
from app.listed import Question, among, together
from app.naming.resolve import code_of, codes_of

_WRITTEN_TO = timedelta(minutes=1)  # times that are stated may be cut to the minute


@dataclass(frozen=True)
class Value:
    """A value that someone read: its name as the step has it."""

    name: str
    value: float
    unit: str | None = None


@dataclass(frozen=True)
class Said:
    """What was said at a change-over or interruption; None: not said."""

    done: Sequence[int] | None = None
    in_work: Sequence[int] | None = None


def finish_run(session: Session, by: By, run: Run, values: Sequence[Value] = (), *, person: int | None = None) -> list[Line]:
    """Closes the run and its lines as done. Values are recorded with their limits; one out of limits places a hold."""
    lines = _locked_lines_of(session, run)
    still_open = [line for line in lines if line.closed_e is None]
    record_values(session, by, run, still_open, values)
    travel = travelling(session, still_open)
    with AtOnce(session) as writes:
        for line in still_open:
            panels, maybe = travel[line.id]
            close_line(writes, by, line, whole=[p for p in panels if p not in maybe], either=sorted(maybe), done=True, panels=panels)
        close_run(writes, by, run, "done", person=person)
    _judge_by_readings(session, by, run, lines)
    _judge_by_others_logs(session, by, run, still_open, travel)
    hold_ends_out_of_time(session, by, {line: travel[line.id].panels for line in still_open})
    add_what_lay_there(session, by, run, still_open, by.happened_at)
    return still_open


def interrupt_run(session: Session, by: By, run: Run, said: Said, *, person: int | None = None) -> list[Line]:
    """Stops the run before all its panels are done; what was not surely done comes to the step again. In an oven all of it was there."""
    all_lines = _locked_lines_of(session, run)
    lines = [line for line in all_lines if line.closed_e is None]
    check_said(session, said, [run.id])
    travel = travelling(session, lines)
    ended: dict[Line, list[int]] = {}
    with AtOnce(session) as writes:
        for line in lines:
            done, done_before, either = parted(travel[line.id], said)
            ended[line] = done + done_before
            heated: list[int] = []
            if run.operation == "cure":
                heated, either = [panel for panel in travel[line.id].panels if panel not in {*done, *done_before}], []
            close_line(writes, by, line, whole=done, either=either, done=True, either_done=False, done_by_either=done_before, heated=heated)
        close_run(writes, by, run, "interrupted", person=person)
    _judge_by_readings(session, by, run, [line for line in all_lines if line.judged == "readings" and is_read(session, line)])
    _judge_by_others_logs(session, by, run, lines, travel)
    hold_ends_out_of_time(session, by, {line: panels for line, panels in ended.items() if panels})
    add_what_lay_there(session, by, run, lines, by.happened_at)
    return lines


def abort_run(session: Session, by: By, run: Run, *, person: int | None = None) -> list[Line]:
    """The run failed. In an oven all of it was there, and its heat counts; elsewhere any of it may have been reached."""
    lines = [line for line in _locked_lines_of(session, run) if line.closed_e is None]
    travel = travelling(session, lines)
    with AtOnce(session) as writes:
        for line in lines:
            panels, cured = travel[line.id].panels, run.operation == "cure"
            close_line(writes, by, line, whole=panels if cured else [], either=[] if cured else panels, done=False, panels=panels)
        close_run(writes, by, run, "aborted", person=person)
    add_what_lay_there(session, by, run, lines, by.happened_at)
    return lines


def check_said(session: Session, said: Said, runs: Sequence[int]) -> None:
    """What was said is of these runs, or of a lot that travels in them: by a wrong code, panels would count as not reached that were."""
    done, in_work = set(said.done or ()), set(said.in_work or ())
    if both := done & in_work:
        raise bad_input("A panel is done or in work.", "panels_in_work", f"Said to be both: {_codes(session, both)}.", "Name it in one of them.")
    if not runs or not done | in_work:
        return
    lines = session.execute(select(Line.set, Line.lot).where(Line.run.in_(runs))).all()
    here = {panel for panels in panels_of_sets(session, {line.set for line in lines if line.set}).values() for panel in panels}
    lots, others = {line.lot for line in lines}, (done | in_work) - here
    held = lots_of_panels(session, list(others))
    if strange := {panel for panel in others if held.get(panel) not in lots}:
        raise refuse("not_here", "That can't be so.", f"Not in this work: {_codes(session, strange)}.", "Name panels of it.")


def _codes(session: Session, panels: set[int]) -> str:
    return ", ".join(sorted(codes_of(session, "panel", list(panels)).values()))


def _locked_lines_of(session: Session, run: Run) -> list[Line]:
    """Locks the run and looks again: another may have ended it, or closed a line, while this one waited. SQLite has one writer."""
    if session.get_bind().dialect.name == "postgresql":
        still_open, lines = together(session, Question(_LOCKED, {"run": run.id}, list), reading(session, Line, _LINES, run=run.id))
        if not still_open:
            session.refresh(run)
    else:
        lines = lines_of(session, run)
    if run.closed_e is not None:
        raise refuse(
            "finished", f"Run {code_of(session, 'run', run.id)} has ended.", "Someone ended it before.", "Scan the lot to see what comes next."
        )
    return cast(list[Line], lines)


def lines_of(session: Session, run: Run) -> list[Line]:
    return read(session, Line, _LINES, run=run.id)


def open_lines_of(session: Session, run: Run) -> list[Line]:
    return [line for line in lines_of(session, run) if line.closed_e is None]


def close_line(
    writes: AtOnce, by: By, line: Line, *, whole: list[int], either: list[int], done: bool, either_done: bool | None = None,
    done_by_either: Sequence[int] = (), panels: Sequence[int] = (), heated: Sequence[int] = (),
) -> None:  # fmt: skip
    """Writes what a line covered: `whole` for certain, `either` possibly. Nothing is written for what was surely not reached.

    `done_by_either`: the step is done for them, by this line or one before it. `heated`: they were in the oven, and the step is not done for
    them. `panels`: those of the line's set, where they are at hand.
    """
    writes.close(line, closed_e=by.e, ended_at=by.happened_at)
    covers = [("whole", whole, done), ("either", either, done if either_done is None else either_done), ("either", list(done_by_either), True)]
    covers.append(("whole", list(heated), False))
    for extent, covered, is_done in covers:
        if covered and line.set is not None:
            of = line.set if covered == panels else set_of(writes.session, by, covered)
            writes.enter(Cover(e=by.e, line=line.id, extent=extent, set=of, done=is_done))


def close_run(writes: AtOnce, by: By, run: Run, outcome: str, *, person: int | None = None) -> None:
    """An end may be told late, but not before its start; the server's own clock may have been set back, and a fact stands as it is told."""
    if by.happened_at < run.started_at - _WRITTEN_TO and by.happened_at != by.now and not by.fact:
        raise _ends_before_it_began(writes.session, by, run)
    writes.close(run, closed_e=by.e, ended_at=by.happened_at, ended_source=by.source, ended_by=person, outcome=outcome)
    writes.ask(Question(_UNCLAIM, {"of": run.id}, list))


def _ends_before_it_began(session: Session, by: By, run: Run) -> BadInput:
    began, end = (told(at, catalogue.site(session).zone) for at in (run.started_at, by.happened_at))
    name = code_of(session, "run", run.id)
    return bad_input(f"Run {name} can't end before it began.", "happened_at", f"It began at {began}; the end is told as {end}.", "Correct the time.")


class Travels(NamedTuple):
    """The panels of a line, and which of them an earlier line of the same work may have done: a change-over's, or an interrupted run's."""

    panels: list[int]
    maybe: set[int]


def travelling(session: Session, lines: Sequence[Line]) -> dict[int, Travels]:
    """By line: what of it is done for certain when it ends well is what no line before may have done."""
    sets = {line.set for line in lines if line.set is not None}
    panels, before = together(session, panels_in(sets), Question(_EITHER, {"sets": sets}, list))
    found = {line.id: Travels(panels[line.set] if line.set else [], set()) for line in lines}
    for line in lines if before else ():
        alike = {one.panel for one in before if (one.step, one.round) == (line.step, line.round) and one.line < line.id}
        found[line.id].maybe.update(alike.intersection(found[line.id].panels))
    return found


def parted(travels: Travels, said: Said) -> tuple[list[int], list[int], list[int]]:
    """Of a line's panels, by what was said: surely done by it; done, by it or a line before; possibly reached. Both said: the rest was not."""
    panels, maybe = travels
    done = set(said.done or ())
    either = [panel for panel in panels if panel not in done]
    if said.in_work is not None and said.done is not None:
        either = [panel for panel in either if panel in set(said.in_work)]
    return [p for p in panels if p in done - maybe], [p for p in panels if p in done & maybe], either


def record_of(session: Session, run: Run, name: str) -> Record | None:
    """What the steps of a run say of a value of that name: unit and limits."""
    records = [record for line in lines_of(session, run) if (step := step_of_line(session, line)) for record in step.records if record.name == name]
    return records[0] if records else None


def record_values(session: Session, by: By, run: Run, lines: list[Line], values: Sequence[Value]) -> None:
    asked = {record.name: record for line in lines if (step := step_of_line(session, line)) for record in step.records}
    missing = [name for name in asked if name not in {value.name for value in values}]
    if missing and not by.fact:
        name = f"The {run.operation} run" if run.e == by.e else f"Run {code_of(session, 'run', run.id)}"  # one of this act is not there after it
        raise bad_input(
            f"{name} can't finish yet.", f"values.{missing[0]}",
            f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} not recorded.", "Give a value for each, by this very name.",
        )  # fmt: skip
    for value in values:
        _record_value(session, by, run, lines, value, asked.get(value.name))


def _record_value(session: Session, by: By, run: Run, lines: list[Line], value: Value, record: Record | None) -> None:
    low, high = (record.low, record.high) if record else (None, None)
    within = (low is None or value.value >= low) and (high is None or value.value <= high)
    unit = value.unit if value.unit is not None else record.unit if record else ""
    if record and value.unit not in (None, record.unit):
        raise bad_input("Wrong unit.", f"values.{value.name}.unit", f"It is {value.unit}; the step records {record.unit}.", "Convert it.")
    session.add(
        Reading(
            e=by.e,
            run=run.id,
            line=lines[0].id if len(lines) == 1 else None,
            name=value.name,
            value=value.value,
            unit=unit,
            low=low,
            high=high,
            within=within,
        )
    )
    if not within:
        for line in lines:
            hold_line(session, by, line.id, beyond_limits(value.name, value.value, unit, low, high) + ".")


def limits_in_words(low: float | None, high: float | None) -> str:
    """ "3 to 8", "at least 3", "at most 8", and nothing where there are no limits."""
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    return f"at least {low:g}" if low is not None else f"at most {high:g}" if high is not None else ""


def beyond_limits(name: str, value: float, unit: str, low: float | None, high: float | None) -> str:
    """What a reading outside its limits is held or judged for."""
    return f"{name} is {f'{value:g} {unit}'.strip()}; it must be {limits_in_words(low, high)}"


def is_read(session: Session, line: Line) -> bool:
    """Was everything read that its step records? An interruption asks for no values: they may come before it or after."""
    step = step_of_line(session, line)
    read = set(session.scalars(select(Reading.name).where(Reading.run == line.run, Reading.closed_e.is_(None))))
    return step is not None and {record.name for record in step.records} <= read


def _judge_by_readings(session: Session, by: By, run: Run, lines: list[Line]) -> None:
    """All lines of the run, those too that a change-over closed before."""
    judged = [line for line in lines if line.judged == "readings"]
    if not judged:
        return
    readings = list(session.scalars(select(Reading).where(Reading.run == run.id, Reading.closed_e.is_(None))))
    outside = [beyond_limits(r.name, r.value, r.unit, r.low, r.high) for r in readings if not r.within]
    for line in judged:
        verdict = "does_not_conform" if outside else "conforms" if readings else "cannot_tell"
        reasons = outside or ([] if readings else ["no reading was recorded"])
        session.add(Judgement(e=by.e, line=line.id, rule=None, evidence=None, verdict=verdict, reasons=reasons, facts={}, replaces=None))


def _judge_by_others_logs(session: Session, by: By, run: Run, lines: list[Line], travel: dict[int, Travels]) -> None:
    """Where the rest of an interrupted step turned out to be done: the logs that came before tell of it, and none comes of this run."""
    doings = {(panel, line.step or "", line.round) for line in lines if line.judged == "placements" for panel in travel[line.id].panels}
    if doings and doings & told_cells(session, {panel for panel, _, _ in doings}).keys():
        judge_without_log(session, by, [run.id])


def hold_ends_out_of_time(session: Session, by: By, ended: Mapping[Line, Sequence[int]]) -> None:
    """A window that runs to the end of a step can only be judged now: what came too late or too early is held. `ended`: panels that are done."""
    for line, panels in ended.items():
        route: Route | None = catalogue.route(session, line.route).body if line.route is not None else None
        if route is None or not any(window.to_step == line.step and window.until == "end" for window in route.windows):
            continue
        stands = progress(session, list(panels)) if line.set is not None else loose_progress(session, _loose_in(session, line))
        states = {item: windows_into(route, stand, line.step or "", "end") for item, stand in stands.items()}
        late = [item for item, found in states.items() if any(state.over(by.happened_at) for state in found)]
        early = [item for item, found in states.items() if any(state.early(by.happened_at) for state in found)]
        for items, limit in ((late, "time window to the end of this step had run out"), (early, "shortest time to its end had not passed")):
            if items and line.set is not None:
                hold_panels(session, by, items, f"The {limit} for {few(codes_of(session, 'panel', items).values())}.")
            elif items:
                hold_line(session, by, line.id, f"The {limit} for {few(codes_of(session, 'lot', items).values())}.")


def _loose_in(session: Session, line: Line) -> list[int]:
    """The loose lot that a line worked on, or those whose units were taped into its pack."""
    taped = select(PackContent.loose).where(PackContent.pack == line.item, PackContent.closed_e.is_(None)).distinct()
    return list(session.scalars(taped)) or ([line.item] if line.item is not None else [])


_UNCLAIM = delete(Claim.__table__).where(Claim.run == bindparam("of"))  # type: ignore[arg-type]
_LOCKED = select(Run.id).where(Run.id == bindparam("run"), Run.closed_e.is_(None)).with_for_update()
_LINES = select(Line.__table__).where(Line.run == bindparam("run")).order_by(Line.id)
# what may have been done before, of the panels of some sets: each panel of a cover that says "on either side, and not done"
_Theirs = aliased(Member)
_EITHER = (
    select(Member.panel, Line.id.label("line"), Line.step, Line.round)
    .join(Cover, Cover.set == Member.set)
    .join(Line, Line.id == Cover.line)
    .where(Member.panel.in_(select(_Theirs.panel).where(among(_Theirs.set, "sets"))), Cover.extent == "either", Cover.done.is_(False))
    .where(~is_void(Line.run))
)
