"""Reading the catalogue: things by name or id, with their definition now. A definition's body never changes, so it is parsed once.

A session reads each thing once: what a gate and a verb ask again is the same revision.
"""

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Generic, TypeVar, cast

from sqlalchemy import Row, String, event, select
from sqlalchemy import cast as cast_to
from sqlalchemy.orm import Session

from app.catalogue.definitions import THINGS, Body, Catalogue, Part, Product, Recipe, Route, Site, Station, Step
from app.catalogue.models import Approval, Definition, Thing
from app.catalogue.staff import people_on_record
from app.db import canonical_json
from app.errors import NotFound, refuse, unknown
from app.journal.models import Entry

MODELS: dict[str, type[Body]] = {kind: model for kind, (_, model) in THINGS.items()} | {"site": Site}
B = TypeVar("B", bound=Body)
_KNOWN, _REVISIONS = "catalogue_known", "catalogue_revisions"


@dataclass(frozen=True)
class Defined(Generic[B]):
    """A thing with one of its definitions: the definition's id is the very revision."""

    id: int
    kind: str
    name: str
    definition: int
    body: B


_BODY = cast_to(Definition.body, String)  # the JSON's own text, by which it was parsed before
_NOW = select(Thing.id, Thing.kind, Thing.name, Definition.id, _BODY).join(Definition, Definition.thing == Thing.id)


def named(session: Session, kind: str, name: str) -> Defined[Any]:
    """The thing of that kind and name, as it is defined now."""
    row = session.execute(_NOW.where(Thing.kind == kind, Thing.name == name, Definition.closed_e.is_(None))).first()
    if row is None:
        raise _no_such(kind, name)
    return _defined(row)


def with_id(session: Session, thing: int) -> Defined[Any]:
    found = with_ids(session, [thing])
    if thing not in found:
        raise _no_such("thing", str(thing))
    return found[thing]


def with_ids(session: Session, things: list[int]) -> dict[int, Defined[Any]]:
    """Many things, as they are defined now: at most one statement."""
    known: dict[int, Defined[Any]] = session.info.setdefault(_KNOWN, {})
    if missing := [thing for thing in dict.fromkeys(things) if thing not in known]:
        rows = session.execute(_NOW.where(Thing.id.in_(missing), Definition.closed_e.is_(None)))
        known |= {row[0]: _defined(row) for row in rows}
    return {thing: known[thing] for thing in things if thing in known}


@event.listens_for(Session, "after_flush")
def _forget_when_the_catalogue_changes(session: Session, _context: Any) -> None:
    if any(isinstance(row, (Thing, Definition)) for row in [*session.new, *session.dirty]):
        session.info.pop(_KNOWN, None)


def every(session: Session, kind: str) -> list[Defined[Any]]:
    rows = session.execute(_NOW.where(Thing.kind == kind, Definition.closed_e.is_(None)).order_by(Thing.name))
    return [_defined(row) for row in rows]


def definition(session: Session, definition_id: int) -> Defined[Any]:
    """A thing as one revision defines it, whether in force or not."""
    row = session.execute(_NOW.where(Definition.id == definition_id)).first()
    if row is None:
        raise _no_such("revision", str(definition_id))
    return _defined(row)


def definitions(session: Session, wanted: list[int]) -> dict[int, Defined[Any]]:
    """Many revisions: at most one statement."""
    known: dict[int, Defined[Any]] = session.info.setdefault(_REVISIONS, {})
    if missing := [one for one in dict.fromkeys(wanted) if one not in known]:
        known |= {row[3]: _defined(row) for row in session.execute(_NOW.where(Definition.id.in_(missing)))}
    return {one: known[one] for one in wanted if one in known}


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


def active_route(session: Session, product_name: str) -> Defined[Route]:
    """The newest approved revision of a product's route that is not retired."""
    query = (
        _NOW.join(Approval, Approval.definition == Definition.id)
        .where(Thing.kind == "route", Approval.closed_e.is_(None), Definition.closed_e.is_(None))
        .order_by(Approval.id.desc())
    )
    for row in session.execute(query):
        found = _defined(row)
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
        select(Thing.kind, Definition.id, Definition.body, Entry.actor_name, Entry.recorded_at, Entry.id)
        .join(Definition, Definition.thing == Thing.id)
        .join(Entry, Entry.id == Definition.e)
        .where(Thing.id == thing)
        .order_by(Definition.id.desc())
    )
    return [
        Past(definition_id, _parsed(kind, canonical_json(body)), who, at, entry)
        for kind, definition_id, body, who, at, entry in session.execute(query)
    ]


def step_of(body: Route, key: str) -> Step:
    return next(step for step in body.steps if step.key == key)


def _defined(row: Row[int, str, str, int, str]) -> Defined[Any]:
    thing, kind, name, definition_id, body = row
    return Defined(thing, kind, name, definition_id, _parsed(kind, body))


@lru_cache(maxsize=4096)
def _parsed(kind: str, body: str) -> Body:
    return MODELS[kind].model_validate_json(body)


def _no_such(kind: str, name: str) -> NotFound:
    return unknown(name, f"a {kind.replace('_', ' ')} of the catalogue")
