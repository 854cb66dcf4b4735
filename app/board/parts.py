"""Every open lot in the parts that stand alike: where each part is on its route, since when, what it runs, what stops it.

What is open is read by indexes over open rows, so the cost follows the open lots and not the history; the number of statements is fixed.
Panels that travelled in the same sets stand alike, so they are read as one: nothing here goes panel by panel.
`past` says how the same stood before: entries up to a number, and what had ended by a time.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import dropwhile
from operator import attrgetter
from typing import NamedTuple

from sqlalchemy.orm import Session

from app.board.bags import into_bag, without_bag
from app.board.held_parts import held_parts
from app.board.open_rows import (
    Doing,
    OpenLot,
    Past,
    Running,
    alike,
    doings_of,
    last_places,
    load_places,
    lots_of,
    running_lines,
    signed_at_risk,
    spent_panels,
)
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Product, Route, Step, Window
from app.catalogue.route_rules import steps_of_lot
from app.floor.amounts import amounts
from app.floor.moves import place_of
from app.floor.progress import loose_progress
from app.floor.windows import WindowState, running
from app.holds.stopped import Stop, stops_on
from app.packing.contents import fills_of_packs
from app.packing.dry import ways_of
from app.packing.pockets import units_in


class Part(NamedTuple):
    """Panels of a lot that stand alike (or a loose lot, or a pack without its bag: no panels). `step`: in work there, or next; None: all are done."""

    lot: OpenLot
    panels: int
    units: int
    step: str | None
    since: datetime  # waiting or running
    done: tuple[Doing, ...]
    running: Running | None = None
    load: int | None = None  # on a shelf of an oven load that is being filled
    shelf: str | None = None
    stops: tuple[Stop, ...] = ()
    is_at_risk: bool = False
    place: str = ""  # where it was moved to, if not on the floor
    round: int = 1  # which time its step is done, as in `floor/progress.py`
    windows: tuple[WindowState, ...] = ()  # of a loose lot or pack: those that run; of panels `done` says it

    @property
    def state(self) -> str:
        return "held" if self.stops else "at risk" if self.is_at_risk else "running" if self.running else "waiting"

    @property
    def is_in_stock(self) -> bool:
        """Put aside on purpose: it waits for no step."""
        return self.place.partition(":")[0] == "stock"


@dataclass(frozen=True)
class Parts:
    parts: tuple[Part, ...]
    routes: dict[int, Route]
    products: dict[int, Product]
    spent: int  # lots of panels without a good unit left, which are in no part

    def is_to_scrap(self, part: Part) -> bool:
        """Rejects; and seconds of a product that sells none, once no test is ahead of them. What is packed was let."""
        if part.lot.grade != "second" or part.lot.form == "pack":
            return part.lot.grade == "reject"
        route = self.routes.get(part.lot.route or 0)
        ahead = dropwhile(lambda step: step.key != part.step, route.steps) if route else ()
        return self.products[part.lot.product].seconds_part_number is None and not any(step.operation == "test" for step in ahead)


def open_parts(session: Session, past: Past | None = None) -> Parts:
    """All that is open now, or was open then. Of then, only the holds are known that are still in force, no places, and no packs without a bag."""
    lots = lots_of(session, past) | ({} if past else without_bag(session))
    routes = {thing: one.body for thing, one in catalogue.with_ids(session, sorted({lot.route for lot in lots.values() if lot.route})).items()}
    products = {thing: one.body for thing, one in catalogue.with_ids(session, sorted({lot.product for lot in lots.values()})).items()}
    known = _Known(session, lots, routes, products, past)
    found = [*known.panel_parts(), *known.loose_parts(), *known.pack_parts()]
    there = {part.lot.item for part in found}
    spent = sum(1 for lot in lots.values() if lot.form == "panel" and lot.item not in there)
    return Parts(tuple(sorted(found, key=lambda part: (part.since, part.lot.item))), routes, products, spent)


class _Known:
    """What was read of the open lots, and the parts made from it."""

    def __init__(
        self, session: Session, lots: dict[int, OpenLot], routes: dict[int, Route], products: dict[int, Product], past: Past | None
    ) -> None:  # fmt: skip
        self.session, self.lots, self.routes, self.products, self.past = session, lots, routes, products, past
        spent = spent_panels(session, past)
        self.alike = alike(session, past, spent)
        sets = sorted({one for _, sets, _ in self.alike for one in sets})
        self.doings = doings_of(session, sets, past)
        self.signed = signed_at_risk(session, [line for found in self.doings.values() for line, doing in found.items() if doing.is_open])
        (self.running, self.loose_running), self.loading = running_lines(session, past), {} if past else load_places(session)
        self.held_panels, self.held_loose = held_parts(session, past, spent)
        self.places = {} if past else last_places(session, spent)
        self.next_steps: dict[tuple[int | None, str, frozenset[str]], str | None] = {}

    def panel_parts(self) -> Iterable[Part]:
        for lot, sets, n in self.alike:
            if lot not in self.lots:
                continue
            held: dict[tuple[Stop, ...], int] = self.held_panels.get((lot, sets), {})
            part = self._part(self.lots[lot], sets, n)
            free = n - sum(held.values())
            if free == n:
                yield part
            elif free:
                yield part._replace(panels=free, units=part.units * free // n)
            for stops, k in held.items():
                yield part._replace(panels=k, units=part.units * k // n, stops=stops)

    def loose_parts(self) -> Iterable[Part]:
        loose = [lot for lot in self.lots.values() if lot.form == "loose"]
        stand = loose_progress(self.session, [lot.item for lot in loose])
        books = amounts(self.session, [lot.item for lot in loose])
        for lot in loose:
            ended = [one for one in stand[lot.item].doings if self._had_ended(one.ended_at)]
            again = stand[lot.item].left_over
            done = [Doing(0, one.line, one.step, one.ended_at, None, is_open=False, again=one.step in again) for one in ended]
            postings = [one for one in books[lot.item].postings if self.past is None or one.e <= self.past.e]
            units = sum(one.units if one.what == "in" else -one.units for one in postings)
            if units > 0:
                part = self._standing(lot, done, 0, units, self.loose_running.get(lot.item), None, tuple(self.held_loose.get(lot.item, ())))
                part = part._replace(round=stand[lot.item].round_of(part.step) if part.step else 1)
                route = self.routes.get(lot.route or 0)
                yield part._replace(windows=tuple(running(route, stand[lot.item]))) if route and route.windows else part

    def pack_parts(self) -> Iterable[Part]:
        """Those whose route has a bag for them, and that are not gone."""
        routes = {route for route, body in self.routes.items() if steps_of_lot(body, "pack")}
        waiting = {lot.item: lot for lot in self.lots.values() if lot.form == "pack" and lot.route in routes}
        places = place_of(self.session, waiting)
        here = [item for item in waiting if places[item].kind != "shipped"]
        stops, ways, fills = stops_on(self.session, here), ways_of(self.session, here), fills_of_packs(self.session, here)
        for item in here:
            lot = waiting[item]
            part = self._standing(lot, (), 0, units_in(fills[item]), None, None, tuple(stops.get(item, ())))
            place = "" if places[item].kind == "floor" else str(places[item])
            yield part._replace(place=place, windows=into_bag(self.routes[lot.route or 0], ways[item]))

    def _had_ended(self, at: datetime) -> bool:
        return self.past is None or at <= self.past.at

    def _part(self, lot: OpenLot, sets: frozenset[int], n: int) -> Part:
        by_line: dict[int, Doing] = {}
        for one in sets:
            by_line |= self.doings.get(one, {})
        done = [by_line[line] for line in sorted(by_line)]
        product = self.products[lot.product]
        good = next((doing.good for doing in reversed(done) if doing.good is not None), product.rows * product.columns)
        running = next((self.running[one] for one in sets & self.running.keys()), None)
        loading = next((self.loading[one] for one in sets & self.loading.keys()), None)
        let_go = [line for line in by_line.keys() & self.signed.keys() if by_line[line].is_open and not by_line[line].again]
        at_risk = any(self.signed[line] & sets for line in let_go)
        return self._standing(lot, done, n, round(n * good), running, loading, (), at_risk=at_risk)

    def _standing(
        self, lot: OpenLot, done: Sequence[Doing], panels: int, units: int, running: Running | None, loading: tuple[int, str] | None,
        stops: tuple[Stop, ...], *, at_risk: bool = False,
    ) -> Part:  # fmt: skip
        counted = tuple([doing for doing in done if not doing.again])
        step = running.step if running and running.step else self._following(lot, frozenset([doing.step for doing in counted]))
        since = running.since if running else max(map(_ended_at, done), default=lot.made_at)
        return Part(
            lot, panels, units, step, since, counted, running,
            loading[0] if loading else None, (loading[1] if loading else None) or (running.shelf if running else None), stops,
            place=self.places.get(lot.item, ""), is_at_risk=at_risk,
            round=self._round(lot, step, done) if running or len(counted) < len(done) else 1,  # else nothing of the step was done
        )  # fmt: skip

    def _round(self, lot: OpenLot, step: str | None, done: Sequence[Doing]) -> int:
        """Of panels. Dies attached anew are of the round that they were in."""
        body = step_of(self.routes.get(lot.route or 0), step)
        return 1 if body is not None and body.operation == "die attach" else 1 + sum(doing.step == step for doing in done)

    def _following(self, lot: OpenLot, finished: frozenset[str]) -> str | None:
        """The first step that is not finished: few answers, and thousands of parts that ask."""
        key = lot.route, lot.form, finished
        if key not in self.next_steps:
            route = self.routes.get(lot.route or 0)
            steps = steps_of_lot(route, lot.form) if route else ()
            self.next_steps[key] = next((step.key for step in steps if step.key not in finished), None)
        return self.next_steps[key]


def as_one(some: Sequence[Part]) -> Part:
    """Parts of a lot as the first of them, with the panels and units of all."""
    return some[0] if len(some) == 1 else some[0]._replace(panels=sum(part.panels for part in some), units=sum(part.units for part in some))


def step_of(route: Route | None, key: str | None) -> Step | None:
    return next((step for step in route.steps if step.key == key), None) if route else None


def running_windows(route: Route, part: Part) -> list[tuple[Window, datetime]]:
    """The time windows that run for a part, each with when it began: its first step is done, its second not begun (or ended, as it says)."""
    begun = [(state.window, state.since) for state in part.windows]
    if part.lot.form == "panel":
        done = {doing.step for doing in part.done}
        begun = [(window, _ended(part, window.from_step)) for window in route.windows if window.from_step in done and window.to_step not in done]
    at = part.step if part.running is not None else None
    return [(window, since) for window, since in begun if window.max_minutes is not None and not (window.until == "start" and at == window.to_step)]


def _ended(part: Part, step: str) -> datetime:
    return max(doing.ended_at for doing in part.done if doing.step == step)


_ended_at = attrgetter("ended_at")
