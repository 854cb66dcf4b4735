"""Before a merge or a fill: how many packs and customers one bad wafer, lot or oven run of these loose lots would reach, and in which order
to fill them so that it reaches the fewest. Nothing is written; what was filled from the lots before is counted as it is."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.floor.amounts import amounts
from app.genealogy.fill_order import Origin, Waiting, best_order, reach_apart, reach_merged, reach_of
from app.genealogy.origins import origins
from app.ledger.items import Lot
from app.ledger.loose_stock import LooseStock
from app.ledger.runs import Run
from app.ledger.sets import last_lots
from app.naming.resolve import Named, codes_of

KINDS = ("wafer", "lot", "run")
WORDS = {"wafer": "one bad wafer", "lot": "one bad lot", "run": "one bad oven run"}


@dataclass(frozen=True)
class AtHand:
    """A loose lot with units to be filled."""

    code: str
    units: int
    wafers: int
    lots: int
    runs: int
    customer: str | None


@dataclass(frozen=True)
class WorstReach:
    """Of one kind of origin the worst: packs and customers reached if each lot fills packs of its own, in the order given, in the best
    order, and if the lots are merged first."""

    kind: str
    words: str
    apart: int
    as_given: int
    in_order: int
    merged: int
    customers_before: int
    customers_merged: int
    worst: str  # the code of the one that reaches the most when merged


@dataclass(frozen=True)
class BeforeMixing:
    lots: tuple[AtHand, ...]
    size: int
    order: tuple[str, ...]
    is_best: bool
    mean_as_given: float
    mean_in_order: float
    reach: tuple[WorstReach, ...]


def before_mixing(session: Session, lots: Sequence[Named], size: int | None = None) -> BeforeMixing:
    """Of loose lots of one product. `size`: units of a pack, else the product's."""
    if len({named.id for named in lots}) < 2:
        raise bad_input("There is nothing to mix.", "lot", "Fewer than two lots are named.", "Name two loose lots or more.")
    rows = {lot.item: lot for lot in session.scalars(select(Lot).where(Lot.item.in_([named.id for named in lots])))}
    if any(rows[named.id].form != "loose" for named in lots):
        raise bad_input("Only loose lots mix.", "lot", "One of them holds panels.", "Name loose lots.")
    products = {lot.product for lot in rows.values()}
    if len(products) > 1:
        raise bad_input("They are different products.", "lot", f"{len(products)} products are among them.", "Name lots of one product.")
    size = size or catalogue.with_id(session, next(iter(products))).body.units_per_reel
    if size < 1:
        raise bad_input("That is no size.", "size", f"It is {size}.", "Give the units of a full pack.")
    named = list({one.id: one for one in lots}.values())
    books = {item: one.book for item, one in amounts(session, [one.id for one in named]).items()}
    waiting = [Waiting(one.id, max(0, books[one.id]), _origins(session, one.id)) for one in named]
    customers = _customers(session, rows)
    return _told(session, named, waiting, customers, size)


def others_at_hand(session: Session, lot: Named) -> list[tuple[str, int]]:
    """(code, units) of the loose lots like this one that hold units: of its product, bin and grade."""
    one = session.get_one(Lot, lot.id)
    query = (
        select(LooseStock.lot)
        .join(Lot, Lot.item == LooseStock.lot)
        .where(Lot.product == one.product, Lot.bin.is_not_distinct_from(one.bin), Lot.grade.is_not_distinct_from(one.grade), Lot.item != one.item)
        .where(LooseStock.emptied_e.is_(None))
        .order_by(Lot.item.desc())
        .limit(50)
    )
    lots = list(session.scalars(query))
    codes, books = codes_of(session, "lot", lots), amounts(session, lots)
    return [(codes[item], books[item].book) for item in lots]


def _told(session: Session, named: Sequence[Named], waiting: Sequence[Waiting], customers: dict[int, str | None], size: int) -> BeforeMixing:
    codes = {one.id: one.code for one in named}
    best = best_order(waiting, size)
    given, apart, merged = reach_of(waiting, size), reach_apart(waiting, size), reach_merged(waiting, size)
    at_hand = []
    for one in waiting:
        n = Counter(kind for kind, _ in one.origins)
        at_hand.append(AtHand(codes[one.lot], one.units, n["wafer"], n["lot"], n["run"], customers[one.lot]))
    everyone = {customer for customer in customers.values() if customer}
    rows = []
    for kind in KINDS:
        of_kind = [origin for origin in merged if origin[0] == kind]
        if not of_kind:
            continue
        worst = max(of_kind, key=lambda origin: (merged[origin], apart[origin]))
        before = max(len({customers[one.lot] for one in waiting if origin in one.origins} - {None}) for origin in of_kind)
        alone, in_turn, ordered, as_one = (max(reach.get(origin, 0) for origin in of_kind) for reach in (apart, given, best.reach, merged))
        code = codes_of(session, kind, [worst[1]])[worst[1]]
        rows.append(WorstReach(kind, WORDS[kind], alone, in_turn, ordered, as_one, before, len(everyone), code))
    every = max(1, len(given))
    mean = (sum(given.values()) / every, best.total / every)
    return BeforeMixing(tuple(at_hand), size, tuple(codes[lot] for lot in best.lots), best.is_best, *mean, tuple(rows))


def _origins(session: Session, lot: int) -> frozenset[Origin]:
    """Wafers, panel lots and oven runs that can be in a loose lot."""
    found = origins(session, [lot])
    ovens = set(session.scalars(select(Run.id).where(Run.id.in_({line.run for line in found.lines}), Run.operation == "cure")))
    lots = set(last_lots(session, list(found.up.panels)).values())
    return frozenset([*(("wafer", one) for one in found.wafers), *(("lot", one) for one in lots), *(("run", one) for one in ovens)])


def _customers(session: Session, lots: dict[int, Lot]) -> dict[int, str | None]:
    orders = catalogue.with_ids(session, [lot.order for lot in lots.values() if lot.order])
    return {item: orders[lot.order].body.customer if lot.order else None for item, lot in lots.items()}
