"""What a lot or pack came from and what became of it, one step each way: split, merged, singulated, binned, sampled, packed.

Panel lots hand panels on without a flow: there the holdings tell. Two statements for the panels, one for the flows, however many.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session, aliased

from app.ledger.flows import Flow
from app.ledger.items import Item
from app.ledger.sets import LotHolding, Member
from app.ledger.walk import NEVER, kinds_of
from app.listed import listed, tuples
from app.naming.resolve import codes_of_items
from app.web.words import counted

# kind of flow -> (said of the parent in the child's list, said of the child in the parent's list)
WORDS = {
    "cells": ("singulated from", "singulated into"), "merge": ("took in", "merged into"), "split": ("split from", "split off"),
    "carry": ("goes on from", "goes on as"), "bin": ("binned from", "binned into"), "draw": ("drawn from", "sample"),
    "fill": ("filled from", "packed in"), "repack": ("packed anew from", "packed anew as"), "untape": ("off the tape of", "off the tape into"),
}  # fmt: skip


@dataclass(frozen=True)
class Kin:
    """One relative: how it is related in words, its kind and code, and how much went from one to the other."""

    how: str
    kind: str
    code: str
    amount: str


@dataclass(frozen=True)
class Kinship:
    came_from: tuple[Kin, ...]
    went_into: tuple[Kin, ...]


def kin_of(session: Session, item: int, panel_lot: bool) -> Kinship:
    """Of a lot, pack or sample. `panel_lot`: its panels are what flows, as long as the lot holds them."""
    links = _by_panels(session, item) if panel_lot else _by_flows(session, item)
    others = list({link.other for link in links})
    kinds, codes = kinds_of(session, others), codes_of_items(session, others)
    shown = [(link, Kin(link.how, kinds[link.other], codes[link.other], link.amount)) for link in links]
    return Kinship(tuple(kin for link, kin in shown if link.above), tuple(kin for link, kin in shown if not link.above))


@dataclass(frozen=True)
class _Link:
    other: int
    above: bool
    how: str
    amount: str


def _by_flows(session: Session, item: int) -> list[_Link]:
    """A panel's flow is told as that of the lot that held it then."""
    units: Counter[tuple[int, bool, str]] = Counter()
    panels: defaultdict[int, int] = defaultdict(int)
    out_of: dict[int, int] = {}
    for child, parent, kind, n, e in tuples(session, _FLOWS, items=[item]):
        if kind not in WORDS:
            continue
        if kind == "cells" and child == item:
            out_of[parent] = e
            panels[parent] += n
        else:
            units[parent if child == item else child, child == item, kind] += n
    for lot, n in _holders(session, out_of, panels).items():
        units[lot, True, "cells"] += n
    return [_Link(other, above, WORDS[kind][0 if above else 1], counted(n, "unit")) for (other, above, kind), n in units.items()]


def _holders(session: Session, out_of: dict[int, int], units: dict[int, int]) -> Counter[int]:
    """Lot -> units, of the lots that held these panels when their units left (panel -> entry)."""
    found: Counter[int] = Counter()
    for panel, lot, begins, ends in tuples(session, _HOLDINGS, panels=out_of):
        if begins < out_of[panel] <= (ends or NEVER):
            found[lot] += units[panel]
    return found


def _by_panels(session: Session, lot: int) -> list[_Link]:
    return [*_handed_on(session, lot), *_out_of_panels(session, lot)]


def _handed_on(session: Session, lot: int) -> Iterable[_Link]:
    """Lots whose holding ended as this one's began, or the other way round, with panels in both."""
    ours, theirs, mine, other = aliased(LotHolding), aliased(LotHolding), aliased(Member), aliased(Member)
    query = (
        select(theirs.lot, theirs.closed_e == ours.e, func.count(func.distinct(mine.panel)))
        .select_from(ours)
        .join(mine, mine.set == ours.set)
        .join(other, other.panel == mine.panel)
        .join(theirs, theirs.set == other.set)
        .where(ours.lot == lot, theirs.lot != lot, or_(theirs.closed_e == ours.e, ours.closed_e == theirs.e))
        .group_by(theirs.lot, theirs.closed_e == ours.e)
        .order_by(theirs.lot)
    )
    for holder, above, n in session.execute(query):
        yield _Link(holder, bool(above), "handed over" if above else "took over", counted(n, "panel"))


def _out_of_panels(session: Session, lot: int) -> Iterable[_Link]:
    """What units of the lot's panels went into while it held them."""
    in_time = (Flow.e > LotHolding.e) & (LotHolding.closed_e.is_(None) | (Flow.e <= LotHolding.closed_e))
    query = (
        select(Flow.child, Item.kind, func.sum(Flow.units))
        .select_from(LotHolding)
        .join(Member, Member.set == LotHolding.set)
        .join(Flow, (Flow.parent == Member.panel) & (Flow.kind == "cells") & in_time)
        .join(Item, Item.id == Flow.child)
        .where(LotHolding.lot == lot)
        .group_by(Flow.child, Item.kind)
        .order_by(Flow.child)
    )
    for child, kind, n in session.execute(query):
        yield _Link(child, False, "sample" if kind == "sample" else WORDS["cells"][1], counted(int(n), "unit"))


_FLOWS = listed(
    "select child, parent, kind, units, e from flow where child in :items union all select child, parent, kind, units, e from flow"
    " where parent in :items order by e",
    "items",
)
_HOLDINGS = listed('select m.panel, h.lot, h.e, h.closed_e from member m join lot_holding h on h."set" = m."set" where m.panel in :panels', "panels")
