"""The rows of the board: the lots at one step of one route, how many wait, run, are at risk or held, and which are late or stuck."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.board.marks import Mark, held_too_long, in_hours, late, runs_too_long, wait_limit, waits_too_long
from app.board.paces import Paces
from app.board.parts import Part, Parts, as_one, step_of
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order, Route, Step
from app.catalogue.models import Thing
from app.catalogue.route_rules import steps_of_lot
from app.drawing.strip import Drawn, Pocket, State, ordinal, strip
from app.journal.models import Entry
from app.ledger.stops import Hold
from app.naming.resolve import codes_of

STATES = ("waiting", "running", "at risk", "held")
_AROUND = 2  # pockets of the tape shown on each side of the step


@dataclass(frozen=True)
class Placed:
    """A hold in force: its code and when it was placed."""

    code: str
    at: datetime


@dataclass(frozen=True)
class LotAt:
    """A part of a lot as a line on a page. `where`: at which station since when, or how long it waits; and which time."""

    code: str
    order: str
    due: date | None
    panels: int
    units: int
    state: str
    where: str
    since: datetime
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Row:
    """The lots at one step of a route. `counts`: lots by state; one whose panels stand apart is in two. `pockets`: the tape around the step."""

    route: int
    route_name: str
    product: str
    key: str | None
    number: int
    step: str
    pockets: tuple[Drawn, ...]
    counts: dict[str, int]
    panels: int
    units: int
    longest: timedelta  # the longest wait
    lots: tuple[LotAt, ...]

    @property
    def longest_words(self) -> str:
        return in_hours(self.longest) if self.longest else ""

    def worst(self, kind: str) -> str:
        """The lot that is worst, with its reason."""
        lot = self.marked(kind)[0]
        return f"{lot.code} {next(mark.reason for mark in lot.marks if mark.kind == kind)}"

    @property
    def late(self) -> tuple[LotAt, ...]:
        return self.marked("late")

    @property
    def stuck(self) -> tuple[LotAt, ...]:
        return self.marked("stuck")

    def how_many(self, kind: str) -> int:
        """Lots, each counted once wherever its panels run."""
        return len({lot.code for lot in self.marked(kind)})

    def marked(self, kind: str) -> tuple[LotAt, ...]:
        """Those with that mark, the worst first."""
        found = [(max(mark.by for mark in lot.marks if mark.kind == kind), lot) for lot in self.lots if any(mark.kind == kind for mark in lot.marks)]
        return tuple(lot for _, lot in sorted(found, key=lambda one: one[0], reverse=True))


@dataclass(frozen=True)
class Known:
    """What marks and words need beside the parts: names of stations, orders, holds, past waits, the zone and the time."""

    stations: dict[int, str]
    orders: dict[int, Order]
    holds: dict[int, Placed]
    paces: Paces
    zone: str
    now: datetime


def known(session: Session, parts: Parts, paces: Paces, zone: str, now: datetime) -> Known:
    """Six statements, however many lots."""
    found = catalogue.with_ids(session, sorted({part.lot.order for part in parts.parts if part.lot.order}))
    holds = sorted({stop.hold for part in parts.parts for stop in part.stops})
    names = codes_of(session, "hold", holds)
    placed = session.execute(select(Hold.id, Entry.happened_at).join(Entry, Entry.id == Hold.e).where(Hold.id.in_(holds)))
    stations = {thing: name for thing, name in session.execute(select(Thing.id, Thing.name).where(Thing.kind == "station"))}
    return Known(
        stations, {thing: one.body for thing, one in found.items()}, {hold: Placed(names[hold], at) for hold, at in placed}, paces, zone, now
    )  # fmt: skip


def rows(parts: Parts, names: dict[int, str], know: Known) -> list[Row]:
    """One row a step with lots at it, in the order of the routes. `names`: of the routes. What is to be scrapped is no work: it is counted apart."""
    at: defaultdict[tuple[int, str | None], list[Part]] = defaultdict(list)
    for part in parts.parts:
        if part.lot.route in parts.routes and not parts.is_to_scrap(part):
            at[part.lot.route, part.step].append(part)
    found = [_row(route, names[route], parts.routes[route], key, there, know) for (route, key), there in at.items()]
    return sorted(found, key=lambda row: (row.product, row.route_name, row.number))


def to_scrap(parts: Parts) -> tuple[int, int]:
    """(lots, units) that wait to be scrapped."""
    units = [part.units for part in parts.parts if parts.is_to_scrap(part)]
    return len(units), sum(units)


def marks_of(part: Part, route: Route, know: Known) -> tuple[Mark, ...]:
    order = know.orders.get(part.lot.order or 0)
    step = step_of(route, part.step)
    spent = know.now - part.since if part.running else timedelta()
    found = [late(know.now, order.due if order else None, know.zone, _left(part, route), spent), *_stuck(part, step, know)]
    return tuple(mark for mark in found if mark)


def _stuck(part: Part, step: Step | None, know: Known) -> list[Mark | None]:
    if part.stops:
        first = min((know.holds[stop.hold] for stop in part.stops), key=lambda hold: hold.at)
        return [held_too_long(know.now - first.at, first.code)]
    if step is None or part.is_in_stock:
        return []
    if part.running:
        return [runs_too_long(know.now - part.since, step, know.stations[part.running.station])]
    return [waits_too_long(know.now - part.since, wait_limit(step, know.paces.waits_at(part.lot.product, step.key)))]


def _left(part: Part, route: Route) -> Sequence[Step]:
    done = {doing.step for doing in part.done}
    return [step for step in steps_of_lot(route, part.lot.form) if step.key not in done or (part.running and step.key == part.step)]


def _row(route: int, name: str, body: Route, key: str | None, there: list[Part], know: Known) -> Row:
    number = next((i for i, step in enumerate(body.steps, 1) if step.key == key), len(body.steps) + 1)
    counts = Counter(state for _, state in {(part.lot.item, part.state) for part in there})
    step = step_of(body, key)
    waits = [know.now - part.since for part in there if not (part.running or part.stops or part.is_in_stock)]
    return Row(
        route, name, body.product, key, number, step.name if step else "every step is done", _tape(body, number, counts),
        {state: counts[state] for state in STATES}, sum(part.panels for part in there), sum(part.units for part in there),
        max(waits, default=timedelta()), tuple(_lot_at(part, body, know) for part in _together(there)),
    )  # fmt: skip


def _together(parts: Sequence[Part]) -> Iterable[Part]:
    """Parts of one lot that differ by nothing but what they went through are one line, which waits as long as the first of them."""
    found: defaultdict[tuple[object, ...], list[Part]] = defaultdict(list)
    for part in parts:
        found[part.lot.item, part.state, part.running and part.running.station, part.stops, part.place, part.load, part.round].append(part)
    return (as_one(some) for some in found.values())


def _lot_at(part: Part, route: Route, know: Known) -> LotAt:
    order = know.orders.get(part.lot.order or 0)
    return LotAt(
        part.lot.code, order.number if order else "", order.due if order else None, part.panels, part.units, part.state,
        _where(part, know), part.since, marks_of(part, route, know),
    )  # fmt: skip


def _where(part: Part, know: Known) -> str:
    return _stands(part, know) + (f", {ordinal(part.round)} time" if part.round > 1 else "")


def _stands(part: Part, know: Known) -> str:
    if part.running:
        shelf = f", shelf {part.shelf}" if part.shelf else ""
        return f"runs at {know.stations[part.running.station]}{shelf} for {in_hours(know.now - part.since)}"
    where = f" ({part.place})" if part.place else " on a shelf of a load that is being filled" if part.load else ""
    if part.stops:
        return f"on hold {', '.join(know.holds[stop.hold].code for stop in part.stops)}{where}"
    if part.is_in_stock:
        return f"in {part.place}"
    return f"waits {in_hours(know.now - part.since)}{where}"


def _tape(route: Route, number: int, counts: Counter[str]) -> tuple[Drawn, ...]:
    here: State = "in work" if counts["running"] else "held" if counts["held"] and not counts["waiting"] + counts["at risk"] else "next"
    pockets = [
        Pocket(i, step.name, here if i == number else "done" if i < number else "to come", 1 if i < number else 0)
        for i, step in enumerate(route.steps, 1)
        if abs(i - number) <= _AROUND
    ]
    return tuple(strip(pockets))
