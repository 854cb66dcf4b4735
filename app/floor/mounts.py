"""Material on stations: put on, taken off, changed over. What is wrong, lapsed or held is refused when it is put on.

While a run is open at the station its material changes by a change-over (`ends.py`), which closes the run's line and calls `swap`.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Part, PartKind, Product, Route, Station, Step
from app.catalogue.models import Thing
from app.catalogue.queries import Defined
from app.errors import Reason, Refused, bad_input, refuse
from app.floor.moves import place_of
from app.floor.scrapped_wafers import scrapped_reasons
from app.holds.stopped import stops_on
from app.journal.act import By, lock
from app.ledger.items import Batch, Item, Opening, Wafer
from app.ledger.places import Mount, Move
from app.ledger.runs import Run, is_void
from app.naming.resolve import code_of, codes_of

# which kinds of material belong to an operation where no route says so (common practice, no source)
USED_BY = {
    "die attach": ("wafer", "adhesive"), "wire bond": ("wire",), "encapsulate": ("encapsulant",), "mould": ("mould compound",),
    "singulate": ("blade",), "tape": ("carrier tape", "cover tape"), "dry pack": ("bag",),
}  # fmt: skip
_SOMEWHERE = {kind for kinds in USED_BY.values() for kind in kinds}


@dataclass(frozen=True)
class Loaded:
    """What is on a place of a station. `kind` of material; `part` by number, `part_id` as the catalogue's thing."""

    mount: int
    place: str
    item: int
    code: str
    part: str
    part_id: int
    kind: str
    role: str | None  # of a wafer


def mount(session: Session, by: By, station: int, item: int, place: str | None = None) -> Mount:
    """Puts a batch or wafer on a station. Where it is already there, nothing changes. `place` may be left to the station.

    A batch that lies on another place stays there: two syringes are of one batch, and what is changed over beside one does not take it away.
    """
    lock(session, Item, [item])
    lock(session, Thing, [station])
    at = catalogue.station(session, station)
    if same := _mounted_here(session, station, item, place):
        return same[0]
    part = part_of(session, item)
    reasons = material_reasons(session, at, item, by.happened_at) + _elsewhere(session, station, item)
    if not reasons or by.fact:  # a wrong spool has no place here
        place = _place(session, at, part, place, free=True)
        reasons += _place_taken(session, station, place) + _kept_for_other(at, part, place)
    reasons += _running(session, station)
    if reasons and not by.fact:
        raise Refused(f"{_name(session, item)} was not put on {at.name}.", *reasons)
    return _put_on(session, by, station, item, place or "")


def unmount(session: Session, by: By, station: int, item: int, place: str | None = None) -> list[Mount]:
    """Takes a batch or wafer off a station: off one place, or off every place that it is on."""
    lock(session, Item, [item])
    lock(session, Thing, [station])
    rows = _mounted_here(session, station, item, place)
    what = f"{_name(session, item)} was not taken off."
    if not rows:
        where = f"{place} of " if place else ""
        raise refuse("not_here", what, f"It is not on {where}{catalogue.station(session, station).name}.", "Look at what is on the station.")
    reasons = _running(session, station)
    if reasons and not by.fact:
        raise Refused(what, *reasons)
    return [_take_off(session, by, row) for row in rows]


def swap(session: Session, by: By, station: int, item: int, place: str | None = None) -> tuple[Mount, list[Reason]]:
    """For a change-over: what is on the place comes off, `item` goes on. A fact's broken rules come back, for its line to be held."""
    lock(session, Item, [item])
    lock(session, Thing, [station])
    at = catalogue.station(session, station)
    if same := _mounted_here(session, station, item, place):
        return same[0], []
    reasons = material_reasons(session, at, item, by.happened_at) + _elsewhere(session, station, item)
    if reasons and not by.fact:  # before its place is asked for: a wrong spool has none
        raise Refused(f"{_name(session, item)} was not put on {at.name}.", *reasons)
    part = part_of(session, item)
    place = _place(session, at, part, place, free=False)
    reasons += _kept_for_other(at, part, place)
    if reasons and not by.fact:
        raise Refused(f"{_name(session, item)} was not put on {at.name}.", *reasons)
    return _put_on(session, by, station, item, place), reasons


def loaded(session: Session, station: int) -> list[Loaded]:
    """What is on a station now, by place."""
    rows = session.execute(_LOADED.where(Mount.station == station)).all()
    parts = catalogue.with_ids(session, [part for *_, part, _role in rows])
    codes = codes_of(session, "batch", [row[2] for row in rows]) | codes_of(session, "wafer", [row[2] for row in rows])
    return [
        Loaded(mount_id, place, item, codes[item], parts[part].name, part, parts[part].body.kind, role)
        for mount_id, place, item, part, role in rows
    ]


def material_reasons(session: Session, station: Defined[Station], item: int, at: datetime) -> list[Reason]:
    """Why a batch or wafer may not be used at a station at that time: it is wrong there, has lapsed, or is held."""
    part = part_of(session, item)
    name = _name(session, item)
    return _wrong(session, station, part, name) + lapsed(session, item, at) + _held(session, item, name)


def lapsed(session: Session, item: int, at: datetime) -> list[Reason]:
    """Shelf life and pot life, against a moment."""
    batch = session.get(Batch, item)
    if batch is None:
        return []
    reasons = []
    name = _name(session, item)
    if batch.expires_at is not None and at > batch.expires_at:
        reasons.append(Reason("material_lapsed", f"{name} expired at {catalogue.site_time(session, batch.expires_at)}.", "Take a fresh batch."))
    opened = session.get(Opening, item)
    if opened is not None and opened.pot_life_ends_at is not None and at > opened.pot_life_ends_at:
        began, ended = (catalogue.site_time(session, moment) for moment in (opened.opened_at, opened.pot_life_ends_at))
        why = f"The pot life of {name}, opened at {began}, ended at {ended}."
        reasons.append(Reason("material_lapsed", why, "Open a fresh batch."))
    return reasons


def part_of(session: Session, item: int) -> Defined[Part]:
    """The material part that a batch or wafer is of."""
    found = session.get(Batch, item) or session.get(Wafer, item)
    if found is None:
        raise bad_input("That can't be put on a station.", "item", "It is neither a wafer nor a material batch.", "Scan a wafer or a batch.")
    return catalogue.with_id(session, found.part)


def _put_on(session: Session, by: By, station: int, item: int, place: str) -> Mount:
    """Takes off what is on the place, and a wafer from wherever the record still has it; then puts `item` on, from stock too."""
    query = select(Mount).where(Mount.closed_e.is_(None))
    for row in session.scalars(query.where(Mount.station == station, Mount.place == place)):
        _take_off(session, by, row)
    if session.get(Wafer, item) is not None:
        for row in session.scalars(query.where(Mount.item == item)):
            _take_off(session, by, row)
        if place_of(session, [item])[item].kind == "stock":
            session.add(Move(e=by.e, item=item, kind="floor", place="", shipment=None, moved_at=by.happened_at))
    new = Mount(e=by.e, station=station, place=place, item=item, on_at=by.happened_at, off_at=None)
    session.add(new)
    session.flush()
    return new


def _take_off(session: Session, by: By, row: Mount) -> Mount:
    row.closed_e, row.off_at = by.e, by.happened_at
    session.flush()
    return row


def _mounted_here(session: Session, station: int, item: int, place: str | None) -> list[Mount]:
    """`place` None: on any."""
    query = select(Mount).where(Mount.station == station, Mount.item == item, Mount.closed_e.is_(None))
    return list(session.scalars(query.where(Mount.place == place) if place is not None else query.order_by(Mount.id)))


def _place(session: Session, station: Defined[Station], part: Defined[Part], place: str | None, *, free: bool) -> str:
    """The place that is meant. None: the place of that kind of material, else the one that has such material on, else a free one;
    only of the places that name the kind ("wafer left"), if any does, else of those that name no material."""
    places: Sequence[str] = station.body.places
    kind = part.body.role or part.body.kind
    if not places:
        return place or kind
    if place is not None:
        return checked_place(station, place)
    for name in (kind, part.body.kind):
        if name in places:
            return name
    places = _named_for(places, [part.body.kind, *part.body.roles])
    on = loaded(session, station.id)
    alike = [one.place for one in on if one.kind == part.body.kind and one.role == part.body.role]
    empty = [name for name in places if name not in {one.place for one in on}]
    now = f"Say one of: {', '.join(places)}. At a terminal, scan what comes off first, then this."
    if not free and len(alike) > 1:
        raise bad_input("It is not clear what this takes the place of.", "place", f"Such is on {' and '.join(alike)} of {station.name}.", now)
    choice = empty or alike if free else alike or empty
    if not choice and len(places) > 1:
        raise bad_input("It is not clear where this goes.", "place", f"Every place of {station.name} is taken.", now)
    return choice[0] if choice else places[0]


def _named_for(places: Sequence[str], names: Sequence[str]) -> Sequence[str]:
    mine = [place for place in places if any(_says(place, name) for name in names)]
    return mine or [place for place in places if not any(_says(place, kind) for kind in get_args(PartKind))] or places


def _kept_for_other(station: Defined[Station], part: Defined[Part], place: str) -> list[Reason]:
    """Why material may not go on a place that names another kind, where the station has one that does not."""
    places, kinds = station.body.places, [kind for kind in get_args(PartKind) if kind not in ("other", part.body.kind) and _says(place, kind)]
    allowed = _named_for(places, [part.body.kind, *part.body.roles])
    if not kinds or not places or place in allowed:
        return []
    why = f"Place {place} of {station.name} is kept for {' and '.join(kinds)}, and this is {part.body.kind} {part.name}."
    return [Reason("material_wrong", why, f"Say one of: {', '.join(allowed)}.")]


def _says(place: str, name: str) -> bool:
    return re.search(rf"\b{re.escape(name.lower())}\b", place.lower()) is not None


def checked_place(station: Defined[Station], place: str) -> str:
    places = station.body.places
    if places and place not in places:
        raise bad_input(f"{station.name} has no such place.", "place", f"{place!r} is not one of: {', '.join(places)}.", "Choose one of them.")
    return place


def _wrong(session: Session, station: Defined[Station], part: Defined[Part], name: str) -> list[Reason]:
    operations = station.body.operations
    kind = part.body.kind
    allowed = _wafer_parts(session, operations) if kind == "wafer" else _need_parts(session, operations, kind)
    belongs = any(kind in USED_BY.get(operation, ()) for operation in operations)
    if allowed is None and (belongs or kind == "other"):
        return []
    if allowed is not None and (not allowed or part.name in allowed):
        return []
    why = f"{name} is {kind} {part.name}; {station.name} takes "
    why += f"{', '.join(sorted(allowed))} of that kind." if allowed else "no material of that kind."
    return [Reason("material_wrong", why, "Take it to the station that uses it.")]


def place_among_several(session: Session, station: int, item: int) -> str | None:
    """The place of what is on a station, where other material of its kind is on it as well."""
    on = loaded(session, station)
    mine = next((one for one in on if one.item == item), None)
    return mine.place if mine and sum(one.kind == mine.kind for one in on) > 1 else None


def going_into(material: Sequence[tuple[str, tuple[str, ...]]], operation: str, step: Step | None) -> list[bool]:
    """Of material on a station, by kind and a wafer's roles, which goes into this work.

    What only another operation of the same station uses lies beside it; so does a wafer of other roles, where one fits the step.
    """
    asked = [need.kind for need in step.needs] if step else []
    fits = [step is not None and step.role in roles for _, roles in material]
    own = {*asked, *USED_BY.get(operation, ())}
    return [
        (kind in own or kind not in _SOMEWHERE) and (kind != "wafer" or is_fit or not any(fits))
        for (kind, _), is_fit in zip(material, fits, strict=True)
    ]


def _need_parts(session: Session, operations: Sequence[str], kind: str) -> set[str] | None:
    """The parts of that kind that the routes ask for at these operations; none asked for: None; any will do: an empty set."""
    asked = [
        need
        for route in _routes(session)
        for step in route.steps
        if step.operation in operations
        for need in step.needs
        if need.kind == kind
    ]
    if not asked:
        return None
    if any(need.by_order or need.part is None for need in asked):
        return set()
    return {need.part for need in asked if need.part is not None}


def _wafer_parts(session: Session, operations: Sequence[str]) -> set[str] | None:
    """The wafer parts of all products, where dies are attached; any operation else: what the routes ask for."""
    if "die attach" not in operations:
        return _need_parts(session, operations, "wafer")
    products: list[Defined[Product]] = catalogue.every(session, "product")
    return {role.part for product in products for role in product.body.roles} or None


def _routes(session: Session) -> list[Route]:
    return [route.body for route in catalogue.every(session, "route")]


def _held(session: Session, item: int, name: str) -> list[Reason]:
    stops = stops_on(session, [item]).get(item, [])
    names = codes_of(session, "hold", [stop.hold for stop in stops])
    return [Reason("material_held", f"{name} is held by {names[stop.hold]}: {stop.reason}", "Ask quality to release it.") for stop in stops]


def _elsewhere(session: Session, station: int, item: int) -> list[Reason]:
    """A wafer is on one station at a time, a scrapped one on none; a batch may be on many. What was sent to an outside firm is on none."""
    if (there := place_of(session, [item])[item]).kind == "outside":
        return [Reason("not_here", f"{_name(session, item)} is not here, but {there}.", "Bring it back first.")]
    if session.get(Wafer, item) is None:
        return []
    query = select(Thing.name, Mount.place).join(Mount, Mount.station == Thing.id)
    query = query.where(Mount.item == item, Mount.closed_e.is_(None), Thing.id != station)
    return scrapped_reasons(session, item) + [
        Reason("in_work", f"{_name(session, item)} is on {other}, place {place}.", "Take it off there first.")
        for other, place in session.execute(query)
    ]


def _place_taken(session: Session, station: int, place: str) -> list[Reason]:
    there = [one for one in loaded(session, station) if one.place == place]
    return [Reason("container_taken", f"{one.code} is on place {place}.", "Take it off first, or change over.") for one in there]


def _running(session: Session, station: int) -> list[Reason]:
    runs = list(session.scalars(select(Run.id).where(Run.station == station, Run.closed_e.is_(None), ~is_void(Run.id))))
    names = codes_of(session, "run", runs)
    now = "Put on what takes its place, or finish the run first."
    return [Reason("in_work", f"Run {names.get(run, run)} is open at this station.", now) for run in runs]


def _name(session: Session, item: int) -> str:
    return code_of(session, session.get_one(Item, item).kind, item)


_LOADED = (
    select(Mount.id, Mount.place, Mount.item, func.coalesce(Batch.part, Wafer.part), Wafer.role)
    .outerjoin(Batch, Batch.item == Mount.item)
    .outerjoin(Wafer, Wafer.item == Mount.item)
    .where(Mount.closed_e.is_(None))
    .order_by(Mount.place)
)
