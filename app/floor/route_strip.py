"""The carrier-tape strip of a group: what each step is for it now, in work, held or at risk, and which time windows run."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route, Step
from app.drawing.strip import Bracket, Drawn, Pocket, State, strip
from app.floor.groups import Group
from app.floor.open_judgements import OpenJudgement, open_judgements
from app.floor.progress import loose_begins
from app.floor.windows import WindowState, running
from app.holds.stopped import Stop, stops_on
from app.ledger.runs import Claim


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


def route_strip(session: Session, group: Group, at: datetime, around: int | None = None) -> RouteStrip:
    """`around`: only so many steps before and after the next one."""
    steps: tuple[Step, ...] = ()
    route: Route | None = None
    if group.route is not None:
        route = catalogue.route(session, group.route).body
        steps = route.steps
    stops = [stop for found in stops_on(session, group.items).values() for stop in found]
    in_work = len(list(session.scalars(select(Claim.item).where(Claim.item.in_(group.items)))))
    judged = open_judgements(session, list(group.panels))
    found = [one for opened in judged.values() for one in opened]
    loose = loose_begins(route) if route and group.item is not None else 0
    pockets = [_pocket(i, step, group, found, bool(stops), in_work, i <= loose) for i, step in enumerate(steps, 1)]
    windows = [one for one in (_windows(route, group) if route else []) if not (in_work and _is_met(one, group))]
    numbers = {step.key: i for i, step in enumerate(steps, 1)}
    brackets = [Bracket(numbers[one.window.from_step], numbers[one.window.to_step], share_left(one, at)) for one in windows]
    return RouteStrip(
        _near(strip(pockets, brackets), numbers.get(group.next_step or "", len(steps)), around),
        [_left(one, steps, at) for one in windows], list(dict.fromkeys(stops)), in_work,
    )  # fmt: skip


def share_left(state: WindowState, at: datetime) -> float:
    """1 when it began, 0 when it is over."""
    if state.ends_at is None or state.ends_at <= at:
        return 0.0
    return min(1.0, (state.ends_at - at) / (state.ends_at - state.since))


def minutes_in_words(seconds: int) -> str:
    """ "1 h 12 min", "7 min"."""
    hours, minutes = divmod(abs(seconds) // 60, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min"


def _pocket(number: int, step: Step, group: Group, judged: list[OpenJudgement], held: bool, in_work: int, before: bool) -> Pocket:
    times = max((stand.times(step.key) for stand in group.progress), default=0)
    if step.key == group.next_step:
        note = f"{in_work} of {len(group.panels)} panels" if in_work and group.panels else ""
        state: State = "held" if held else "in work" if in_work else "next"
        return Pocket(number, step.name, state, group.round if group.round > 1 else 0, note)
    mine = [one for one in judged if one.step == step.key]
    if mine and times:
        return Pocket(number, step.name, "at risk" if all(one.at_risk for one in mine) else "open", times)
    if not times and before:
        return Pocket(number, step.name, "done", 0, "before the units were loose")
    return Pocket(number, step.name, "done" if times else "to come", times)


def _windows(route: Route, group: Group) -> list[WindowState]:
    """The running windows with a longest time; of each, the one that ends first in this group."""
    first: dict[tuple[str, str], WindowState] = {}
    for stand in group.progress:
        for state in running(route, stand):
            key = (state.window.from_step, state.window.to_step)
            if state.ends_at is not None and (key not in first or state.since < first[key].since):
                first[key] = state
    return list(first.values())


def _is_met(state: WindowState, group: Group) -> bool:
    """Its second step has begun, and beginning was all that it asked."""
    return state.window.until == "start" and state.window.to_step == group.next_step


def _left(state: WindowState, steps: tuple[Step, ...], at: datetime) -> WindowLeft:
    names = {step.key: step.name for step in steps}
    seconds = int((state.ends_at - at).total_seconds()) if state.ends_at else 0
    to, after = names[state.window.to_step], names[state.window.from_step]
    if seconds <= 0:
        return WindowLeft(f"The time to begin {to} after {after} ran out {minutes_in_words(seconds)} ago", seconds)
    return WindowLeft(f"{minutes_in_words(seconds)} left to {'begin' if state.window.until == 'start' else 'end'} {to} after {after}", seconds)


def _near(pockets: list[Drawn], number: int, around: int | None) -> list[Drawn]:
    return pockets if around is None else [one for one in pockets if abs(one.number - number) <= around]
