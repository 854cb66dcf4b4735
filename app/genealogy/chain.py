"""The chain of a pack or lot, as facts that another house's vocabulary can say: what went into what, what was done, where it went.

It is what the record of the thing tells, with the ways between; nothing is in it that is no origin. People stand in it by badge, not by
name: an export leaves the house.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select, text
from sqlalchemy.orm import Session, aliased

from app.catalogue import queries as catalogue
from app.floor.amounts import amounts
from app.floor.dispositions import judgements_in_force
from app.genealogy.origins import Origins
from app.genealogy.record_stops import PastHold, holds_ever
from app.genealogy.trace import origins_of, travelled_in
from app.journal.models import Entry
from app.ledger import walk
from app.ledger.corrections import moves_in_force, turn_of
from app.ledger.flows import Flow
from app.ledger.items import DryPack, Item, Lot
from app.ledger.places import Move, Shipment
from app.ledger.runs import Line, Run
from app.ledger.sealed import stands
from app.ledger.travels import covers_of_lines
from app.naming.resolve import Named, codes_of, codes_of_items

_INTO = ("fill", "repack", "untape", "mix")  # beside the flows that the walk up passes through


@dataclass(frozen=True)
class Moment:
    """When it happened, and when it was entered."""

    at: datetime
    recorded_at: datetime


@dataclass(frozen=True)
class Thing:
    """`is_counted`: a number of units or an amount, not one thing: batches and loose lots."""

    kind: str
    code: str
    is_counted: bool


@dataclass(frozen=True)
class Passing:
    """`units` of `parent` became part of `child`. `kind` as a flow's; `dies`: a wafer's, by a placement log alone."""

    parent: int
    child: int
    kind: str
    units: int
    e: int


@dataclass(frozen=True)
class Work:
    """One line of one run. `whole`: what it was surely done to; `either`: what was on one side of a change-over, nobody said which.

    `materials`: batches that each unit had; `perhaps`: of these each had one of several; `wafers`: wafer -> the things on the way that it is an
    origin of.
    """

    line: int
    run: str
    operation: str
    station: str
    badge: str
    started_at: datetime
    ended_at: datetime | None
    whole: tuple[int, ...]
    either: tuple[int, ...]
    materials: tuple[int, ...]
    perhaps: tuple[int, ...]
    wafers: dict[int, tuple[int, ...]]
    verdict: str
    sensors: tuple[dict[str, Any], ...]
    e: int

    @property
    def done_to(self) -> tuple[int, ...]:
        return self.whole + self.either


@dataclass(frozen=True)
class Moved:
    """`customer`: by name, as customers have no code of ours. `units`: of a loose lot, what was in it then; 0: one thing."""

    item: int
    units: int
    kind: str
    place: str
    shipment: str
    customer: str
    order: str
    at: datetime
    e: int


@dataclass(frozen=True)
class Chain:
    subject: Named
    starts: tuple[int, ...]
    things: dict[int, Thing]
    came: dict[int, int]  # wafer, batch -> entry of its receipt
    passings: tuple[Passing, ...]
    works: tuple[Work, ...]
    moves: tuple[Moved, ...]
    sealed: dict[int, tuple[datetime, int]]  # pack -> (when, entry)
    holds: tuple[PastHold, ...]
    moments: dict[int, Moment]
    held: dict[int, int]  # units that a counted thing took in on this way
    travelled: dict[int, dict[int, int]]  # panel lot -> panels that it held, with the entry since when
    inside: dict[tuple[int, int, int], dict[int, int]]  # (pack, what took it in, entry) -> units of each loose lot that went over

    def ancestors(self) -> set[str]:
        """Codes of everything that the subject comes from."""
        own = {self.subject.code, *(self.things[item].code for item in self.starts if item in self.things)}
        return {thing.code for thing in self.things.values()} - own


def chain_of(session: Session, subject: Named) -> Chain:
    found = origins_of(session, subject, as_last_held=True)
    up = found.up
    travelled = travelled_in(session, up)
    items = {*up.panels, *up.loose, *up.packs, *found.wafers, *found.batches, *travelled}
    came = {item: e for item, e in session.execute(select(Item.id, Item.e).where(Item.id.in_([*found.wafers, *found.batches])))}
    lines = list(session.scalars(select(Line).where(Line.id.in_([one.line for one in found.lines])).order_by(Line.started_at, Line.id)))
    works = _works(session, found, lines)
    passings = _passings(session, found, works, came)
    moves, sealed = _moves(session, up, passings), _sealed(session, up.packs)
    wanted = {*came.values(), *(one.e for one in passings), *(one.e for one in works), *(one.e for one in moves), *(e for _, e in sealed.values())}
    wanted |= {e for panels in travelled.values() for e in panels.values()}
    held: defaultdict[int, int] = defaultdict(int)
    for one in passings:
        held[one.child] += one.units
    return Chain(
        subject, up.starts, _things(session, items, set(found.batches)), came, passings, works, moves, sealed,
        holds_ever(session, found), _moments(session, wanted), dict(held), travelled, _inside(session, up),
    )  # fmt: skip


def _things(session: Session, items: set[int], batches: set[int]) -> dict[int, Thing]:
    kinds, codes = walk.kinds_of(session, items), codes_of_items(session, list(items))
    loose = set(session.scalars(select(Lot.item).where(Lot.item.in_(items), Lot.form == "loose")))
    return {item: Thing(kinds[item], codes[item], item in loose or item in batches) for item in sorted(items)}


def _passings(session: Session, found: Origins, works: Iterable[Work], came: dict[int, int]) -> tuple[Passing, ...]:
    up = found.up
    known = {*up.panels, *up.loose, *up.packs, *found.batches}
    passings = {(edge.parent, edge.child, edge.e): Passing(edge.parent, edge.child, edge.kind, edge.units, edge.e) for edge in up.edges}
    query = select(Flow.parent, Flow.child, Flow.kind, Flow.units, Flow.e).where(Flow.child.in_(known), Flow.parent.in_(known), Flow.kind.in_(_INTO))
    for parent, child, kind, units, e in session.execute(query):
        if e <= up.exits.get(child, walk.NEVER):
            passings[parent, child, e] = Passing(parent, child, kind, units, e)
    told = {(wafer, thing) for work in works for wafer, things in work.wafers.items() for thing in things}
    pairs = [(wafer, panel) for wafer, panels in found.wafers.items() for panel in sorted(panels)]
    logged = [Passing(wafer, panel, "dies", 0, came[wafer]) for wafer, panel in pairs if (wafer, panel) not in told]
    return (*sorted(passings.values(), key=lambda one: (one.e, one.parent, one.child)), *logged)


def _works(session: Session, found: Origins, lines: list[Line]) -> tuple[Work, ...]:
    ids = [line.id for line in lines]
    above = {one.line: one for one in found.lines}
    runs = {run.id: run for run in session.scalars(select(Run).where(Run.id.in_({line.run for line in lines})))}
    codes, stations = codes_of(session, "run", list(runs)), codes_of(session, "station", list({run.station for run in runs.values()}))
    badges = codes_of(session, "person", list({run.person for run in runs.values() if run.person}))
    covers = covers_of_lines(session, [line.id for line in lines if line.set is not None])
    judged = judgements_in_force(session, ids)
    used: defaultdict[int, list[int]] = defaultdict(list)
    for line_id, item, _ in found.uses:
        used[line_id].append(item)
    works = []
    for line in lines:
        run, on = runs[line.run], covers.get(line.id, {})
        panels = {panel: extent for panel, (extent, _) in on.items() if panel in found.up.panels and above[line.id].e < found.up.exits.get(panel, 0)}
        whole = tuple(sorted(panel for panel, extent in panels.items() if extent != "either")) + ((line.item,) if line.item is not None else ())
        judgement = judged.get(line.id)
        batches = [item for item in used[line.id] if line.id in found.batches.get(item, ())]
        works.append(
            Work(
                line.id, codes[run.id], run.operation, stations[run.station], badges.get(run.person or 0, ""), line.started_at, line.ended_at,
                whole, tuple(sorted(panel for panel, extent in panels.items() if extent == "either")),
                tuple(item for item in batches if (line.id, item) not in found.perhaps),
                tuple(item for item in batches if (line.id, item) in found.perhaps),
                {item: some for item in used[line.id] if (some := tuple(sorted(found.wafers.get(item, set()) & panels.keys())))},
                judgement.verdict if judgement else "", tuple(judgement.facts.get("sensors", ())) if judgement else (), line.e,
            )
        )  # fmt: skip
    return tuple(works)


def _inside(session: Session, up: walk.Up) -> dict[tuple[int, int, int], dict[int, int]]:
    over: defaultdict[tuple[int, int, int], dict[int, int]] = defaultdict(dict)
    for way, units in walk.packed_anew(session, up.packs).items():
        over[way] |= units
    for one in up.off_tape:
        pack, e = one.was_in[-1]
        lots = over[pack, one.pack, e]
        lots[one.loose] = lots.get(one.loose, 0) + one.units
    return {way: {lot: units for lot, units in lots.items() if lot in up.loose} for way, lots in over.items()}


def _moves(session: Session, up: walk.Up, passings: Iterable[Passing]) -> tuple[Moved, ...]:
    """Of what is on the way up, before the last of it left towards the subject: what was at an outside firm was there with what became of it."""
    left: dict[int, int] = {}
    for one in passings:
        left[one.parent] = max(one.e, left.get(one.parent, 0))
    items, stood = {*up.panels, *up.loose, *up.packs, *up.starts}, aliased(Move)  # a right move stands where the wrong one stood
    query = select(Move, stood.e).join(stood, stood.id == turn_of()).where(Move.item.in_(items), moves_in_force()).order_by(turn_of())
    stood_at = {move: e for move, e in session.execute(query) if e < left.get(move.item, walk.NEVER)}
    moves = list(stood_at)
    shipments = {one.id: one for one in session.scalars(select(Shipment).where(Shipment.id.in_([move.shipment for move in moves if move.shipment])))}
    codes, orders = codes_of(session, "shipment", list(shipments)), codes_of(session, "order", [s.order for s in shipments.values() if s.order])
    names = {one.id: one.name for one in catalogue.every(session, "customer")}
    there = amounts(session, {move.item for move in moves} & up.loose)
    found = []
    for move in moves:
        units = there[move.item].book_at(stood_at[move]) if move.item in there else 0
        shipment = shipments.get(move.shipment or 0)
        came_from = move.place if move.kind == "returned" and move.place in names.values() else ""  # a return names the place that it left
        customer, order = (names[shipment.customer], shipment.order) if shipment else (came_from, None)
        found.append(
            Moved(
                move.item, units, move.kind, move.place, codes.get(move.shipment or 0, ""), customer, orders.get(order or 0, ""),
                move.moved_at, move.e,
            )
        )  # fmt: skip
    return tuple(found)


def _sealed(session: Session, packs: set[int]) -> dict[int, tuple[datetime, int]]:
    query = select(DryPack).where(DryPack.pack.in_(packs), text(stands("dry_pack.pack")))
    return {one.pack: (one.sealed_at, one.e) for one in session.scalars(query)}


def _moments(session: Session, entries: set[int]) -> dict[int, Moment]:
    query = select(Entry.id, Entry.happened_at, Entry.recorded_at).where(Entry.id.in_(entries))
    return {e: Moment(at, recorded_at) for e, at, recorded_at in session.execute(query)}
