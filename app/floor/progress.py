"""Where panels and loose lots stand on their routes. Nothing of it is stored: it is summed from the lines that covered them."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from graphlib import TopologicalSorter

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route
from app.catalogue.route_rules import loose_begins, panel_steps, windows_of_loose
from app.db import Moment
from app.ledger.items import Lot, LotRoute
from app.ledger.judgements import is_reworked
from app.listed import among, ask, listed, tuples


@dataclass(frozen=True)
class Doing:
    """One time that a step was done for a thing: on which line, in which round, when it ended, and how it is judged."""

    line: int
    step: str
    round: int
    ended_at: datetime
    judged: str | None


@dataclass
class Progress:
    """What a panel or loose lot has done, on which route, and what comes next (None: nothing, or no lot)."""

    route: int | None = None
    lot: int | None = None
    doings: list[Doing] = field(default_factory=list)
    reworked: list[Doing] = field(default_factory=list)  # what was sent to rework: no step is done by it; of loose units, of any part
    next_step: str | None = None
    round: int = 1  # of the next step
    attaching: frozenset[str] = frozenset()  # the route's steps that put dies on cells
    left_over: set[str] = field(default_factory=set)  # tests that gave a loose lot's units their bins, all but those that are in this one
    is_reject: bool = False
    ways: "Ways | None" = None  # of loose units, which came together by several; a panel goes one

    def last(self, step: str) -> Doing | None:
        return max((doing for doing in self.doings if doing.step == step), key=lambda doing: doing.line, default=None)

    def lasts(self, step: str) -> tuple[Doing, ...]:
        """When a step was last done, by the clock: of each part of loose units that came together, since each had its own time."""
        if self.ways is not None:
            return tuple(self.ways.lasts.get(step, ()))
        done = [doing for doing in self.doings if doing.step == step]
        return (max(done, key=_by_the_clock),) if done else ()

    def times(self, step: str) -> int:
        if self.ways is not None:
            return self.ways.times[step]
        return sum(doing.step == step for doing in self.doings)

    def round_of(self, step: str) -> int:
        """Which time it is when the step is done now. What was sent to rework was a time as well, though the step is open again.

        Not so where dies are attached: the logs of those that are set right add to the logs before, so both are of one round.
        """
        if self.ways is not None:
            return self.ways.rounds[step] + 1
        reworked = sum(doing.step == step for doing in self.reworked)
        return self.times(step) + (0 if step in self.attaching else reworked) + 1


@dataclass
class Ways:
    """What was done to the parts of loose units: by step the last doing of each part, and how often the part with the most doings had it.

    `rounds`: the same with what was sent to rework, and with what only some of the parts had, but for tests: what one leaves in its machine
    joins the next lot, and is no reason to call that one's test its second.
    `before`: the steps that panels do. Their doings are known where a time window leads from them to loose units.
    """

    lasts: dict[str, set[Doing]] = field(default_factory=dict)
    times: Counter[str] = field(default_factory=Counter)
    rounds: Counter[str] = field(default_factory=Counter)
    before: frozenset[str] = frozenset()


def _by_the_clock(doing: Doing) -> tuple[datetime, int]:
    return doing.ended_at, doing.line


def progress(session: Session, panels: list[int]) -> dict[int, Progress]:
    """For each panel: its doings and the next step. Counted per set, since panels travel in sets."""
    by_set: defaultdict[int, list[int]] = defaultdict(list)
    found = {panel: Progress() for panel in panels}
    for panel, set_id, lot, route in tuples(session, _TRAVELLED, panels=panels):
        by_set[set_id].append(panel)
        if lot is not None:
            found[panel].lot, found[panel].route = lot, route
    for row in ask(session, _DOINGS, sets=by_set):
        doing = Doing(row.line, row.step, row.round, row.ended_at, row.judged)
        for panel in by_set[row.covered]:
            (found[panel].reworked if row.reworked else found[panel].doings).append(doing)
    _set_next(session, found)
    return found


def loose_progress(session: Session, lots: list[int]) -> dict[int, Progress]:
    """The same for loose lots: lines on them, and what was done to everything that flowed in; singulation and before count as done.

    What a test left in the machine has no bin: for it the test comes again. So it does for rejects, which go to no later step.
    """
    stand = {lot: (route, grade) for lot, route, grade in tuples(session, _GRADED, lots=lots)}
    inflows: dict[int, set[_Inflow]] = {lot: set() for lot in lots}
    for child, parent, by_bin in tuples(session, _LOOSE_FLOWS, lots=lots):
        inflows.setdefault(child, set()).add((parent, bool(by_bin)))
        inflows.setdefault(parent, set())
    own: defaultdict[int, set[Doing]] = defaultdict(set)
    reworked: defaultdict[int, set[Doing]] = defaultdict(set)
    gave_bins: defaultdict[int, set[str]] = defaultdict(set)
    found = {lot: Progress(lot=lot) for lot in lots}
    for lot, (route, grade) in stand.items():
        found[lot].route, found[lot].is_reject = route, grade == "reject"
    for row in ask(session, _LOOSE_DOINGS, lots=list(inflows)):
        doing = Doing(row.line, row.step, row.round, row.ended_at, row.judged)
        if row.reworked:
            reworked[row.item].add(doing)
            continue
        own[row.item].add(doing)
        if row.gave_bins:
            gave_bins[row.item].add(row.step)
    done, untested = _done_to_all(inflows, own), _untested(inflows, own, gave_bins)
    routes = {thing: one.body for thing, one in catalogue.with_ids(session, sorted({route for route, _ in stand.values() if route})).items()}
    tests = {step.key for route in routes.values() for step in route.steps if step.operation == "test"}
    ways = _ways(inflows, own, done, reworked, _from_panels(session, list(inflows), routes.values()), tests)
    again = _of_any_part(inflows, reworked) if reworked else {}
    for lot, one in found.items():
        one.reworked = sorted(again.get(lot, ()), key=lambda doing: doing.line)
        one.doings, one.left_over = sorted(done[lot], key=lambda doing: doing.line), untested[lot] | gave_bins[lot]
        one.ways = ways[lot]
        if one.route is not None:
            one.ways.before = frozenset(step.key for step in panel_steps(routes[one.route]))
    _set_next(session, found, loose=True)
    return found


_Inflow = tuple[int, bool]  # the lot that it came from; whether that one's test gave it as a bin


def _done_to_all(inflows: dict[int, set[_Inflow]], own: dict[int, set[Doing]]) -> dict[int, set[Doing]]:
    """By lot: what was done to the lot itself, and the steps that were done to every part of what flowed into it."""
    found: dict[int, set[Doing]] = {}
    for lot in _parents_first(inflows):
        before = [found[parent] for parent in {parent for parent, _ in inflows[lot]}]
        shared = _shared(before)
        found[lot] = {doing for doings in before for doing in doings if doing.step in shared} | own.get(lot, set())
    return found


def _shared(parts: list[set[Doing]]) -> set[str]:
    """The steps that every part had done."""
    return set.intersection(*({doing.step for doing in doings} for doings in parts)) if parts else set()


def _of_any_part(inflows: dict[int, set[_Inflow]], own: Mapping[int, set[Doing]]) -> dict[int, set[Doing]]:
    found: dict[int, set[Doing]] = {}
    for lot in _parents_first(inflows):
        found[lot] = own.get(lot, set()).union(*(found[parent] for parent, _ in inflows[lot]))
    return found


def _ways(
    inflows: dict[int, set[_Inflow]], own: dict[int, set[Doing]], done: dict[int, set[Doing]], reworked: Mapping[int, set[Doing]],
    from_panels: dict[int, dict[str, set[Doing]]], tests: set[str],
) -> dict[int, Ways]:  # fmt: skip
    """By lot: what it did itself was done to all that is in it; before that, what each part of it had done."""
    found: dict[int, Ways] = {}
    for lot in _parents_first(inflows):
        one = found[lot] = Ways({step: set(doings) for step, doings in from_panels.get(lot, {}).items()})
        all_did, parents = {doing.step for doing in done[lot]}, {parent for parent, _ in inflows[lot]}
        not_shared = tests - _shared([done[parent] for parent in parents])
        for parent in parents:
            one.rounds |= Counter({step: times for step, times in found[parent].rounds.items() if step not in not_shared})
            for step, doings in found[parent].lasts.items():
                if step in all_did or not found[parent].times[step]:
                    one.lasts.setdefault(step, set()).update(doings)
                    one.times[step] = max(one.times[step], found[parent].times[step])
        for doing in sorted(own.get(lot, ()), key=_by_the_clock):
            one.lasts[doing.step] = {doing}
            one.times[doing.step] += 1
            one.rounds[doing.step] += 1
        one.rounds += Counter(doing.step for doing in reworked.get(lot, ()))
    return found


def _from_panels(session: Session, lots: list[int], routes: Iterable[Route]) -> dict[int, dict[str, set[Doing]]]:
    """By lot that panels came into, what was last done to each of them at steps from which a time window leads to loose units: mostly none."""
    steps = {window.from_step for route in routes for window in windows_of_loose(route)}
    last: dict[tuple[int, int, str], Doing] = {}
    for row in ask(session, _OF_PANELS, lots=lots) if steps else ():
        if row.step in steps:
            doing, key = Doing(row.line, row.step, row.round, row.ended_at, row.judged), (row.lot, row.panel, row.step)
            last[key] = max(doing, last.get(key, doing), key=_by_the_clock)
    found: dict[int, dict[str, set[Doing]]] = {}
    for (lot, _, step), doing in last.items():
        found.setdefault(lot, {}).setdefault(step, set()).add(doing)
    return found


def _untested(inflows: dict[int, set[_Inflow]], own: dict[int, set[Doing]], gave_bins: dict[int, set[str]]) -> dict[int, set[str]]:
    """By lot: the tests that left something in the machine which came into the lot, but for what the lot did itself since."""
    found: dict[int, set[str]] = {}
    for lot in _parents_first(inflows):
        came = [found[parent] | (set() if by_bin else gave_bins.get(parent, set())) for parent, by_bin in inflows[lot]]
        found[lot] = set[str]().union(*came) - {doing.step for doing in own.get(lot, ())}
    return found


def _parents_first(inflows: dict[int, set[_Inflow]]) -> list[int]:
    """Each lot once: what is split and poured together again many times has ways without number from its beginning."""
    return list(TopologicalSorter({lot: {parent for parent, _ in came} for lot, came in inflows.items()}).static_order())


def routes_of_lots(session: Session, lots: list[int]) -> dict[int, int]:
    return {lot: route for lot, route in tuples(session, _ROUTES, lots=lots)}


def _set_next(session: Session, found: dict[int, Progress], *, loose: bool = False) -> None:
    routes = catalogue.with_ids(session, list({p.route for p in found.values() if p.route is not None}))
    attaching = {thing: frozenset(step.key for step in one.body.steps if step.operation == "die attach") for thing, one in routes.items()}
    for one in found.values():
        if one.route is None:
            continue
        body: Route = routes[one.route].body
        first = loose_begins(body) if loose else 0
        one.attaching = attaching[one.route]
        done = {doing.step for doing in one.doings} - one.left_over - _sorted_out_by(one, body)
        one.next_step = next((step.key for step in body.steps[first:] if step.key not in done), None)
        one.round = one.round_of(one.next_step) if one.next_step else 1


def _sorted_out_by(one: Progress, route: Route) -> set[str]:
    """The test that made a loose lot rejects, and what comes after it."""
    tests = {step.key for step in route.steps if step.operation == "test"}
    last = max((doing for doing in one.doings if doing.step in tests), key=lambda doing: doing.line, default=None) if one.is_reject else None
    keys = [step.key for step in route.steps]
    return set(keys[keys.index(last.step) :]) if last else set()


_ROUTES = select(LotRoute.lot, LotRoute.route).where(among(LotRoute.lot, "lots"), LotRoute.closed_e.is_(None))
_GRADED = (
    select(LotRoute.lot, LotRoute.route, Lot.grade)
    .join(Lot, Lot.item == LotRoute.lot)
    .where(among(LotRoute.lot, "lots"), LotRoute.closed_e.is_(None))
)
# a row a panel and set that it has travelled in; with the lot that holds it by that set now, and the lot's route
_TRAVELLED = listed(
    """
    select m.panel, m."set", h.lot, r.route
    from member m
    left join lot_holding h on h."set" = m."set" and h.closed_e is null
    left join lot_route r on r.lot = h.lot and r.closed_e is null
    where m.panel in :panels
    """,
    "panels",
)
_NOT_VOID = "not exists (select 1 from run_void v where v.run = l.run)"
# a step that was sent to rework is open again
_DOINGS = listed(
    f"""
    select c."set" as covered, l.id as line, l.step, l.round, l.ended_at, l.judged, {is_reworked("l.id")} as reworked
    from cover c join line l on l.id = c.line
    where c."set" in :sets and c.done and l.step is not null and {_NOT_VOID}
    """,
    "sets",
).columns(ended_at=Moment())
# as in `ledger/walk.py`, it names the outer table too: a condition on flows alone lets SQLite read all of them first
_POURED = "(f.kind in ('merge', 'split', 'carry', 'bin') or above.id = -1)"
_LOOSE_FLOWS = listed(
    f"""
    with recursive above(id) as (
        select item from lot where item in :lots
        union
        select f.parent from above cross join flow f where f.child = above.id and {_POURED}
    )
    select f.child, f.parent, f.kind = 'bin' from above cross join flow f where f.child = above.id and {_POURED}
    """,
    "lots",
)
_LOOSE_DOINGS = listed(
    f"""
    select l.item, l.id as line, l.step, l.round, l.ended_at, l.judged, {is_reworked("l.id")} as reworked,
        exists (select 1 from flow f where f.parent = l.item and f.kind = 'bin' and f.run = l.run) as gave_bins
    from line l join run r on r.id = l.run
    where l.item in :lots and l.closed_e is not null and r.outcome = 'done' and l.step is not null and {_NOT_VOID}
    """,
    "lots",
).columns(ended_at=Moment())
# what was done to the panels whose cells came into a loose lot
_OF_PANELS = listed(
    f"""
    select f.child as lot, f.parent as panel, l.id as line, l.step, l.round, l.ended_at, l.judged
    from flow f cross join member m cross join cover c join line l on l.id = c.line
    where f.child in :lots and f.kind = 'cells' and m.panel = f.parent and c."set" = m."set" and c.done and l.step is not null
        and {_NOT_VOID} and not {is_reworked("l.id")}
    """,
    "lots",
).columns(ended_at=Moment())
