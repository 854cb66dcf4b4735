"""Reading the catalogue: things by name or id, with their definition now. `known.py` has what was read before."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue.definitions import THINGS, Body, Catalogue, Part, Product, Recipe, Route, Site, Station, Step
from app.catalogue.known import NOW, TEXT, defined, known_by, parsed, read, read_definitions
from app.catalogue.known import Defined as Defined
from app.catalogue.models import Approval, Definition, Thing
from app.catalogue.staff import people_on_record
from app.errors import NotFound, refuse, unknown
from app.journal.models import Entry


def named(session: Session, kind: str, name: str) -> Defined[Any]:
    """The thing of that kind and name, as it is defined now."""
    known = known_by(session)
    if (kind, name) not in known.by_name:
        known = read(session, Thing.kind == kind, Thing.name == name)
    if (kind, name) not in known.by_name:
        raise _no_such(kind, name)
    return known.by_name[kind, name]


def with_id(session: Session, thing: int) -> Defined[Any]:
    found = with_ids(session, [thing])
    if thing not in found:
        raise _no_such("thing", str(thing))
    return found[thing]


def with_ids(session: Session, things: list[int]) -> dict[int, Defined[Any]]:
    """Many things, as they are defined now: at most one statement."""
    known = known_by(session)
    if missing := {thing for thing in things if thing not in known.by_id}:
        known = read(session, Thing.id.in_(missing))
    return {thing: known.by_id[thing] for thing in things if thing in known.by_id}


def every(session: Session, kind: str) -> list[Defined[Any]]:
    """All things of a kind, by name."""
    known = known_by(session)
    if kind not in known.by_kind:
        known = read(session, Thing.kind == kind, kind=kind)
    return list(known.by_kind[kind])


def stations_by_area(session: Session) -> dict[str, int]:
    """How many stations each area has, by its name."""
    areas = [one.body.area for one in every(session, "station")]
    return {area: areas.count(area) for area in sorted(set(areas))}


def shelves(session: Session) -> tuple[str, ...]:
    """Names of the shelves of ovens that have several: which one something lay on is said at such an oven."""
    ovens = [one.body for one in every(session, "station") if "cure" in one.body.operations and len(one.body.shelves) > 1]
    return tuple(dict.fromkeys(name for oven in ovens for name in oven.shelves))


def definition(session: Session, definition_id: int) -> Defined[Any]:
    """A thing as one revision defines it, whether in force or not."""
    found = definitions(session, [definition_id])
    if definition_id not in found:
        raise _no_such("revision", str(definition_id))
    return found[definition_id]


def definitions(session: Session, wanted: list[int]) -> dict[int, Defined[Any]]:
    """Many revisions: at most one statement."""
    known = known_by(session)
    if missing := {one for one in wanted if one not in known.by_definition}:
        known = read_definitions(session, missing)
    return {one: known.by_definition[one] for one in wanted if one in known.by_definition}


def part(session: Session, number: str) -> Defined[Part]:
    return cast(Defined[Part], named(session, "part", number))


def product(session: Session, part_number: str) -> Defined[Product]:
    return cast(Defined[Product], named(session, "product", part_number))


def route(session: Session, thing: int) -> Defined[Route]:
    return cast(Defined[Route], with_id(session, thing))


def station(session: Session, thing: int) -> Defined[Station]:
    return cast(Defined[Station], with_id(session, thing))


def recipe(session: Session, name: str) -> Defined[Recipe]:
    return cast(Defined[Recipe], named(session, "recipe", name))


def site(session: Session) -> Site:
    """The site; before a catalogue is loaded, one in UTC without shifts."""
    found = every(session, "site")
    return found[0].body if found else Site(name="Unnamed site", zone="UTC")


def site_time(session: Session, moment: datetime) -> str:
    """A time in the site's zone, with the zone said."""
    return clock.told(moment, site(session).zone)


def active_route(session: Session, product_name: str) -> Defined[Route]:
    """The newest approved revision of a product's route that is not retired."""
    query = (
        NOW.join(Approval, Approval.definition == Definition.id)
        .where(Thing.kind == "route", Approval.closed_e.is_(None), Definition.closed_e.is_(None))
        .order_by(Approval.id.desc())
    )
    for row in session.execute(query):
        found = defined(row)
        if found.body.product == product_name:
            return found
    raise refuse(
        "revision_inactive", f"{product_name} has no active route.", "No revision of its route has been approved.",
        "Ask an engineer to approve one.",
    )  # fmt: skip


def route_state(session: Session, thing: int) -> str:
    """draft, active or retired."""
    return route_states(session).get(thing, "draft")


def route_states(session: Session) -> dict[int, str]:
    """active or retired, by thing; a draft has none."""
    states: dict[int, str] = {}
    for thing, closed in session.execute(select(Approval.route, Approval.closed_e).order_by(Approval.id)):
        states[thing] = "active" if closed is None else "retired"
    return states


def whole(session: Session, *, with_people: bool = True) -> Catalogue:
    """Everything that the catalogue says now, people included; a file without them loads back to the same as well."""
    found = every(session, "site")
    lists = {field: tuple(defined.body for defined in every(session, kind)) for kind, (field, _) in THINGS.items()}
    return Catalogue(site=found[0].body if found else None, people=people_on_record(session) if with_people else (), **lists)


@dataclass(frozen=True)
class Past:
    """One definition that a thing has had: by whom, when, in which entry."""

    definition: int
    body: Body
    who: str
    at: datetime
    entry: int


def history(session: Session, thing: int) -> list[Past]:
    """Every definition of a thing, newest first."""
    query = (
        select(Thing.kind, Definition.id, TEXT, Entry.actor_name, Entry.recorded_at, Entry.id)
        .join(Definition, Definition.thing == Thing.id)
        .join(Entry, Entry.id == Definition.e)
        .where(Thing.id == thing)
        .order_by(Definition.id.desc())
    )
    return [
        Past(definition_id, parsed(kind, body), who, at, entry)
        for kind, definition_id, body, who, at, entry in session.execute(query)
    ]


def step_of(body: Route, key: str) -> Step:
    return next(step for step in body.steps if step.key == key)


def step_name(body: Route | None, key: str) -> str:
    """As people call it; an operation is the name of a step that is on no route."""
    return next((step.name for step in body.steps if step.key == key), key) if body else key


def _no_such(kind: str, name: str) -> NotFound:
    return unknown(name, f"{'an' if kind[0] in 'aeiou' else 'a'} {kind.replace('_', ' ')} of the catalogue")
