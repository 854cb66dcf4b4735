"""A lot's traveller: its route as a strip, and for each step what was done and what is still to be done. Lots by the hundred at once.

What belongs to one lot's page alone, its kin, holds and counts, is read by `lot_page.py`. Nothing here grows with panels or steps
in the number of statements.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import codes
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order, Product, Route, Step
from app.drawing.strip import Drawn, ordinal
from app.floor.amounts import amounts
from app.floor.ends import limits_in_words
from app.floor.groups import Group
from app.floor.marks import good_units
from app.floor.progress import Progress, loose_progress, progress, routes_of_lots
from app.floor.route_strip import RouteStrip, minutes_in_words, strips
from app.genealogy.cautions import caution_of
from app.genealogy.doings import Doing, doings_of_lots
from app.ledger.inside import is_inside
from app.ledger.items import Lot
from app.ledger.places import Container, Content
from app.ledger.sets import LotHolding, Member
from app.naming.resolve import codes_of
from app.web.words import counted


@dataclass(frozen=True)
class Asked:
    """A value or count that the step records, with its unit and limits: what a blank line on paper asks for."""

    name: str
    unit: str
    limits: str


@dataclass(frozen=True)
class StepRow:
    """One step of the route: its pocket of the tape, what was done at it, and what paper asks for."""

    number: int
    key: str
    name: str
    operation: str
    code: str
    pocket: Drawn
    caution: str
    instruction: str
    asked: tuple[Asked, ...]
    materials: tuple[str, ...]  # that the step needs
    recipe: str
    is_barrier: bool
    judged: str
    window: str  # the longest times that it opens, each until a later step, in words
    doings: tuple[Doing, ...]

    @property
    def is_done(self) -> bool:
        return self.pocket.state in ("done", "open", "at risk")


@dataclass(frozen=True)
class Traveller:
    """A lot with its route. `panels`: how many it holds now, or held before they went on."""

    lot: int
    code: str
    form: str
    product: str
    description: str
    route: str
    order: str
    customer: str
    due: date | None
    bin: str
    grade: str
    is_empty: bool
    panels: int
    panel_codes: str
    units: int
    containers: tuple[str, ...]
    strip: RouteStrip
    stopped_by: tuple[tuple[str, str], ...]  # hold's code, reason
    now: tuple[str, ...]  # "15 panels: next is bond", a group each
    steps: tuple[StepRow, ...]
    others: tuple[Doing, ...]  # at a step of another revision, or at none

    @property
    def before(self) -> int:
        """How many steps a loose lot's units did while they sat on panels: those are told on the pages of the panels' lots."""
        return next((i for i, step in enumerate(self.steps) if step.doings or not step.is_done), len(self.steps))

    @property
    def held(self) -> dict[int, str]:
        """Hold -> how much of the lot it stops, in words."""
        return {hold: f"{n} of {self.panels} panels" if n < self.panels else "all of it" for hold, n in self.strip.stopped.items()}


def travellers(session: Session, lots: Sequence[Lot], at: datetime) -> list[Traveller]:
    """The travellers of these lots, in their order."""
    read = _Reading(session, lots, at)
    return [read.traveller(lot) for lot in lots]


class _Reading:
    """Everything about some lots, read at once."""

    def __init__(self, session: Session, lots: Sequence[Lot], at: datetime) -> None:
        ids = [lot.item for lot in lots]
        panel_lots, loose = [lot.item for lot in lots if lot.form == "panel"], [lot.item for lot in lots if lot.form == "loose"]
        self.codes = codes_of(session, "lot", ids)
        self.panels, self.empty = _panels(session, panel_lots)
        every = sorted({panel for panels in self.panels.values() for panel in panels})
        self.good = good_units(session, every)
        self.names = codes_of(session, "panel", every)
        self.stand: dict[int, Progress] = progress(session, every) | loose_progress(session, loose)
        self.route_of = routes_of_lots(session, ids)
        self.book = amounts(session, loose)
        wanted = {lot.product for lot in lots} | {lot.order for lot in lots if lot.order} | set(self.route_of.values())
        self.things = catalogue.with_ids(session, list(wanted))
        self.has_shelves = bool(catalogue.shelves(session))
        self.groups = {lot.item: self._groups(lot) for lot in lots}
        self.strips = strips(session, self.groups, at)
        self.hold_codes = codes_of(session, "hold", list({stop.hold for strip in self.strips.values() for stop in strip.stops}))
        self.containers = _containers(session, lots, {lot: panels for lot, panels in self.panels.items() if lot not in self.empty})
        before = {lot: [doing.line for doing in (*self.stand[lot].doings, *self.stand[lot].reworked)] for lot in loose}
        self.doings = doings_of_lots(session, self.panels, before)

    def traveller(self, lot: Lot) -> Traveller:
        route = self.things[self.route_of[lot.item]] if lot.item in self.route_of else None
        product: Product = self.things[lot.product].body
        order: Order | None = self.things[lot.order].body if lot.order else None
        strip, panels = self.strips[lot.item], self.panels.get(lot.item, [])
        steps = _steps(route.body, strip, self.doings[lot.item], has_shelves=self.has_shelves) if route else []
        on_route = {row.key for row in steps}
        return Traveller(
            lot=lot.item, code=self.codes[lot.item], form=lot.form, product=product.part_number, description=product.description,
            route=route.name if route else "", order=order.number if order else "", customer=order.customer if order else "",
            due=order.due if order else None, bin=lot.bin or "", grade=lot.grade or "", is_empty=self._is_empty(lot), panels=len(panels),
            panel_codes=_in_short([self.names[panel] for panel in panels]), units=self._units(lot), containers=self.containers[lot.item],
            strip=strip, stopped_by=tuple((self.hold_codes[stop.hold], stop.reason) for stop in strip.stops),
            now=self._now(lot, route.body if route else None), steps=tuple(steps),
            others=tuple(one for one in self.doings[lot.item] if one.step not in on_route),
        )  # fmt: skip

    def _groups(self, lot: Lot) -> list[Group]:
        """Panels that stand alike together; those without a good cell are left out, unless all are so."""
        route = self.route_of.get(lot.item)
        if lot.form == "loose":
            stand = self.stand[lot.item]
            return [Group(lot.item, (), lot.item, route, stand.next_step, stand.round, (stand,))]
        panels = self.panels[lot.item]
        kept = [panel for panel in panels if self.good[panel]] or panels
        alike: defaultdict[tuple[str | None, int], list[int]] = defaultdict(list)
        for panel in kept:
            one = self.stand[panel]
            alike[None if lot.item in self.empty else one.next_step, one.round].append(panel)
        return [Group(lot.item, tuple(some), None, route, *key, tuple(self.stand[panel] for panel in some)) for key, some in alike.items()]

    def _is_empty(self, lot: Lot) -> bool:
        return self.book[lot.item].book <= 0 if lot.form == "loose" else lot.item in self.empty

    def _units(self, lot: Lot) -> int:
        return self.book[lot.item].book if lot.form == "loose" else sum(self.good[panel] for panel in self.panels[lot.item])

    def _now(self, lot: Lot, route: Route | None) -> tuple[str, ...]:
        """Where it stands in a sentence a group: "15 panels: next is bond, 2nd time"."""
        if self._is_empty(lot):
            return ("Nothing is in it now: what was in it went on as something else.",)
        names = {step.key: step.name for step in route.steps} if route else {}
        said = []
        for group in self.groups[lot.item]:
            what = f"{counted(len(group.panels), 'panel')}: " if group.panels else ""
            again = f", {ordinal(group.round)} time" if group.round > 1 else ""
            rest = f"next is {names[group.next_step]}{again}." if group.next_step in names else "every step is done."
            said.append(what + rest if what else rest[0].upper() + rest[1:])
        return tuple(said)


def _steps(route: Route, strip: RouteStrip, done: Iterable[Doing], *, has_shelves: bool) -> list[StepRow]:
    by_step: defaultdict[str, list[Doing]] = defaultdict(list)
    for one in done:
        by_step[one.step or ""].append(one)
    names = {step.key: step.name for step in route.steps}
    windows: defaultdict[str, list[str]] = defaultdict(list)
    for window in route.windows:
        if window.max_minutes is not None:
            windows[window.from_step].append(_window(window.max_minutes, names[window.to_step], window.until))
    return [
        StepRow(
            number=pocket.number, key=step.key, name=step.name, operation=step.operation, code=codes.of_step(pocket.number), pocket=pocket,
            caution=caution_of(step), instruction=step.instruction, asked=tuple(_asked(step, has_shelves=has_shelves)), materials=tuple(_needs(step)),
            recipe=step.recipe or "", is_barrier=step.barrier, judged=step.judged or "", window="; ".join(windows[step.key]),
            doings=tuple(by_step[step.key]),
        )
        for step, pocket in zip(route.steps, strip.pockets, strict=True)
    ]  # fmt: skip


def _asked(step: Step, *, has_shelves: bool) -> Iterable[Asked]:
    if step.operation == "cure" and has_shelves:
        yield Asked("shelf", "", "")
    for record in step.records:
        yield Asked(record.name, record.unit, limits_in_words(record.low, record.high))
    if step.count != "none":
        yield Asked(f"units by {step.count}", "", "")


def _needs(step: Step) -> Iterable[str]:
    for need in step.needs:
        yield f"{need.kind} {need.part}" if need.part else f"{need.kind} as the order says" if need.by_order else need.kind


def _window(minutes: float, to: str, until: str) -> str:
    return f"{to} must {'begin' if until == 'start' else 'end'} within {minutes_in_words(round(minutes * 60))}"


def _panels(session: Session, lots: list[int]) -> tuple[dict[int, list[int]], set[int]]:
    """The panels that each lot holds now; of one that holds none, those that it ever held; and which lots are so empty."""
    now: defaultdict[int, list[int]] = defaultdict(list)
    ever: defaultdict[int, set[int]] = defaultdict(set)
    query = select(LotHolding.lot, Member.panel, LotHolding.closed_e).join(Member, Member.set == LotHolding.set)
    for lot, panel, closed in session.execute(query.where(LotHolding.lot.in_(lots)).order_by(Member.panel)):
        ever[lot].add(panel)
        if closed is None:
            now[lot].append(panel)
    return {lot: now[lot] or sorted(ever[lot]) for lot in lots}, {lot for lot in lots if not now[lot]}


def _containers(session: Session, lots: Sequence[Lot], panels: Mapping[int, Sequence[int]]) -> defaultdict[int, tuple[str, ...]]:
    """In which magazines, trays and jars each lot is, with how many of its panels where it is in several."""
    of: dict[int, int] = {panel: lot for lot, some in panels.items() for panel in some}
    query = (
        select(Content.container, Container.kind, Member.panel, Content.item)
        .join(Container, Container.id == Content.container)
        .outerjoin(Member, Member.set == Content.set)
        .where(is_inside(), Member.panel.in_(list(of)) | Content.item.in_([lot.item for lot in lots]))
    )
    inside: Counter[tuple[int, int, str]] = Counter()
    for container, kind, panel, item in session.execute(query):
        inside[of[panel] if panel is not None else item, container, kind] += 1
    codes_now = codes_of(session, "container", [container for _, container, _ in inside])
    found: defaultdict[int, tuple[str, ...]] = defaultdict(tuple)
    for (lot, container, kind), n in inside.items():
        many = f" ({counted(n, 'panel')})" if panels.get(lot) and n < len(panels[lot]) else ""
        found[lot] += (f"{kind} {codes_now[container]}{many}",)
    return found


def _in_short(names: Sequence[str]) -> str:
    """The first and the last of many codes."""
    return ", ".join(names) if len(names) < 4 else f"{names[0]} to {names[-1]}"
