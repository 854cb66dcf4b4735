"""Where a thing is: on the floor, in stock, at an outside firm, shipped. A move changes its place and nothing else.

A panel lot is where its panels are: its moves are theirs, so a part that leaves the lot is where it was. So is what leaves a loose lot or goes
on from it (`stays_where_it_was`). What is read of it: `whereabouts.py`.
"""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple, cast

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.errors import Reason, bad_input
from app.floor.facts import refuse_or_hold
from app.floor.in_work import in_work_reasons
from app.holds.stopped import stops_on
from app.journal.act import By, lock
from app.journal.models import Entry
from app.ledger.items import Item, Lot, Wafer
from app.ledger.places import Mount, Move
from app.ledger.sets import panels_of_lot
from app.listed import Question, ask, listed, together
from app.naming.resolve import code_of, codes_of

KINDS = ("floor", "stock", "outside")  # shipping and taking back are packing's


class Place(NamedTuple):
    """`kind`: floor, stock, outside, shipped, returned; `name` in words: shelf, firm, customer."""

    kind: str = "floor"
    name: str = ""

    def __str__(self) -> str:
        return f"{self.kind}: {self.name}" if self.name else self.kind


def move_item(session: Session, by: By, item: int, kind: str, place: str = "") -> Place:
    """A thing goes to stock, to an outside firm or back to the floor. Moving it to where it is changes nothing."""
    if kind not in KINDS:
        raise bad_input("A thing moves to a known kind of place.", "kind", f"{kind!r} is not one of: {', '.join(KINDS)}.", "Choose one of them.")
    if kind == "outside" and not place.strip():
        raise bad_input("An outside firm is missing.", "place", "It is empty.", "Name the firm.")
    things = _expanded(session, item)
    lock(session, Item, sorted({item, *things}))
    things = _expanded(session, item)  # panels may have left the lot, or joined it, while this waited
    lock(session, Item, things)
    to = Place(kind, place.strip())
    reasons = in_work_reasons(session, things) + _on_station(session, things) + _gone(session, things)
    reasons += _held(session, things) if kind == "outside" else []
    is_loose = session.get(Lot, things[0]) is not None
    is_panel = session.get_one(Item, things[0]).kind == "panel"
    name = code_of(session, session.get_one(Item, item).kind, item)
    refuse_or_hold(session, by, f"{name} was not moved.", reasons, panels=things if is_panel else [], loose=things if is_loose else [])
    there = place_of(session, things)
    for thing in things:
        if there[thing] != to:
            session.add(Move(e=by.e, item=thing, kind=kind, place=to.name, shipment=None, moved_at=by.happened_at))
    session.flush()
    return to


def stays_where_it_was(session: Session, by: By, new: int, of: Iterable[int]) -> None:
    """What comes of things that are together in stock or at an outside firm is there itself, until it is moved."""
    there = set(place_of(session, of).values())
    if len(there) == 1 and (place := there.pop()).kind != "floor" and place_of(session, [new])[new] != place:
        session.add(Move(e=by.e, item=new, kind=place.kind, place=place.name, shipment=None, moved_at=by.happened_at))
        session.flush()


class Latest(NamedTuple):
    """A thing's latest move: the place, and the shipment with which it is at a customer, if it is."""

    place: Place
    shipment: int | None


def latest_moves(session: Session, items: Iterable[int]) -> dict[int, Latest]:
    """Of what was moved at all. One statement. Panels, not panel lots."""
    return _latest(ask(session, _MOVED, items=items))


def _latest(rows: list[Any]) -> dict[int, Latest]:
    moves = {item: (kind, name, shipment) for item, kind, name, shipment in rows}  # in order: the latest stays
    return {item: Latest(Place(kind, name), shipment if kind == "shipped" else None) for item, (kind, name, shipment) in moves.items()}


def place_of(session: Session, items: Iterable[int]) -> dict[int, Place]:
    """Where each thing is now: its latest move says so, none means on the floor. One statement. Panels, not panel lots."""
    (places,) = together(session, places_of(items))
    return cast(dict[int, Place], places)


def places_of(items: Iterable[int]) -> Question[dict[int, Place]]:
    """The same, to be asked together with other questions."""
    ids, nowhere = list(items), Latest(Place(), None)

    def told(rows: list[Any]) -> dict[int, Place]:
        moves = _latest(rows)
        return {item: moves.get(item, nowhere).place for item in ids}

    return Question(_MOVED, {"items": ids}, told)


def shipped_with(session: Session, packs: Iterable[int]) -> dict[int, int]:
    """Pack -> the shipment with which it is at a customer now. One statement."""
    return {pack: latest.shipment for pack, latest in latest_moves(session, packs).items() if latest.shipment is not None}


def why_back(session: Session, entries: Iterable[int]) -> dict[int, str]:
    """By entry: why a pack came back, where words were given when it was taken back. One statement, none where there are no entries."""
    asked = list(entries)
    query = select(Entry.id, Entry.arguments).where(Entry.id.in_(asked), Entry.action == "take_back")
    said = {e: str(arguments.get("reason", "")) for e, arguments in session.execute(query)} if asked else {}
    return {e: words for e, words in said.items() if words not in ("", _NO_REASON)}


_NO_REASON = "returned"  # what stood there, until it could be left out, where nothing was said
_MOVED = listed(
    """
    select m.item, m.kind, m.place, m.shipment from move m
    where m.item in :items and not exists (select 1 from move_correction c where c.move = m.id)
    order by coalesce((select c.stands_at from move_correction c where c."right" = m.id), m.id)
    """,
    "items",
)


def _expanded(session: Session, item: int) -> list[int]:
    lot = session.get(Lot, item)
    if lot is None or lot.form == "loose":
        return [item]
    panels = panels_of_lot(session, item)
    if not panels:
        raise bad_input("The lot is empty.", "item", "No panels are in it now.", "Move what its panels went into.")
    return panels


def _on_station(session: Session, things: Sequence[int]) -> list[Reason]:
    """A wafer is whole on its station; of a batch there may be more than what is mounted."""
    query = select(Thing.name).join(Mount, Mount.station == Thing.id).join(Wafer, Wafer.item == Mount.item)
    names = session.scalars(query.where(Mount.item.in_(things), Mount.closed_e.is_(None)))
    return [Reason("in_work", f"It is on {station}.", "Take it off there first.") for station in names]


def _gone(session: Session, things: Sequence[int]) -> list[Reason]:
    shipped = [item for item, place in place_of(session, things).items() if place.kind == "shipped"]
    return [Reason("not_here", f"{len(shipped)} of it shipped.", "Take it back first.")] if shipped else []


def _held(session: Session, things: Sequence[int]) -> list[Reason]:
    stops = {stop.hold: stop for stopped in stops_on(session, things).values() for stop in stopped}
    names = codes_of(session, "hold", list(stops))
    now = "Ask quality to release it."
    return [Reason("held", f"It is held by {names[hold]}: {stop.reason}", now, brief=f"It is held by {names[hold]}.") for hold, stop in stops.items()]
