"""What the gates need to know before a run, read in a few journeys. Nothing is judged and nothing written here."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order, Part, Product, Route, Station
from app.catalogue.queries import Defined
from app.floor.amounts import books_of, empty
from app.floor.groups import Group
from app.floor.marks import good_units_of
from app.floor.moves import Place, places_of
from app.floor.open_differences import OpenDifference, open_differences_of
from app.floor.open_judgements import OpenJudgement, open_lines, with_risks_signed
from app.holds.stopped import Stop, stops_at, stops_here
from app.ledger.items import Batch, Item, Lot, Opening, Wafer
from app.ledger.places import Mount
from app.ledger.runs import Claim, Line, Run, StationState
from app.listed import Question, among, ask, together
from app.naming.models import Code
from app.naming.resolve import codes_of
from app.people.models import Certificate, Person


@dataclass(frozen=True)
class Loaded:
    """Material on a place of the station, with what decides whether it may be used."""

    place: str
    item: int
    code: str
    kind: str  # wafer, or the part's kind
    part: str
    roles: tuple[str, ...]  # of a wafer: what its die may be
    expires_at: datetime | None
    pot_life_ends_at: datetime | None


@dataclass(frozen=True)
class Facts:
    """What the gates need to know of one start, read after the locks."""

    station: Defined[Station]
    state: tuple[str, str] | None
    station_stops: list[Stop]
    groups: list[Group]
    routes: dict[int, Route]
    products: dict[int, Product]  # by lot
    orders: dict[int, Order]  # by lot
    stops: dict[int, list[Stop]]
    stops_on_material: dict[int, list[Stop]]
    open: dict[int, list[OpenJudgement]]
    unsigned: dict[int, OpenDifference]  # by lot or panel
    claims: dict[int, str]
    places: dict[int, Place]
    loaded: list[Loaded]
    good: dict[int, int]  # good units, by panel
    empty: set[int]  # loose lots
    certificates: list[tuple[str, datetime | None]]
    person: str | None
    names: dict[int, str]
    hold_names: dict[int, str]
    at: datetime
    zone: str  # of the site, in which times are told


def read_facts(session: Session, station: int, groups: list[Group], person: int | None, at: datetime) -> Facts:
    """What the gates ask of `groups` at a station, if `person` started them then: what needs no other answer is asked in one journey."""
    items = [item for group in groups for item in group.items]
    panels = [panel for group in groups for panel in group.panels]
    lot_ids = {group.lot for group in groups if group.lot}
    loose = [group.item for group in groups if group.item is not None and group.item == group.lot]
    on_station, states, certified, named, unsigned, stops_found, open_found, places, good, books = together(
        session,
        Question(_ON_STATION, {"station": station}, list),
        Question(_STATE, {"station": station}, list),
        Question(_CERTIFIED, {"person": person}, list),
        Question(_NAMED_AND_CLAIMED, {"items": [*items, *lot_ids]}, list),
        open_differences_of({*lot_ids, *items}),
        stops_at(station),
        open_lines(panels),
        places_of(items),
        good_units_of(panels),
        books_of(loose),
    )
    lots = {row.thing: row for row in named if row.product}
    routes = {group.route for group in groups if group.route is not None}
    of_lots = {thing for lot in lots.values() for thing in (lot.product, lot.order) if thing}
    things = catalogue.with_ids(session, [station, *routes, *of_lots])
    loaded = _loaded(session, on_station)
    station_stops, stops = stops_here(session, stops_found, [*items, *(one.item for one in loaded)])
    holds = {stop.hold for found in stops.values() for stop in found}
    claims = _claims(session, named)
    return Facts(
        station=catalogue.station(session, station),
        state=(states[0].state, states[0].reason) if states else None,
        station_stops=station_stops,
        groups=groups,
        routes={route: things[route].body for route in routes},
        products={item: things[lot.product].body for item, lot in lots.items()},
        orders={item: things[lot.order].body for item, lot in lots.items() if lot.order},
        stops={item: found for item, found in stops.items() if item in set(items)},
        stops_on_material=stops,
        open=with_risks_signed(session, open_found),
        unsigned=unsigned,
        claims={item: where for item, where in claims.items() if item in set(items)},
        places=places,
        loaded=loaded,
        good=good,
        empty=empty(session, books, loose),
        certificates=[(row.certificate, row.valid_until) for row in certified if row.certificate is not None],
        person=certified[0].person if certified else None,
        names={row.thing: row.code for row in named},
        hold_names=codes_of(session, "hold", list(holds)),
        at=at,
        zone=catalogue.site(session).zone,
    )


def loaded_on(session: Session, station: int) -> list[Loaded]:
    """What is mounted on a station now."""
    return _loaded(session, ask(session, _ON_STATION, station=station))


def _loaded(session: Session, rows: Sequence[Any]) -> list[Loaded]:
    parts = catalogue.with_ids(session, [row.part for row in rows])
    found = []
    for place, item, code, part, role, expires_at, pot_life_ends_at in rows:
        body: Part = parts[part].body
        found.append(Loaded(place, item, code, "wafer" if role else body.kind, body.number, body.roles, expires_at, pot_life_ends_at))
    return found


def facts_of_mounts(session: Session, line: Line, group: Group, mounts: Sequence[Mount]) -> Facts:
    """What the gates of material need to know of a line as it opened, had these mounts been known."""
    lot = session.get_one(Lot, line.lot) if line.lot else None
    order = catalogue.with_id(session, lot.order).body if lot and lot.order else None
    station = catalogue.station(session, session.get_one(Run, line.run).station)
    products = {lot.item: catalogue.with_id(session, lot.product).body} if lot else {}
    loaded = _loaded(session, session.execute(_LOADED.where(Mount.id.in_([mount.id for mount in mounts]))).all())
    return Facts(
        station=station, state=None, station_stops=[], groups=[group], routes={}, products=products,
        orders={lot.item: order} if lot and order else {}, stops={}, stops_on_material={}, open={}, unsigned={}, claims={}, places={},
        loaded=loaded, good={}, empty=set(), certificates=[], person=None, names={}, hold_names={},
        at=line.started_at, zone=catalogue.site(session).zone,
    )  # fmt: skip


def _claims(session: Session, rows: Sequence[Any]) -> dict[int, str]:
    """Of items that are in work: where, since when, by whom."""
    stations = catalogue.with_ids(session, [row.station for row in rows if row.station])
    return {
        row.thing: f"{row.operation} at {stations[row.station].name} since {catalogue.site_time(session, row.started_at)}"
        + (f", by {row.name}" if row.name else "")
        for row in rows
        if row.station
    }


_STATE = (
    select(StationState.state, StationState.reason)
    .where(StationState.station == bindparam("station"), StationState.closed_e.is_(None))
    .order_by(StationState.id.desc())
    .limit(1)
)
_NAMED_AND_CLAIMED = (
    select(Code.thing, Code.code, Lot.product, Lot.order, Run.operation, Run.station, Run.started_at, Person.name)
    .join(Item, (Item.kind == Code.kind) & (Item.id == Code.thing))
    .outerjoin(Lot, Lot.item == Item.id)
    .outerjoin(Claim, Claim.item == Code.thing)
    .outerjoin(Run, Run.id == Claim.run)
    .outerjoin(Person, Person.id == Run.person)
    .where(among(Item.id, "items"))
)
_CERTIFIED = (
    select(Person.name.label("person"), Certificate.name.label("certificate"), Certificate.valid_until)
    .outerjoin(Certificate, (Certificate.person == Person.id) & Certificate.closed_e.is_(None))
    .where(Person.id == bindparam("person"))
)
_LOADED = (
    select(
        Mount.place, Mount.item, Code.code, func.coalesce(Wafer.part, Batch.part).label("part"), Wafer.role, Batch.expires_at,
        Opening.pot_life_ends_at,
    )
    .join(Code, (Code.thing == Mount.item) & Code.kind.in_(("batch", "wafer")))
    .outerjoin(Wafer, Wafer.item == Mount.item)
    .outerjoin(Batch, Batch.item == Mount.item)
    .outerjoin(Opening, Opening.batch == Mount.item)
    .order_by(Mount.place)
)  # fmt: skip
_ON_STATION = _LOADED.where(Mount.station == bindparam("station"), Mount.closed_e.is_(None))
