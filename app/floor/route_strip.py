"""The carrier-tape strip of a group: what each step is for it now, in work, held or at risk, and which time windows run."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route, Step
from app.catalogue.route_rules import loose_begins
from app.drawing.strip import Bracket, Drawn, Pocket, State, strip
from app.floor.groups import Group
from app.floor.open_judgements import OpenJudgement, open_judgements
from app.floor.windows import WindowState, running
from app.holds.stopped import Stop, stops_on
from app.listed import listed, tuples


@dataclass(frozen=True)
class WindowLeft:
    """A time window in words: "bond within 1 h 12 min after plasma"."""

    words: str
    seconds: int


@dataclass(frozen=True)
class RouteStrip:
    pockets: list[Drawn]
    windows: list[WindowLeft]
    stops: list[Stop]
    in_work: int  # panels, or 1 for a loose lot
    stopped: Mapping[int, int]  # hold -> how many panels it stops, or 1


def route_strip(session: Session, group: Group, at: datetime, around: int | None = None) -> RouteStrip:
    """Of one group. `around`: only so many steps before and after the next one."""
    return strips(session, {0: [group]}, at, around)[0]


def strips(session: Session, groups: Mapping[int, Sequence[Group]], at: datetime, around: int | None = None) -> dict[int, RouteStrip]:
    """The strip of each key (a lot): its groups on one tape. As many statements for one panel as for a thousand."""
    every = [group for found in groups.values() for group in found]
    items = [item for group in every for item in group.items]
    routes = catalogue.with_ids(session, list({group.route for group in every if group.route is not None}))
    state = _State(stops_on(session, items), open_judgements(session, [panel for group in every for panel in group.panels]), _in_work(session, items))
    return {key: _strip(found, routes[found[0].route].body if found and found[0].route else None, state, at, around) for key, found in groups.items()}


@dataclass(frozen=True)
class _State:
    """What is so about items now, by item."""

    stops: Mapping[int, Sequence[Stop]]
    judged: Mapping[int, Sequence[OpenJudgement]]
    in_work: Mapping[int, str | None]  # the step that a run is doing on it


def _in_work(session: Session, items: list[int]) -> dict[int, str | None]:
    """Panel or loose lot -> the step that it is in work at. A run's open lines say which; a claim says that it is."""
    claims: dict[int, int] = dict(tuples(session, _CLAIMS, items=items))
    steps = {(run, item): step for run, item, step in tuples(session, _OPEN_LINES, runs=set(claims.values()))}
    return {item: steps.get((run, item)) for item, run in claims.items()}


_CLAIMS = listed("select item, run from claim where item in :items", "items")
_OPEN_LINES = listed(
    """
    select l.run, coalesce(m.panel, l.item), l.step from line l left join member m on m."set" = l."set"
    where l.run in :runs and l.closed_e is null
    """,
    "runs",
)


def _strip(groups: Sequence[Group], route: Route | None, state: _State, at: datetime, around: int | None) -> RouteStrip:
    steps = route.steps if route else ()
    items = [item for group in groups for item in group.items]
    loose = loose_begins(route) if route and any(group.item is not None for group in groups) else 0
    pockets = [_pocket(i, step, groups, state, i <= loose) for i, step in enumerate(steps, 1)]
    numbers = {step.key: i for i, step in enumerate(steps, 1)}
    windows = _windows(route, groups, state) if route else []
    brackets = [Bracket(numbers[one.window.from_step], numbers[one.window.to_step], share_left(one, at)) for one in windows]
    at_step = min((numbers.get(group.next_step or "", len(steps)) for group in groups), default=0)
    stops = [stop for item in items for stop in state.stops.get(item, ())]
    in_work = sum(item in state.in_work for item in items)
    return RouteStrip(
        _near(strip(pockets, brackets), at_step, around), [_left(one, steps, at) for one in windows], list(dict.fromkeys(stops)), in_work,
        Counter(stop.hold for stop in stops),
    )  # fmt: skip


def share_left(state: WindowState, at: datetime) -> float:
    """1 when it began, 0 when it is over."""
    if state.ends_at is None or state.ends_at <= at:
        return 0.0
    return min(1.0, (state.ends_at - at) / (state.ends_at - state.since))


def minutes_in_words(seconds: int) -> str:
    """ "1 h 12 min", "7 min", "under 1 min": nothing is left of "0 min left", or so one reads it."""
    hours, minutes = divmod(abs(seconds) // 60, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min" if minutes else "under 1 min"


def _pocket(number: int, step: Step, groups: Sequence[Group], state: _State, before: bool) -> Pocket:
    """What one step is for all groups together: done when every panel has done it."""
    members = [(item, stand) for group in groups for item, stand in zip(group.items, group.progress, strict=True)]
    coming = {item for group in groups if group.next_step == step.key for item in group.items}
    here = {item for item, _ in members if state.in_work.get(item) == step.key}
    done, of = sum(stand.times(step.key) > 0 for _, stand in members), len(members)
    if at_it := coming | here:
        held = [item for item in coming if item in state.stops and item not in here]
        kind: State = "held" if held else "in work" if here else "next"
        round_ = max(stand.round_of(step.key) for item, stand in members if item in at_it)
        note = "" if groups[0].item is not None else _how_many(done, len(here), len(held), of)
        return Pocket(number, step.name, kind, round_ if round_ > 1 else 0, note, done / of)
    again = max((stand.round_of(step.key) - 1 for _, stand in members if stand.times(step.key)), default=0)
    mine = [one for item, _ in members for one in state.judged.get(item, ()) if one.step == step.key]
    if mine and done:
        return Pocket(number, step.name, "at risk" if all(one.at_risk for one in mine) else "open", again)
    if before and not done:
        return Pocket(number, step.name, "done", 0, "before the units were loose")
    return Pocket(number, step.name, "done" if done else "to come", again)


def _how_many(done: int, here: int, held: int, of: int) -> str:
    """ "15 of 24 panels done, 5 in work"; "3 of 24 panels held"."""
    if 0 < held < of:
        return f"{held} of {of} panels held"
    if not done:
        return f"{here} of {of} panels" if here else ""
    return f"{done} of {of} panels done" + (f", {here} in work" if here else "")


def _windows(route: Route, groups: Sequence[Group], state: _State) -> list[WindowState]:
    """The running windows with a longest time; of each, the one that ends first. A panel that began the second step has met one until its start."""
    first: dict[tuple[str, str], WindowState] = {}
    for group in groups:
        for item, stand in zip(group.items, group.progress, strict=True):
            for one in running(route, stand):
                key = (one.window.from_step, one.window.to_step)
                is_met = one.window.until == "start" and state.in_work.get(item) == one.window.to_step
                if one.ends_at is not None and not is_met and (key not in first or one.since < first[key].since):
                    first[key] = one
    return list(first.values())


def _left(state: WindowState, steps: tuple[Step, ...], at: datetime) -> WindowLeft:
    names = {step.key: step.name for step in steps}
    seconds = int((state.ends_at - at).total_seconds()) if state.ends_at else 0
    what = f"{'begin' if state.window.until == 'start' else 'end'} {names[state.window.to_step]} after {names[state.window.from_step]}"
    if seconds <= 0:
        return WindowLeft(f"The time to {what} ran out {minutes_in_words(seconds)} ago", seconds)
    return WindowLeft(f"{minutes_in_words(seconds)} left to {what}", seconds)


def _near(pockets: list[Drawn], number: int, around: int | None) -> list[Drawn]:
    return pockets if around is None else [one for one in pockets if abs(one.number - number) <= around]
