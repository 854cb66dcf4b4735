"""Every unit of the lots that a reel comes from: what came in, and where each unit of it ended, with what nothing explains.

The lots of origin are those that held the reel's panels at singulation. Counted is by cells on their panels, by the book in loose lots,
by pockets in packs. *Recovery* is what is accounted for over what came in; it is above 100 % where more was found than had come in.
The uncertainty of the difference is that of its counts, as the root of the sum of squares (JCGM 100:2008, 5.1.2).
"""

from collections import Counter, defaultdict
from dataclasses import dataclass
from math import hypot

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor.amounts import Posting, amounts
from app.floor.balance import Balance, balances
from app.floor.moves import place_of
from app.ledger import walk
from app.ledger.counting import limit_of
from app.ledger.items import Lot
from app.ledger.sets import LotHolding, Member, last_lots
from app.naming.resolve import codes_of


@dataclass(frozen=True)
class LotUnits:
    """One lot on the way to the reel. In = went on + scrapped + sampled + difference + here + unexplained."""

    code: str
    form: str
    bin: str
    came_in: int
    went_on: int
    scrapped: int
    sampled: int
    difference: int
    here: int
    unexplained: int
    limit: float  # twice the standard uncertainty of the book: what counting can't tell
    closes: bool
    waits_for_signature: bool
    counted: int | None  # the latest count, and what the book said then
    book_then: int | None

    @property
    def recovery(self) -> float | None:
        return _recovery(self.came_in, self.difference + self.unexplained)


@dataclass(frozen=True)
class AllUnits:
    """Every unit of the lots of origin, once. `here`: by place on the floor, in stock and so on; `customers`: of what is shipped."""

    came_in: int
    from_others: int  # units of other lots that were merged in on the way
    scrapped: int
    sampled: int
    difference: int
    here: dict[str, int]
    shipped: int
    customers: dict[str, int]
    unexplained: int
    limit: float

    @property
    def recovery(self) -> float | None:
        return _recovery(self.came_in + self.from_others, self.difference + self.unexplained)


@dataclass(frozen=True)
class RecallAccount:
    lots: tuple[LotUnits, ...]
    every_unit: AllUnits
    origin_lots: tuple[str, ...]
    packs: tuple[tuple[str, int, str], ...]  # packs with units of the lots of origin: code, units of these lots, where


def account_for(session: Session, up: walk.Up) -> RecallAccount:
    """Of what a walk up has found: a fixed number of statements."""
    origin = sorted(set(last_lots(session, sorted(up.panels)).values()))
    loose = sorted(set(session.scalars(select(Lot.item).where(Lot.item.in_(up.loose)))))
    found = balances(session, [*origin, *loose])
    forms = {lot.item: lot for lot in session.scalars(select(Lot).where(Lot.item.in_(found)))}
    codes = codes_of(session, "lot", list(found))
    lots = tuple(_lot_units(codes[lot], forms[lot], found[lot]) for lot in found)
    every_unit, packs = _every_unit(session, origin, [found[lot] for lot in origin])
    return RecallAccount(lots, every_unit, tuple(codes[lot] for lot in origin), packs)


def _lot_units(code: str, lot: Lot, found: Balance) -> LotUnits:
    last = found.counts[-1] if found.counts else None
    return LotUnits(
        code, lot.form, " ".join(word for word in (lot.bin, lot.grade) if word), found.total("in"), found.total("out"), found.total("scrapped"),
        found.total("sampled"), found.total("difference"), found.left, found.unexplained, limit_of(found.u), found.closes, found.unsigned is not None,
        last.units if last else None, last.book if last else None,
    )  # fmt: skip


def _every_unit(session: Session, origin: list[int], of_origin: list[Balance]) -> tuple[AllUnits, tuple[tuple[str, int, str], ...]]:
    panels = _panels_of(session, origin)
    edges, contents = walk.down(session, panels)
    kinds = walk.kinds_of(session, {edge.child for edge in edges})
    loose = {item for item, kind in kinds.items() if kind == "lot"}
    off_tape = [one for one in walk.taken_off(session, kinds) if one.loose in loose]
    on_panels = [posting for one in of_origin for posting in one.postings]
    in_lots = amounts(session, loose)
    postings = [posting for now in in_lots.values() for posting in now.postings]
    from_others = _from_others(postings, panels, loose) - sum(one.units for one in off_tape if one.pack in loose)
    places = place_of(session, {content.pack for content in contents})
    here: Counter[str] = Counter({"on panels": sum(one.left for one in of_origin), "loose": sum(now.book for now in in_lots.values())})
    customers: Counter[str] = Counter()
    by_pack: defaultdict[int, int] = defaultdict(int)
    for content in contents:
        by_pack[content.pack] += content.units
        place = places[content.pack]
        if place.kind == "shipped":
            customers[place.name] += content.units
        else:
            here[f"in packs, {place}"] += content.units
    sampled = _sum("sampled", on_panels, postings) + sum(one.units for one in off_tape if one.pack not in loose)
    scrapped, difference = _sum("scrapped", on_panels, postings), _sum("difference", on_panels, postings)
    came_in = sum(posting.units if posting.what == "in" else -posting.units for posting in on_panels if posting.kind == "panel")
    ended = scrapped + sampled + difference + sum(here.values()) + sum(customers.values())
    u = hypot(*(posting.u for posting in (*on_panels, *postings) if posting.what in ("scrapped", "sampled", "difference")))
    codes = codes_of(session, "pack", list(by_pack))
    packs = tuple(sorted((codes[pack], units, str(places[pack])) for pack, units in by_pack.items()))
    return AllUnits(
        came_in, from_others, scrapped, sampled, difference, {place: units for place, units in sorted(here.items()) if units},
        sum(customers.values()), dict(sorted(customers.items())), came_in + from_others - ended, limit_of(u),
    ), packs  # fmt: skip


def _panels_of(session: Session, lots: list[int]) -> set[int]:
    """The panels that these lots held last."""
    ever = select(Member.panel).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.lot.in_(lots)).distinct()
    return {panel for panel, lot in last_lots(session, list(session.scalars(ever))).items() if lot in lots}


def _from_others(postings: list[Posting], panels: set[int], loose: set[int]) -> int:
    """Units that came into these loose lots from elsewhere; off tapes all of them, for `taken_off` says whose these were."""
    return sum(one.units for one in postings if one.what == "in" and (one.kind == "untape" or one.other not in panels | loose))


def _sum(what: str, *several: list[Posting]) -> int:
    return sum(posting.units for postings in several for posting in postings if posting.what == what)


def _recovery(came_in: int, not_accounted: int) -> float | None:
    return (came_in - not_accounted) / came_in if came_in else None
