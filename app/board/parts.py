"""Every open lot in the parts that stand alike: where each part is on its route, since when, what it runs, what stops it.

What is open is read by indexes over open rows, so the cost follows the open lots and not the history; the number of statements is fixed.
Panels that travelled in the same sets stand alike, so they are read as one: nothing here goes panel by panel.
`past` says how the same stood before: entries up to a number, and what had ended by a time.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Row, bindparam, select, text
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Product, Route, Step, Window
from app.db import Moment
from app.floor.amounts import amounts
from app.floor.bitmaps import count
from app.floor.marks import good_cells
from app.floor.progress import loose_begins, loose_progress
from app.holds.stopped import Stop, stops_on
from app.ledger.stops import Hold
from app.ledger.walk import NEVER
from app.listed import ask, listed

_LONGEST_RUN_DAYS = 2  # a run that was open at a past moment began no longer before it: an oven's longest is a day


@dataclass(frozen=True)
class OpenLot:
    """A lot that holds panels or units now."""

    item: int
    code: str
    form: str
    product: int
    order: int | None
    bin: str | None
    grade: str | None
    route: int | None
    made_at: datetime


@dataclass(frozen=True)
class Doing:
    """A step that was done: on which line, when it ended, good units of how many panels as it began; `is_open`: its judgement is."""

    line: int
    step: str
    ended_at: datetime
    units: int | None
    panels: int
    is_open: bool


@dataclass(frozen=True)
class Running:
    """An open line: where, since when, on which shelf."""

    run: int
    station: int
    step: str | None
    since: datetime
    shelf: str | None


@dataclass(frozen=True)
class Part:
    """Panels of a lot that stand alike (or a loose lot, `panels` 0). `step`: in work there, or the next; None: every step is done."""

    lot: OpenLot
    panels: int
    units: int
    step: str | None
    times: int  # how often that step was done before
    since: datetime  # waiting or running
    done: tuple[Doing, ...]
    running: Running | None = None
    load: int | None = None  # on a shelf of an oven load that is being filled
    shelf: str | None = None
    stops: tuple[Stop, ...] = ()
    is_at_risk: bool = False
    place: str = ""  # where it was moved to, if not on the floor

    @property
    def state(self) -> str:
        return "held" if self.stops else "at risk" if self.is_at_risk else "running" if self.running else "waiting"

    @property
    def is_in_stock(self) -> bool:
        """Put aside on purpose: it waits for no step."""
        return self.place.partition(":")[0] == "stock"

    def done_at(self, step: str) -> datetime | None:
        return max((doing.ended_at for doing in self.done if doing.step == step), default=None)


@dataclass(frozen=True)
class Past:
    """How it stood: entries up to `e`, and what had ended by `at`."""

    e: int
    at: datetime


@dataclass(frozen=True)
class Parts:
    parts: tuple[Part, ...]
    routes: dict[int, Route]
    products: dict[int, Product]


def open_parts(session: Session, past: Past | None = None) -> Parts:
    """All that is open now, or was open then. Of then, only the holds are known that are still in force, and no places."""
    lots = _lots(session, past)
    routes = {thing: one.body for thing, one in catalogue.with_ids(session, sorted({lot.route for lot in lots.values() if lot.route})).items()}
    products = {thing: one.body for thing, one in catalogue.with_ids(session, sorted({lot.product for lot in lots.values()})).items()}
    known = _Known(session, lots, routes, products, past)
    found = [*known.panel_parts(), *known.loose_parts()]
    return Parts(tuple(sorted(found, key=lambda part: (part.since, part.lot.item))), routes, products)


class _Known:
    """What was read of the open lots, and the parts made from it."""

    def __init__(
        self, session: Session, lots: dict[int, OpenLot], routes: dict[int, Route], products: dict[int, Product], past: Past | None
    ) -> None:  # fmt: skip
        self.session, self.lots, self.routes, self.products, self.past = session, lots, routes, products, past
        spent = _spent(session, past)
        self.alike = _alike(session, past, spent)
        sets = sorted({one for _, sets, _ in self.alike for one in sets})
        self.doings = _doings(session, sets, past)
        self.signed = _signed(session, [doing.line for found in self.doings.values() for doing in found if doing.is_open])
        self.running, self.loading = _running(session, past), {} if past else _loading(session)
        self.held_panels, self.held_loose = _held(session, past, spent)
        self.places = {} if past else _places(session)

    def panel_parts(self) -> Iterable[Part]:
        for lot, sets, n in self.alike:
            if lot not in self.lots:
                continue
            held: dict[tuple[Stop, ...], int] = self.held_panels.get((lot, sets), {})
            part = self._part(self.lots[lot], sets, n)
            free = n - sum(held.values())
            if free:
                yield replace(part, panels=free, units=part.units * free // n)
            for stops, k in held.items():
                yield replace(part, panels=k, units=part.units * k // n, stops=stops)

    def loose_parts(self) -> Iterable[Part]:
        loose = [lot for lot in self.lots.values() if lot.form == "loose"]
        stand = loose_progress(self.session, [lot.item for lot in loose])
        books = amounts(self.session, [lot.item for lot in loose])
        for lot in loose:
            ended = [one for one in stand[lot.item].doings if self._had_ended(one.ended_at)]
            done = [Doing(one.line, one.step, one.ended_at, None, 0, is_open=False) for one in ended]
            postings = [one for one in books[lot.item].postings if self.past is None or one.e <= self.past.e]
            units = sum(one.units if one.what == "in" else -one.units for one in postings)
            if units > 0:
                running = self.running.get(("item", lot.item))
                yield self._standing(lot, done, 0, units, running, None, tuple(self.held_loose.get(lot.item, ())))

    def _had_ended(self, at: datetime) -> bool:
        return self.past is None or at <= self.past.at

    def _part(self, lot: OpenLot, sets: frozenset[int], n: int) -> Part:
        done = sorted({doing.line: doing for one in sets for doing in self.doings.get(one, ())}.values(), key=lambda doing: doing.line)
        last = done[-1] if done else None
        product = self.products[lot.product]
        units = last.units * n // last.panels if last and last.units is not None and last.panels else n * product.rows * product.columns
        running = next((self.running["set", one] for one in sets if ("set", one) in self.running), None)
        loading = next((self.loading[one] for one in sets if one in self.loading), None)
        part = self._standing(lot, done, n, units, running, loading, ())
        at_risk = any(doing.is_open and self.signed.get(doing.line, set()) & sets for doing in done)
        return replace(part, is_at_risk=at_risk)

    def _standing(
        self, lot: OpenLot, done: Sequence[Doing], panels: int, units: int, running: Running | None, loading: tuple[int, str] | None,
        stops: tuple[Stop, ...],
    ) -> Part:  # fmt: skip
        route = self.routes.get(lot.route or 0)
        steps = route.steps[loose_begins(route) if lot.form == "loose" else 0 :] if route else ()
        finished = {doing.step for doing in done}
        following = next((step.key for step in steps if step.key not in finished), None)
        step = running.step if running and running.step else following
        since = running.since if running else max((doing.ended_at for doing in done), default=lot.made_at)
        return Part(
            lot, panels, units, step, sum(doing.step == step for doing in done), since, tuple(done), running,
            loading[0] if loading else None, (loading[1] if loading else None) or (running.shelf if running else None), stops,
            place=self.places.get(lot.item, ""),
        )  # fmt: skip


def step_of(route: Route | None, key: str | None) -> Step | None:
    return next((step for step in route.steps if step.key == key), None) if route else None


def running_windows(route: Route, part: Part) -> list[tuple[Window, datetime]]:
    """The time windows that run for a part, each with when it began: its first step is done, its second not begun (or ended, as it says)."""
    done = {doing.step for doing in part.done}
    found = []
    for window in route.windows:
        begun = part.done_at(window.from_step)
        is_met = window.to_step in done or (window.until == "start" and part.running is not None and part.step == window.to_step)
        if begun is not None and not is_met and window.max_minutes is not None:
            found.append((window, begun))
    return found


def _lots(session: Session, past: Past | None) -> dict[int, OpenLot]:
    rows = session.execute(_THEN_LOTS if past else _LOTS, {"e": past.e} if past else {})
    return {row.item: OpenLot(*row) for row in rows}


def _spent(session: Session, past: Past | None) -> set[int]:
    """Panels in open lots without a good cell left: nothing goes on with them. The sum finds who may be, marks may overlap."""
    statement = _MAY_BE_SPENT.format(held=_HELD_THEN if past else _HELD_NOW)
    near = list(session.scalars(text(statement), {"e": past.e if past else NEVER}))
    return {panel for panel, good in good_cells(session, near).items() if not count(good)} if near else set()


def _alike(session: Session, past: Past | None, spent: set[int]) -> list[tuple[int, frozenset[int], int]]:
    """(lot, the sets that its panels travelled in, how many panels): panels with the same sets are one. Spent panels are none."""
    concat = "group_concat" if session.get_bind().dialect.name == "sqlite" else "string_agg"
    rows = session.execute(text(_ALIKE.format(concat=concat, held=_HELD_THEN if past else _HELD_NOW)), {"e": past.e} if past else {})
    found: defaultdict[tuple[int, frozenset[int]], int] = defaultdict(int)
    for lot, sets, n in rows:
        found[lot, frozenset(map(int, sets.split(",")))] += n
    gone = Counter(_sets_of(session, spent).values())  # a set that a lot holds is among them, so they name the lot as well
    return [(lot, sets, n - gone[sets]) for (lot, sets), n in found.items() if n > gone[sets]]


def _sets_of(session: Session, panels: Iterable[int]) -> dict[int, frozenset[int]]:
    """The sets that each panel travelled in."""
    sets: defaultdict[int, set[int]] = defaultdict(set)
    for panel, one in ask(session, _SETS_OF, panels=panels):
        sets[panel].add(one)
    return {panel: frozenset(found) for panel, found in sets.items()}


def _doings(session: Session, sets: list[int], past: Past | None) -> dict[int, list[Doing]]:
    found: defaultdict[int, list[Doing]] = defaultdict(list)
    for row in session.execute(_DOINGS, {"sets": sets, "e": past.e if past else NEVER}):
        if past is None or row.ended_at <= past.at:
            found[row.covered].append(Doing(row.line, row.step, row.ended_at, row.units, row.panels, bool(row.is_open)))
    return found


def _signed(session: Session, lines: list[int]) -> dict[int, set[int]]:
    """Line -> the sets of panels that a lead let go on at risk."""
    found: defaultdict[int, set[int]] = defaultdict(set)
    for line, one in ask(session, _AT_RISK, lines=lines):
        found[line].add(one)
    return found


def _running(session: Session, past: Past | None) -> dict[tuple[str, int], Running]:
    """A pack that is being filled is its loose lot at work."""
    return {
        ("set", row.panels) if row.panels is not None else ("item", row.lot): Running(row.run, row.station, row.step, row.started_at, row.shelf)
        for row in session.execute(*((_RAN, {"at": past.at, "early": past.at - timedelta(days=_LONGEST_RUN_DAYS)}) if past else (_RUNNING,)))
    }


def _loading(session: Session) -> dict[int, tuple[int, str]]:
    return {row.panels: (row.load, row.shelf) for row in session.execute(_LOADING)}


def _places(session: Session) -> dict[int, str]:
    return {row.lot: f"{row.kind}: {row.place}" if row.place else row.kind for row in session.execute(_PLACES)}


def _held(
    session: Session, past: Past | None, spent: set[int]
) -> tuple[dict[tuple[int, frozenset[int]], dict[tuple[Stop, ...], int]], dict[int, list[Stop]]]:
    """What holds in force stop of what is open: panels counted by lot and sets, and loose lots. First who may be, then `stops_on` of those."""
    near: list[Row[Any]] = [row for row in session.execute(_NEAR_HOLDS) if row.id not in spent]
    stops = stops_on(session, [row.id for row in near])
    if past:
        then = set(session.scalars(select(Hold.id).where(Hold.closed_e.is_(None), Hold.e <= past.e)))
        stops = {item: kept for item, found in stops.items() if (kept := [stop for stop in found if stop.hold in then])}
    lot_of = {row.id: row.lot for row in near}
    panels = [row.id for row in near if row.kind == "panel" and row.id in stops]
    sets = _sets_of(session, panels)
    counted: defaultdict[tuple[int, frozenset[int]], dict[tuple[Stop, ...], int]] = defaultdict(dict)
    for panel in panels:
        by_stops = counted[lot_of[panel], sets[panel]]
        by_stops[tuple(stops[panel])] = by_stops.get(tuple(stops[panel]), 0) + 1
    return dict(counted), {row.id: stops[row.id] for row in near if row.kind == "loose" and row.id in stops}


_LOT_COLUMNS = """
    select l.item, c.code, l.form, l.product, l."order", l.bin, l.grade, r.route, e.happened_at
    from ({open}) o join lot l on l.item = o.lot
    join code c on c.kind = 'lot' and c.thing = l.item
    join entry e on e.id = l.e
    left join lot_route r on r.lot = l.item and r.closed_e is null
"""
_LOTS = text(
    _LOT_COLUMNS.format(open="select lot from lot_holding where closed_e is null union select lot from loose_stock where emptied_e is null")
).columns(happened_at=Moment())
_THEN_LOTS = text(
    _LOT_COLUMNS.format(
        open="""
    select lot from lot_holding where closed_e is null and e <= :e union select lot from lot_holding where closed_e > :e and e <= :e
    union select lot from loose_stock where emptied_e is null union select lot from loose_stock where emptied_e > :e
    """
    )
    + " where l.e <= :e"
).columns(happened_at=Moment())
_HELD_NOW = 'select lot, "set" from lot_holding where closed_e is null'
_HELD_THEN = """
    select lot, "set" from lot_holding where closed_e is null and e <= :e
    union all select lot, "set" from lot_holding where closed_e > :e and e <= :e
"""
_ALIKE = """
    select lot, sets, count(*) as n
    from (
        select h.lot, m.panel, {concat}(cast(m2."set" as text), ',') as sets
        from ({held}) h cross join member m cross join member m2
        where m."set" = h."set" and m2.panel = m.panel
        group by h.lot, m.panel
    ) as travelled
    group by lot, sets
"""
_MAY_BE_SPENT = """
    select m.panel from ({held}) h join member m on m."set" = h."set" join panel p on p.item = m.panel join cell_mark c on c.panel = m.panel
    where c.closed_e is null and c.e <= :e
    group by m.panel, p.rows, p.columns having sum(c.n) >= p.rows * p.columns
"""
# one row a step that was done for a set; sent to rework or voided, it is open again and does not count
_SETS_OF = listed('select panel, "set" from member where panel in :panels', "panels")
_AT_RISK = listed('select line, "set" from at_risk where line in :lines', "lines")
_DOINGS = listed("""
    select c."set" as covered, l.id as line, l.step, l.ended_at, l.units, s.n as panels,
        case when l.judged is not null and not exists (
            select 1 from judgement j where j.line = l.id and not exists (select 1 from judgement later where later.replaces = j.id)
            and (j.verdict = 'conforms' or exists (select 1 from disposition d where d.judgement = j.id))
        ) then 1 else 0 end as is_open
    from cover c join line l on l.id = c.line join panel_set s on s.id = c."set"
    where c."set" in :sets and c.done and c.e <= :e and l.step is not null
    and not exists (select 1 from judgement j join disposition d on d.judgement = j.id where j.line = l.id and d.what = 'rework' and d.e <= :e)
    and not exists (select 1 from run_void v where v.run = l.run and v.e <= :e)
""", "sets").columns(ended_at=Moment())
_RUNNING = text("""
    select l."set" as panels, l.lot, l.step, l.shelf, r.id as run, r.station, r.started_at
    from run r join line l on l.run = r.id
    where r.closed_e is null and l.closed_e is null and not exists (select 1 from run_void v where v.run = r.id)
""").columns(started_at=Moment())
_RAN = (
    text("""
    select l."set" as panels, l.lot, l.step, l.shelf, r.id as run, r.station, r.started_at
    from thing t cross join run r cross join line l
    where t.kind = 'station' and r.station = t.id and r.started_at >= :early and r.started_at < :at and (r.ended_at is null or r.ended_at > :at)
      and l.run = r.id and l.started_at < :at and (l.ended_at is null or l.ended_at > :at)
      and not exists (select 1 from run_void v where v.run = r.id)
""")
    .bindparams(bindparam("at", type_=Moment()), bindparam("early", type_=Moment()))
    .columns(started_at=Moment())
)
_LOADING = text("""
    select p."set" as panels, p.load, p.shelf from load o join load_place p on p.load = o.id where o.closed_e is null and p.closed_e is null
""")
_PLACES = text("""
    select t.lot, v.kind, v.place
    from (
        select h.lot, max(v.id) as move from lot_holding h join member m on m."set" = h."set" join move v on v.item = m.panel
        where h.closed_e is null group by h.lot
        union all
        select s.lot, max(v.id) from loose_stock s join move v on v.item = s.lot where s.emptied_e is null group by s.lot
    ) t join move v on v.id = t.move
    where v.kind <> 'floor'
""")
# everything open that a hold in force may reach: may name too much, never too little; `stops_on` decides
_NEAR_HOLDS = text("""
    with recursive
    material(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind in ('wafer', 'batch')
        union
        select f.child from material cross join flow f where f.parent = material.id and f.kind = 'mix'
    ),
    held_line(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind = 'line'
        union
        select l.id from hold h cross join line l where h.closed_e is null and h.kind = 'run' and l.run = h.subject
        union
        select u.line from material cross join use u where u.item = material.id
        union
        select l.id from hold h cross join run r cross join line l
        where h.closed_e is null and h.kind = 'span' and r.station = h.subject and l.run = r.id
          and (h.span_to is null or l.started_at <= h.span_to)
          and (h.span_from is null or l.ended_at is null or l.ended_at >= h.span_from)
    ),
    held_panel(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind = 'panel'
        union
        select m.panel from hold h cross join member m where h.closed_e is null and h.kind = 'set' and m."set" = h.subject
        union
        select m.panel from held_line cross join cover c cross join member m where c.line = held_line.id and m."set" = c."set"
        union
        select m.panel from held_line cross join line l cross join member m where l.id = held_line.id and m."set" = l."set"
        union
        select p.panel from material cross join placement p where p.wafer = material.id
        union
        select f.child from material cross join flow f where f.parent = material.id and f.kind = 'frame'
    ),
    held_loose(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind in ('loose', 'pack')
        union
        select l.item from held_line cross join line l where l.id = held_line.id and l.item is not null
        union
        select f.child from held_panel cross join flow f where f.parent = held_panel.id and f.kind = 'cells'
        union
        select f.child from held_loose cross join flow f
        where f.parent = held_loose.id and f.kind in ('merge', 'split', 'carry', 'bin', 'untape', 'through')
    )
    select held_panel.id, h.lot, 'panel' as kind
    from held_panel cross join member m cross join lot_holding h
    where m.panel = held_panel.id and h."set" = m."set" and h.closed_e is null
    union all
    select s.lot, s.lot, 'loose' from held_loose cross join loose_stock s where s.lot = held_loose.id and s.emptied_e is null
""")
