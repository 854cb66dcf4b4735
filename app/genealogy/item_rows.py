"""The items of a trace as rows: their codes, words, numbers, places, customers and holds. A few statements for all of them together."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import Moment
from app.floor.moves import Latest
from app.floor.scrapped_wafers import IS_SCRAP
from app.floor.whereabouts import Whereabouts
from app.genealogy.amounts import Share
from app.holds.stopped import stops_on
from app.listed import ask, listed, tuples
from app.naming.resolve import Named, codes_of

LISTS = {"wafer": "wafers", "batch": "batches", "panel": "panels", "lot": "lots", "sample": "samples", "pack": "packs"}  # of a trace, by kind
_PLACED = ("lot", "pack", "sample", "panel")


class ItemRow(NamedTuple):
    """An item in a trace. `least` and `greatest`: units of the subject that must and can be of it (back), or in it (forward)."""

    kind: str
    code: str
    words: str  # part and role, form and bin, ...
    least: int
    greatest: int
    units: int | None = None
    numbers: tuple[str, ...] = ()  # other people's numbers
    where: str = ""
    customer: str | None = None
    order: str | None = None
    shipment: str | None = None
    stopped_by: tuple[str, ...] = ()
    expires_at: datetime | None = None  # of a batch
    opened_at: datetime | None = None
    pot_life_ends_at: datetime | None = None

    @property
    def must(self) -> bool:
        return self.least > 0

    def as_json(self) -> dict[str, Any]:
        return self._asdict() | {"must": self.must}

    @property
    def is_bounded(self) -> bool:
        """A panel lot has no bounds of its own: its panels have them."""
        return not (self.kind == "lot" and self.words.startswith("panel"))


class ItemRows:
    """Rows of items with their shares, by kind; and of the subject, which may be none of them."""

    def __init__(
        self, session: Session, subject: Named, shares: dict[str, dict[int, Share]], units: dict[int, int], singulated: Iterable[int],
        named: Iterable[int] = (),
    ) -> None:
        """`singulated`: panels of which it is known. `named`: items without a row of their own whose codes are wanted too."""
        self.of, self.shares, self.units = subject, shares, units
        ids = {kind: list(of_kind) for kind, of_kind in shares.items()}
        if subject.kind in LISTS and subject.id not in shares.get(subject.kind, ()):
            ids.setdefault(subject.kind, []).append(subject.id)
        items = [item for some in ids.values() for item in some]
        self.codes, self.numbers = _codes_and_numbers(session, [*items, *named])
        self.words, self.lives = _words(session, ids)
        where = Whereabouts(session, {kind: ids.get(kind, ()) for kind in _PLACED}, singulated)
        self.places = {item: where.told(item) for kind in _PLACED for item in ids.get(kind, ())}
        self.sales = _sales(session, {pack: where.moves[pack] for pack in ids.get("pack", ()) if pack in where.moves})
        self.stops = _stops(session, [item for kind, some in ids.items() if kind != "panel" for item in some])

    def lists(self) -> dict[str, Any]:
        """As the fields of a trace, each by code."""
        return {
            LISTS[kind]: tuple(sorted([self._row(kind, item, share, self.units.get(item)) for item, share in of_kind.items()], key=_code))
            for kind, of_kind in self.shares.items()
        }

    def subject(self, units: int | None) -> ItemRow:
        if self.of.kind not in LISTS:
            return ItemRow(self.of.kind, self.of.code, "", 0, 0, units)
        return self._row(self.of.kind, self.of.id, Share(0, 0), units)

    def _row(self, kind: str, item: int, share: Share, units: int | None) -> ItemRow:
        return ItemRow(
            kind, self.codes[item], self.words.get(item, ""), share.least, share.greatest, units, self.numbers.get(item, ()),
            self.places.get(item, ""), *self.sales.get(item, _NO_SALE), self.stops.get(item, ()), *self.lives.get(item, ()),
        )  # fmt: skip


def _code(row: ItemRow) -> str:
    return row.code


def _words(session: Session, ids: dict[str, list[int]]) -> tuple[dict[int, str], dict[int, tuple[datetime | None, ...]]]:
    """What an item is, in words; and of batches (expires, opened, end of pot life)."""
    wafers, batches = ask(session, _WAFERS, items=ids.get("wafer", ())), ask(session, _BATCHES, items=ids.get("batch", ()))
    parts = catalogue.with_ids(session, list({row.part for row in (*wafers, *batches)}))
    words = {row.item: f"{row.role} {parts[row.part].name}" + (", scrapped" if row.scrapped else "") for row in wafers}
    words |= {row.item: f"{parts[row.part].body.kind} {parts[row.part].name}" for row in batches}
    for item, *told in tuples(session, _LOTS_SAMPLES_PACKS, items=[item for kind in ("lot", "sample", "pack") for item in ids.get(kind, ())]):
        words[item] = " ".join(filter(None, told))
    return words, {row.item: (row.expires_at, row.opened_at, row.pot_life_ends_at) for row in batches}


def _codes_and_numbers(session: Session, items: list[int]) -> tuple[dict[int, str], dict[int, tuple[str, ...]]]:
    """Our codes, and other people's numbers in the order in which they were told."""
    codes: dict[int, str] = {}
    numbers: defaultdict[int, list[tuple[int, str]]] = defaultdict(list)
    for item, code, alias, value in tuples(session, _CODES_AND_NUMBERS, items=items):
        codes[item] = code
        if alias is not None:
            numbers[item].append((alias, value))
    return codes, {item: tuple([value for _, value in sorted(told)]) for item, told in numbers.items()}


def _sales(session: Session, moves: dict[int, Latest]) -> dict[int, tuple[str | None, str | None, str | None]]:
    """(customer, order, shipment) of packs that are with a customer now, by their latest moves."""
    shipped = {pack: latest.shipment for pack, latest in moves.items() if latest.shipment is not None}
    shipments: dict[int, Any] = {row.id: row for row in ask(session, _SHIPMENTS, shipments=set(shipped.values()))}
    names = catalogue.with_ids(session, [x for one in shipments.values() for x in (one.customer, one.order) if x])
    codes = codes_of(session, "shipment", list(shipments))
    sales = {s: (names[one.customer].name, names[one.order].name if one.order else None, codes[s]) for s, one in shipments.items()}
    return {item: sales[s] for item, s in shipped.items()}


def _stops(session: Session, items: list[int]) -> dict[int, tuple[str, ...]]:
    """The codes of the holds that stop them."""
    stops = stops_on(session, items)
    codes = codes_of(session, "hold", list({stop.hold for found in stops.values() for stop in found}))
    return {item: tuple(sorted({codes[stop.hold] for stop in found})) for item, found in stops.items()}


_NO_SALE = (None, None, None)
_WAFERS = listed(
    f"""
    select w.item, w.part, w.role, exists (select 1 from count_entry c where c.item = w.item and {IS_SCRAP}) as scrapped
    from wafer w where w.item in :items
    """,
    "items",
)
_BATCHES = listed(
    """
    select b.item, b.part, b.expires_at, o.opened_at, o.pot_life_ends_at from batch b left join opening o on o.batch = b.item where b.item in :items
    """,
    "items",
).columns(expires_at=Moment(), opened_at=Moment(), pot_life_ends_at=Moment())
_LOTS_SAMPLES_PACKS = listed(
    """
    select item, form, null, bin, grade, null from lot where item in :items
    union all select item, purpose, null, null, null, null from sample where item in :items
    union all select item, form, part_number, bin, grade, date_code from pack where item in :items
    """,
    "items",
)
_CODES_AND_NUMBERS = listed(
    """
    select i.id, c.code, a.id, a.value
    from item i cross join code c left join alias a on a.kind = i.kind and a.thing = i.id and a.closed_e is null
    where i.id in :items and c.kind = i.kind and c.thing = i.id
    """,
    "items",
)
_SHIPMENTS = listed('select id, customer, "order" from shipment where id in :shipments', "shipments")
