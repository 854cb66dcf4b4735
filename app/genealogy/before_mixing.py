"""Before a merge or a fill: how many packs and customers one bad wafer, lot or oven run of these loose lots would reach, and in which order
to fill them so that it reaches the fewest. Nothing is written; what was filled from the lots before is counted as it is."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input, refuse
from app.floor.amounts import amount, amounts
from app.genealogy.fill_order import Origin, Waiting, best_order, reach_apart, reach_filled, reach_merged, reach_of, worst_of
from app.genealogy.origins import origins
from app.ledger.items import Lot, Pack
from app.ledger.loose_stock import LooseStock
from app.ledger.runs import Run
from app.ledger.sets import last_lots
from app.naming.resolve import Named, code_of, codes_of
from app.packing.contents import fills_of

KINDS = ("wafer", "lot", "run")
MOST = 40  # lots at hand; our choice
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
class FillReach:
    """The same of one fill: before, its lots fill packs of their own and the pack stays as it is; after, it has taken in these units."""

    kind: str
    words: str
    before: int
    after: int
    customers_before: int
    customers_after: int
    worst: str  # the code of the one that reaches the most after


@dataclass(frozen=True)
class Coming:
    """A lot that goes into a pack: so many units, or, where they are not said yet, as many as it has and the pack has room for."""

    lot: Named
    units: int | None = None


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
    if len({named.id for named in lots}) > MOST:
        raise bad_input("Too many lots are named.", "lot", f"At most {MOST} are looked at together.", "Name those that would be filled next.")
    rows = _loose_lots(session, [named.id for named in lots])
    products = {lot.product for lot in rows.values()}
    if len(products) > 1:
        codes, parts = {named.id: named.code for named in lots}, catalogue.with_ids(session, list(products))
        why = ", ".join(f"{codes[item]} is {parts[lot.product].name}" for item, lot in rows.items())
        raise bad_input("They are different products.", "lot", f"{why}.", "Name lots of the same product.")
    size = size or catalogue.with_id(session, next(iter(products))).body.units_per_reel
    if size < 1:
        raise bad_input("That is not a size.", "size", f"It is {size}.", "Give the units of a full pack.")
    named = list({one.id: one for one in lots}.values())
    books = {item: one.book for item, one in amounts(session, [one.id for one in named]).items()}
    _must_hold_units(named, books)
    waiting = [Waiting(one.id, books[one.id], _origins(session, one.id)) for one in named]
    customers = _customers(session, rows)
    return _told(session, named, waiting, customers, size)


def before_fill(
    session: Session, coming: Sequence[Coming], pack: Pack | None = None, size: int | None = None, order: int | None = None
) -> tuple[FillReach, ...]:
    """Of a fill into a pack that is open, or into a new one for an order. Nothing, where only units of one loose lot come together.

    What nothing comes out of is left out: a lot that holds nothing, where no units are said.
    """
    if pack and pack.closed_e is not None:
        code = code_of(session, "pack", pack.item)
        raise refuse("finished", f"Pack {code} is closed.", "It takes nothing in.", "Name a pack that is being filled.")
    fills = fills_of(session, pack.item) if pack else []
    inside = Counter[int]()
    for fill in fills:
        inside[fill.loose] += fill.pocket_to - fill.pocket_from + 1
    books = {item: max(0, one.book) for item, one in amounts(session, {one.lot.id for one in coming}).items()}
    coming = [one for one in coming if (books[one.lot.id] if one.units is None else one.units) > 0]
    ids = [one.lot.id for one in coming]
    if not ids or len({*inside, *ids}) < 2:
        return ()
    rows = _loose_lots(session, {*inside, *ids})
    size = pack.size_units if pack else size or catalogue.with_id(session, rows[ids[0]].product).body.units_per_reel
    above = {lot: _origins(session, lot) for lot in rows}
    held = [Waiting(lot, units, above[lot]) for lot, units in inside.items()]
    parts, room = [], size - inside.total()
    for one in coming:
        taken = min(books[one.lot.id], room) if one.units is None else one.units
        parts.append((Waiting(one.lot.id, max(books[one.lot.id], taken), above[one.lot.id]), taken))
        room = max(0, room - taken)
    customers = _customers(session, rows)
    orders = [pack.order] if pack else [order or rows[ids[0]].order]
    return _fill_told(session, held, parts, size, customers, next(iter(_customers_of(session, orders).values()), None))


def _fill_told(
    session: Session, held: Sequence[Waiting], parts: Sequence[tuple[Waiting, int]], size: int, customers: dict[int, str | None], whose: str | None
) -> tuple[FillReach, ...]:
    before, after = reach_filled(held, parts, size)
    old: defaultdict[Origin, set[str | None]] = defaultdict(set)
    new: defaultdict[Origin, set[str | None]] = defaultdict(set)
    for one in held:
        for origin in one.origins:
            old[origin].add(whose)
            new[origin].add(whose)
    for one, taken in parts:
        for origin in one.origins:
            old[origin].add(customers[one.lot])
            new[origin] |= ({whose} if taken else set()) | ({customers[one.lot]} if one.units > taken else set())
    rows = []
    for kind in KINDS:
        of_kind = [origin for origin in after if origin[0] == kind]
        if not of_kind:
            continue
        worst = worst_of(of_kind, lambda origin: (after[origin], before[origin]))
        packs = max(before.get(origin, 0) for origin in of_kind)
        served, then = (max(len(found[origin] - {None}) for origin in of_kind) for found in (old, new))
        rows.append(FillReach(kind, WORDS[kind], packs, after[worst], served, then, codes_of(session, kind, [worst[1]])[worst[1]]))
    return tuple(rows)


def _loose_lots(session: Session, items: Iterable[int]) -> dict[int, Lot]:
    rows = {lot.item: lot for lot in session.scalars(select(Lot).where(Lot.item.in_(set(items))))}
    if whole := [item for item, lot in rows.items() if lot.form != "loose"]:
        raise bad_input("Only loose lots mix.", "lot", f"{', '.join(codes_of(session, 'lot', whole).values())} holds panels.", "Name loose lots.")
    return rows


def _must_hold_units(lots: Sequence[Named], books: Mapping[int, int]) -> None:
    if empty := [one.code for one in lots if books[one.id] <= 0]:
        raise bad_input("There is nothing to mix.", "lot", f"{', '.join(empty)}: no unit is there.", "Leave out what is empty.")


def others_at_hand(session: Session, lot: Named) -> list[tuple[str, int]]:
    """(code, units) of the loose lots like this one that hold units: of its product, bin and grade."""
    one = _loose_lots(session, [lot.id])[lot.id]
    _must_hold_units([lot], {lot.id: amount(session, lot.id).book})
    query = (
        select(LooseStock.lot)
        .join(Lot, Lot.item == LooseStock.lot)
        .where(Lot.product == one.product, Lot.bin.is_not_distinct_from(one.bin), Lot.grade.is_not_distinct_from(one.grade), Lot.item != one.item)
        .where(LooseStock.emptied_e.is_(None))
        .order_by(Lot.item.desc())
        .limit(MOST - 1)
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
        worst = worst_of(of_kind, lambda origin: (merged[origin], apart[origin]))
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
    customers = _customers_of(session, [lot.order for lot in lots.values()])
    return {item: customers[lot.order] if lot.order else None for item, lot in lots.items()}


def _customers_of(session: Session, orders: Iterable[int | None]) -> dict[int, str]:
    return {order: one.body.customer for order, one in catalogue.with_ids(session, [order for order in orders if order]).items()}
