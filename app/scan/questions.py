"""The one question on the screen: start or finish, of what, with what there is to see and to record."""

from collections.abc import Iterable, Set
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Step
from app.catalogue.route_rules import asks_line_clear
from app.drawing.strip import ordinal
from app.errors import few
from app.final_test.bin_tables import grades_at
from app.floor.attendance import must_be_able_to_take_over, stations_of
from app.floor.counts_at_finish import Asked, asked
from app.floor.ends import open_lines_of
from app.floor.gate_facts import Facts, Loaded, loaded_on
from app.floor.groups import Group, gather
from app.floor.interrupted import Begun, may_have_begun
from app.floor.line_steps import step_of_line
from app.floor.marks import good_units
from app.floor.progress import progress
from app.floor.starts import would_start
from app.floor.windows import running
from app.ledger.places import Load
from app.ledger.runs import Line, Run
from app.ledger.sets import panels_of, panels_of_lot
from app.naming.resolve import Named, code_of, codes_of
from app.people.models import Person
from app.scan.choose import run_of
from app.web.words import counted

_NAMED = 6  # lots that a question names; a load may have more

# where the terminal has no numbers to ask for
ENDS_ELSEWHERE = {"test": "Its unit results end it, or its counts by bin.", "tape": "The reel that is filled ends it."}


@dataclass(frozen=True)
class ToEnter:
    """A number that is asked for: the form's name of it, its words, its unit."""

    key: str
    words: str
    unit: str


@dataclass(frozen=True)
class Question:
    verb: str  # start, finish, hand over; at packing begin, fill, close, seal, seal again
    thing: Named
    station: int | None
    station_name: str
    step: str
    words: str
    about: str = ""  # the same thing in other words: its lot, its part of the lot
    panels_here: int = 0
    panels_done: int = 0
    panels_of_lot: int = 0
    units: int = 0
    loaded: tuple[Loaded, ...] = ()
    window_seconds: int | None = None
    window_words: str = ""
    to_enter: tuple[ToEnter, ...] = ()
    count: str = "none"  # the method, where a count is asked for
    caution: str = ""
    instruction: str = ""
    run: int | None = None
    run_since: datetime | None = None
    run_by: str = ""
    standard_minutes: float | None = None
    ends_elsewhere: str = ""
    results_of: str = ""  # the run that the tester's file may end instead
    asks_line_clear: bool = False
    choices: tuple[str, ...] = ()  # reasons, of which one is touched
    must_choose: bool = False  # a scan alone does not confirm
    into: Named | None = None  # the pack that is filled, and the lot that it is filled from
    out_of: Named | None = None
    begun: tuple[Begun, ...] = ()  # panels that a run before may have begun
    load: str = ""  # of a cure: its load, whose page has what else may end it
    recipe: str = ""  # of a cure that is not begun
    groups: tuple[Group, ...] = field(default=(), repr=False)


def question_about(session: Session, named: Named, station: int, now: datetime, person: int | None = None) -> Question:
    """The question that a thing raises at a station: to finish what runs there, or to start what comes next."""
    run = run_of(session, named, station)
    return _finish_question(session, named, run) if run is not None else _start_question(session, named, station, now, person)


def hand_over_question(session: Session, badge: Named, person: int | None, now: datetime) -> Question:
    """Another's badge: do all my stations go to that person? Refused at once where the answer could only be no."""
    name = session.get_one(Person, badge.id).name
    mine = stations_of(session, person) if person else []
    must_be_able_to_take_over(session, badge.id, mine, now)
    names = sorted(one.name for one in catalogue.with_ids(session, mine).values())
    words = f"Hand over to {name}?" if mine else f"Does {name} take over?"
    about = f"Your stations: {', '.join(names)}." if mine else "You have no station to hand over."
    return Question(verb="hand over", thing=badge, station=None, station_name="", step="", words=words, about=about)


def _start_question(session: Session, named: Named, station: int, now: datetime, person: int | None) -> Question:
    """Refuses at once what would be refused at the confirmation: nobody is asked what can't be done."""
    would = would_start(session, station, [named], person=person, at=now)
    if would.refusal is not None:
        raise would.refusal
    groups, step = would.facts.groups, next(iter(would.steps.values()))
    panels = [panel for group in groups for panel in group.panels]
    left, window = _window(would.facts, groups, now)
    round_ = max(stand.round_of(step.key) for group in groups for stand in group.progress)
    done, of_lot = _of_lot(session, groups, step)
    return Question(
        verb="start", thing=named, station=station, station_name=would.facts.station.name, step=step.name,
        words=f"Start {step.name} on {named.code}{_for_the(round_)}?",
        about=_about(session, named, groups, len(panels), of_lot), panels_here=len(panels),
        panels_done=done, panels_of_lot=of_lot, units=sum(would.facts.good.get(panel, 0) for panel in panels),
        loaded=tuple(would.facts.loaded), window_seconds=left, window_words=window, caution=step.caution, instruction=step.instruction,
        standard_minutes=step.standard_minutes, asks_line_clear=asks_line_clear(step), recipe=step.recipe or "",
        begun=tuple(may_have_begun(session, groups)), groups=tuple(groups),
    )  # fmt: skip


@dataclass(frozen=True)
class Ending:
    """What a run asks for when it ends: its open lines and their steps, the name of the first; the count's method and its numbers."""

    lines: list[Line]
    steps: list[Step]
    step: str
    count: str
    numbers: tuple[Asked, ...]


def what_ends(session: Session, run: Run) -> Ending:
    lines = open_lines_of(session, run)
    steps = [step for line in lines if (step := step_of_line(session, line))]
    count, numbers = ("none", ()) if run.operation == "test" else asked(session, steps, lines)  # bins are its count
    return Ending(lines, steps, steps[0].name if steps else run.operation, count, numbers)


def _for_the(round_: int) -> str:
    return f" for the {ordinal(round_)} time" if round_ > 1 else ""


def _finish_question(session: Session, named: Named, run: Run) -> Question:
    ending = what_ends(session, run)
    lines, steps, name, count = ending.lines, ending.steps, ending.step, ending.count
    records = {record.name: record for step in steps for record in step.records}
    groups = gather(session, [named])
    panels = [panel for line in lines for panel in _panels(session, line)]
    to_enter = [ToEnter(f"value.{record.name}", record.name, record.unit) for record in records.values()]
    to_enter += [ToEnter(f"count.{one.name}", one.words, one.unit) for one in ending.numbers]
    bins = _bins(session, run) if run.operation == "test" else []
    load = _load_of(session, run)
    others = others_in(lines, groups)
    elsewhere = "" if bins else ENDS_ELSEWHERE.get(run.operation, "")
    return Question(
        verb="finish", thing=named, station=run.station, station_name=catalogue.station(session, run.station).name, step=name,
        words=f"Finish {name} on {named.code}{and_more(others)}{_for_the(max((line.round for line in lines), default=1))}?", panels_here=len(panels),
        about=_with_it(session, load, others) or _about(session, named, groups, len(panels), 0),
        units=0 if count != "none" else sum(good_units(session, panels).values()) if panels else sum(line.units or 0 for line in lines),
        loaded=tuple(loaded_on(session, run.station)), to_enter=() if elsewhere else (*bins, *to_enter),
        caution=steps[0].caution if steps else "", instruction=steps[0].instruction if steps else "", run=run.id, run_since=run.started_at,
        run_by=session.scalar(select(Person.name).where(Person.id == run.person)) or "", count=count,
        results_of=code_of(session, "run", run.id) if run.operation == "test" else "", load=load,
        standard_minutes=steps[0].standard_minutes if steps else None, ends_elsewhere=elsewhere, groups=tuple(groups),
    )  # fmt: skip


def _bins(session: Session, run: Run) -> list[ToEnter]:
    """The bins of the test; none where the catalogue has no table of them."""
    return [ToEnter(f"bin.{name}", f"units in {name}, {grade}", "") for name, grade in grades_at(session, run).items()]


def _load_of(session: Session, run: Run) -> str:
    load = session.scalar(select(Load.id).where(Load.run == run.id)) if run.operation == "cure" else None
    return code_of(session, "load", load) if load else ""


def _panels(session: Session, line: Line) -> list[int]:
    return panels_of(session, line.set) if line.set else []


def others_in(lines: Iterable[Line], groups: Iterable[Group]) -> set[int]:
    """Lots that end with what was scanned: it names the run, and all of the run is finished. Of a load one lot is in hand, the others on shelves."""
    return {line.lot for line in lines if line.lot} - {group.lot for group in groups}


def and_more(others: Set[int]) -> str:
    return f" and {counted(len(others), 'other lot')}" if others else ""


def _with_it(session: Session, load: str, others: Set[int]) -> str:
    codes = sorted(codes_of(session, "lot", sorted(others)).values())
    return f"{f'All of load {load}: with' if load else 'With'} it {few(codes, _NAMED)}." if codes else ""


def _about(session: Session, named: Named, groups: list[Group], here: int, of_lot: int) -> str:
    """ "Lot L26-004217-6, 5 of its 24 panels"; empty where the question has said it."""
    lots = list(dict.fromkeys(group.lot for group in groups if group.lot))
    names = sorted(codes_of(session, "lot", lots).values())
    if not names or (names == [named.code] and here in (0, of_lot)):
        return ""
    part = f", {here} of its {of_lot} panels" if here and of_lot > here else ""
    return f"Lot {', '.join(names)}{part}."


def _of_lot(session: Session, groups: list[Group], step: Step) -> tuple[int, int]:
    """How many panels of the lot have done the step, and how many there are; of one lot alone."""
    lots = {group.lot for group in groups}
    if len(lots) != 1 or not groups[0].panels or groups[0].lot is None:
        return 0, 0
    panels = panels_of_lot(session, groups[0].lot)
    if len(panels) == sum(len(group.panels) for group in groups):
        return 0, len(panels)
    return sum(1 for stand in progress(session, panels).values() if stand.times(step.key)), len(panels)


def _window(facts: Facts, groups: list[Group], now: datetime) -> tuple[int | None, str]:
    """Seconds that the running window leaves that ends first, and which it is."""
    ends = [
        (state.ends_at, route, state.window)
        for group in groups
        if group.route is not None
        for route in [facts.routes[group.route]]
        for stand in group.progress
        for state in running(route, stand)
        if state.ends_at is not None
    ]
    if not ends:
        return None, ""
    end, route, window = min(ends, key=lambda one: one[0])
    names = {step.key: step.name for step in route.steps}
    return int((end - now).total_seconds()), f"left to {names[window.to_step]} after {names[window.from_step]}"
