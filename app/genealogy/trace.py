"""A trace, ready to be read: back to the origins, forward to packs and customers. Rows carry codes, words and bounds."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.genealogy.amounts import Share, capped
from app.genealogy.item_rows import LISTS, ItemRow, ItemRows
from app.genealogy.on_the_way import through
from app.genealogy.origins import Origins, origins
from app.genealogy.reach import reach
from app.genealogy.run_rows import RunRow, run_rows
from app.genealogy.ways import SUBJECT, Way, ways_back, ways_forward
from app.ledger import walk
from app.ledger.items import Lot
from app.ledger.runs import Line
from app.ledger.sets import LotHolding, Member, panels_of_lot
from app.ledger.used import uses_of
from app.listed import ask, listed, tuples
from app.naming.resolve import Named


class WayRow(NamedTuple):
    """One thing went into another, by their codes; how many of the subject's units can have gone that way."""

    source: str
    target: str
    greatest: int


@dataclass(frozen=True)
class Trace:
    """Everything that a subject comes from, or everything that it went into."""

    direction: str
    subject: ItemRow
    wafers: tuple[ItemRow, ...] = ()
    batches: tuple[ItemRow, ...] = ()
    panels: tuple[ItemRow, ...] = ()
    lots: tuple[ItemRow, ...] = ()
    samples: tuple[ItemRow, ...] = ()
    packs: tuple[ItemRow, ...] = ()
    runs: tuple[RunRow, ...] = ()
    customers: dict[str, int] = field(default_factory=dict)  # customer -> packs that can hold something of it
    ways: tuple[WayRow, ...] = ()  # where they were asked for

    def as_json(self) -> dict[str, Any]:
        """Of values that JSON has, but for times."""
        lists: dict[str, Any] = {name: [row.as_json() for row in getattr(self, name)] for name in (*LISTS.values(), "runs")}
        ways = [way._asdict() for way in self.ways]
        return lists | {"direction": self.direction, "subject": self.subject.as_json(), "customers": self.customers, "ways": ways}


def trace_back(session: Session, subject: Named, *, with_ways: bool = False) -> Trace:
    """The origins of an item, run, line or batch: what can be in it, and what must."""
    return trace_of(session, subject, origins_of(session, subject), with_ways=with_ways)


def origins_of(session: Session, subject: Named, *, as_last_held: bool = False) -> Origins:
    starts = _starts(session, subject)
    is_item = subject.kind not in ("run", "line")  # whose numbers are their own: run 7 may have had panel 7 alone
    return origins(session, starts, {subject.id: subject.kind} if is_item and starts == [subject.id] else None, as_last_held=as_last_held)


def trace_of(session: Session, subject: Named, found: Origins, *, with_ways: bool = False, with_runs: bool = True) -> Trace:
    """Origins that were found, ready to be read."""
    up = found.up
    lots = _lots_of_panels(session, up)
    came = through(found, lots)
    loose, samples = _lots_and_samples(up.kinds, {item: came.get(item, _NONE) for item in up.loose})
    shares = {
        "wafer": {wafer: found.share("wafer", wafer) for wafer in found.panels.every_wafer()},
        "batch": {batch: found.share("batch", batch) for batch in found.batches},
        "panel": {panel: found.shares.get(("panel", panel), _NONE) for panel in up.panels},
        "lot": {lot: came.get(lot, _NONE) for lot in sorted(set().union(*lots.values()))} | loose, "sample": samples,
        "pack": {pack: came.get(pack, _NONE) for pack in up.packs},
    }  # fmt: skip
    rows = ItemRows(session, subject, shares, {}, _singulated(up.edges, up.kinds))
    runs = run_rows(session, found.lines, found.uses, rows.codes, partial(found.share, "line"), up.panels) if with_runs else ()
    ways = _ways(ways_back(session, found, _panel_lot(session, subject)), subject, rows) if with_ways else ()
    return Trace("back", rows.subject(found.units), **rows.lists(), runs=runs, ways=ways)


def trace_forward(session: Session, subject: Named, *, with_ways: bool = False) -> Trace:
    """Everything that an item, run, line or batch went into, where it is, and how much of it can and must be there."""
    found = reach(session, subject)
    lots = _in_lots(session, found.panels)
    units = sum(share.greatest for share in found.panels.values()) or None
    if found.greatest is not None:
        lots, units = {lot: capped(share, found.greatest) for lot, share in lots.items()}, found.greatest
    kinds = walk.kinds_of(session, found.loose)
    loose, samples = _lots_and_samples(kinds, found.loose)
    uses = uses_of(session, [line.line for line in found.lines])
    shares = {"panel": found.panels, "lot": lots | loose, "sample": samples, "pack": found.packs}
    rows = ItemRows(session, subject, shares, found.units, _singulated(found.edges, kinds), [item for _, item, _ in uses])
    lists = rows.lists()
    customers = Counter(pack.customer for pack in lists["packs"] if pack.customer and pack.greatest)
    is_apart = subject.kind in ("wafer", "batch", "run", "line")
    ways = _ways(ways_forward(session, found, is_apart), subject, rows) if with_ways else ()
    runs = run_rows(session, found.lines, uses, rows.codes, lambda _: _NONE, found.panels)
    return Trace("forward", rows.subject(units), **lists, runs=runs, customers=dict(customers), ways=ways)


def _starts(session: Session, subject: Named) -> list[int]:
    """The items at which a walk begins: a panel lot is its panels (those that it holds, else those that it ever held)."""
    if subject.kind == "lot" and session.get_one(Lot, subject.id).form == "panel":
        ever = select(Member.panel).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.lot == subject.id).distinct()
        return panels_of_lot(session, subject.id) or list(session.scalars(ever))
    if subject.kind in ("run", "line"):
        column = Line.run if subject.kind == "run" else Line.id
        lines = list(session.scalars(select(Line).where(column == subject.id)))
        sets = [line.set for line in lines if line.set is not None]
        panels = list(session.scalars(select(Member.panel).where(Member.set.in_(sets)).distinct()))
        return panels + [line.item for line in lines if line.item is not None]
    return [subject.id] if subject.kind != "wafer" else []


def _panel_lot(session: Session, subject: Named) -> int | None:
    return subject.id if subject.kind == "lot" and session.get_one(Lot, subject.id).form == "panel" else None


def _lots_of_panels(session: Session, up: walk.Up) -> dict[int, set[int]]:
    """By panel, every lot that ever held it before what is traced had left it."""
    found: defaultdict[int, set[int]] = defaultdict(set)
    for panel, lot, _ in _held(session, up):
        found[panel].add(lot)
    return found


def _in_lots(session: Session, panels: Mapping[int, Share]) -> dict[int, Share]:
    """What is on the panels of each lot that ever held some of them."""
    lots: defaultdict[int, set[int]] = defaultdict(set)
    for one, lot in ask(session, _LOTS_EVER, panels=panels):
        lots[one].add(lot)
    held: defaultdict[int, set[int]] = defaultdict(set)
    for one, panel in ask(session, _MEMBERS, sets=lots):
        for lot in lots[one]:
            held[lot].add(panel)
    shares = {lot: [panels[panel] for panel in its if panel in panels] for lot, its in sorted(held.items())}
    return {lot: Share(sum(one.least for one in some), sum(one.greatest for one in some)) for lot, some in shares.items()}


def travelled_in(session: Session, up: walk.Up) -> dict[int, dict[int, int]]:
    """By panel lot, the panels that it held before what is traced had left them, with the entry at which it first held each."""
    found: defaultdict[int, dict[int, int]] = defaultdict(dict)
    for panel, lot, e in _held(session, up):
        found[lot][panel] = min(e, found[lot].get(panel, e))
    return dict(found)


def _held(session: Session, up: walk.Up) -> Iterator[tuple[int, int, int]]:
    """Panel, lot and entry of each holding before what is traced had left the panel."""
    for one, lot, e in tuples(session, _HOLDINGS, sets=up.travels.members):
        for panel in up.travels.members[one]:
            if e < up.exits[panel]:
                yield panel, lot, e


def _lots_and_samples(kinds: dict[int, str], shares: dict[int, Share]) -> tuple[dict[int, Share], dict[int, Share]]:
    return {item: one for item, one in shares.items() if kinds[item] == "lot"}, {item: one for item, one in shares.items() if kinds[item] == "sample"}


def _singulated(edges: Iterable[walk.Edge], kinds: Mapping[int, str]) -> set[int]:
    """The panels from which units are seen to have become loose."""
    return {edge.parent for edge in edges if edge.kind == "cells" and kinds.get(edge.child) == "lot"}


def _ways(ways: list[Way], subject: Named, rows: ItemRows) -> tuple[WayRow, ...]:
    """The ways between things that have a row, or the subject."""
    codes = rows.codes | {SUBJECT: subject.code}
    found = [WayRow(codes[way.source], codes[way.target], way.greatest) for way in ways if way.source in codes and way.target in codes]
    return tuple(sorted(found, key=lambda way: (way.source, way.target)))


_NONE = Share(0, 0)
_LOTS_EVER = listed(
    """
    with travelled(id) as (select distinct m."set" from member m where m.panel in :panels)
    select h."set", h.lot from travelled cross join lot_holding h where h."set" = travelled.id
    """,
    "panels",
)
_MEMBERS = listed('select "set", panel from member where "set" in :sets', "sets")
_HOLDINGS = listed('select "set", lot, e from lot_holding where "set" in :sets', "sets")
