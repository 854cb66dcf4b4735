"""What was scanned decides: a container or lot asks to start or finish, a station is chosen, material is mounted, a person takes over."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Record, Step
from app.drawing.strip import ordinal
from app.errors import refuse
from app.floor.ends import open_lines_of, step_of_line
from app.floor.gates import Facts, Loaded, loaded_on
from app.floor.groups import Group, contents, gather
from app.floor.marks import good_units
from app.floor.starts import would_start
from app.floor.windows import running
from app.ledger.runs import Claim, Line, Run
from app.ledger.sets import panels_of
from app.naming.resolve import Named, resolve

READ_TWICE = timedelta(seconds=1.5)  # scanners read twice: the same code again sooner than this starts nothing
WORKED_ON = ("container", "lot", "panel", "pack", "sample")


@dataclass(frozen=True)
class Pending:
    """The question that stands on the screen: about which code, asked when."""

    code: str
    asked_at: datetime


@dataclass(frozen=True)
class Question:
    """One question: start or finish, of what, with what there is to see and to record."""

    verb: str  # start, finish
    thing: Named
    station: int
    station_name: str
    step: str
    words: str
    panels_here: int
    panels_done: int
    panels_of_lot: int
    units: int
    loaded: tuple[Loaded, ...]
    window_seconds: int | None
    window_words: str
    records: tuple[Record, ...]
    caution: str
    instruction: str
    run: int | None = None
    asks_line_clear: bool = False
    counts: bool = False
    groups: tuple[Group, ...] = ()


@dataclass(frozen=True)
class Meaning:
    """What a scan asks for. `do`: ask, confirm, nothing, choose_station, mount, hand_over, load, look."""

    do: str
    named: Named | None = None
    question: Question | None = None
    station: int | None = None


def choose(session: Session, text: str, station: int | None, pending: Pending | None, now: datetime, person: int | None = None) -> Meaning:
    """`station`: the one chosen at this terminal. `pending`: the question that was on the screen when this was scanned."""
    named = resolve(session, text)
    if pending is not None:
        if named.kind == "card" or (named.kind == "station" and named.id == station):
            return Meaning("confirm", named, station=station)
        if named.code == pending.code:
            return Meaning("confirm" if now - pending.asked_at >= READ_TWICE else "nothing", named, station=station)
    if named.kind == "station":
        return Meaning("choose_station", named, station=named.id)
    if named.kind in ("batch", "wafer"):
        return Meaning("mount", named, station=_must_have(station, named))
    if named.kind == "person":
        return Meaning("hand_over", named)
    if named.kind == "load":
        return Meaning("load", named)
    if named.kind in WORKED_ON:
        return _about_work(session, named, station, now, person)
    return Meaning("look", named)


def question_about(session: Session, named: Named, station: int, now: datetime, person: int | None = None) -> Question:
    """The question that a thing raises at a station: to finish what runs there, or to start what comes next."""
    run = run_of(session, named, station)
    return _finish_question(session, named, run) if run is not None else _start_question(session, named, station, now, person)


def run_of(session: Session, named: Named, station: int | None = None) -> Run | None:
    """The open run that has this thing, at the station if one is given."""
    panels, items = contents(session, named)
    query = select(Run).join(Claim, Claim.run == Run.id).where(Claim.item.in_([*panels, *items]), Run.closed_e.is_(None))
    if station is not None:
        query = query.where(Run.station == station)
    return session.scalars(query.order_by(Run.id)).first()


def station_for(session: Session, named: Named, stations: list[int]) -> int | None:
    """The one station of these that could take the thing next, or has it in work; None if none or several could."""
    run = run_of(session, named)
    if run is not None:
        return run.station
    groups = gather(session, [named])
    steps = {step.operation for group in groups if (step := _next(session, group))}
    able = [one for one in stations if steps & set(catalogue.station(session, one).body.operations)]
    return able[0] if len(able) == 1 else None


def _about_work(session: Session, named: Named, station: int | None, now: datetime, person: int | None) -> Meaning:
    if station is None:
        run = run_of(session, named)
        if run is None:
            return Meaning("look", named)
        station = run.station
    return Meaning("ask", named, question_about(session, named, station, now, person), station)


def _start_question(session: Session, named: Named, station: int, now: datetime, person: int | None) -> Question:
    """Refuses at once what would be refused at the confirmation: nobody is asked what can't be done."""
    would = would_start(session, station, [named], person=person, at=now)
    if would.refusal is not None:
        raise would.refusal
    groups, step = would.facts.groups, next(iter(would.steps.values()))
    panels = [panel for group in groups for panel in group.panels]
    left, window = _window(would.facts, groups, now)
    again = max(stand.times(step.key) for group in groups for stand in group.progress)
    time = f" for the {ordinal(again + 1)} time" if again else ""
    return Question(
        verb="start", thing=named, station=station, station_name=would.facts.station.name, step=step.name,
        words=f"Start {step.name} on {named.code}{time}?", panels_here=len(panels), panels_done=_done(groups, step), panels_of_lot=len(panels),
        units=sum(good_units(session, panels).values()) if panels else 0, loaded=tuple(would.facts.loaded), window_seconds=left,
        window_words=window, records=(), caution=step.caution, instruction=step.instruction,
        asks_line_clear=step.operation in ("test", "tape"), groups=tuple(groups),
    )  # fmt: skip


def _finish_question(session: Session, named: Named, run: Run) -> Question:
    lines = open_lines_of(session, run)
    steps = [step for line in lines if (step := step_of_line(session, line))]
    records = {record.name: record for step in steps for record in step.records}
    station = catalogue.station(session, run.station)
    name = steps[0].name if steps else run.operation
    return Question(
        verb="finish", thing=named, station=run.station, station_name=station.name, step=name, words=f"Finish {name} on {named.code}?",
        panels_here=sum(_panels(session, line) for line in lines), panels_done=0, panels_of_lot=0, units=sum(line.units or 0 for line in lines),
        loaded=tuple(loaded_on(session, run.station)), window_seconds=None, window_words="", records=tuple(records.values()),
        caution=steps[0].caution if steps else "", instruction=steps[0].instruction if steps else "", run=run.id,
        counts=any(step.count not in ("none", "cells") for step in steps), groups=tuple(gather(session, [named])),
    )  # fmt: skip


def _panels(session: Session, line: Line) -> int:
    return len(panels_of(session, line.set)) if line.set else 0


def _next(session: Session, group: Group) -> Step | None:
    if group.route is None or group.next_step is None:
        return None
    return catalogue.step_of(catalogue.route(session, group.route).body, group.next_step)


def _done(groups: list[Group], step: Step | None) -> int:
    return sum(1 for group in groups for stand in group.progress if step and stand.times(step.key))


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


def _must_have(station: int | None, named: Named) -> int:
    if station is None:
        raise refuse("not_here", f"{named.code} was not mounted.", "No station is chosen at this terminal.", "Scan the station first.")
    return station
