"""Load a catalogue: things are made, changed definitions replaced. What the file leaves out stays as it is."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.changes import FieldChange, changes
from app.catalogue.check import path_text, problems
from app.catalogue.definitions import THINGS, Body, Catalogue, Order, PersonEntry, ReasonEntry, thing_name
from app.catalogue.models import Definition, Thing
from app.catalogue.queries import Defined, every, route_states, whole
from app.catalogue.staff import found_in, in_order, people_problems
from app.db import canonical_json
from app.errors import BadInput, NotAllowed, Reason, Refused, refuse
from app.evidence.keep import Kept, record_evidence
from app.journal.act import By
from app.naming.resolve import Named, add_alias, codes_of, give_code
from app.people.people import Certified, ensure_person

KINDS = ("site", *THINGS)


@dataclass(frozen=True)
class Change:
    """What a load does to one thing. `what`: added, changed."""

    kind: str
    name: str
    what: str
    fields: tuple[FieldChange, ...] = ()


@dataclass(frozen=True)
class _Wanted:
    kind: str
    name: str
    path: tuple[str | int, ...]
    body: Body


def load_catalogue(session: Session, by: By, catalogue: Catalogue) -> tuple[Change, ...]:
    """Makes and changes what the catalogue says otherwise than the record, and answers what that was."""
    found = what_would_change(session, catalogue)
    if not found:
        return ()
    by.must_be_alone()  # gates read the catalogue: nobody starts work while it changes
    touched = {(change.kind, change.name) for change in found}
    _must_be_allowed(by, found)
    for wanted in _wanted(catalogue):
        if (wanted.kind, wanted.name) in touched:
            _define(session, by, wanted)
    for person in catalogue.people:
        if ("person", _person_name(person)) in touched:
            ensure_person(session, by, person.name, person.badge, person.duties, _certified(person))
    session.flush()
    return found


def load_file(session: Session, by: By, catalogue: Catalogue, kept: Kept, shown: str | None = None) -> tuple[Change, ...]:
    """`load_catalogue`, with the file as it came kept as evidence of what changed. `shown`: the digest of the changes that the signer read."""
    found = load_catalogue(session, by, catalogue)
    if shown is not None and shown != digest_of_changes(found):
        why = "The catalogue was changed by someone else since you read what this changes."
        raise refuse("changed", "Nothing was changed.", why, "Look at it again, then sign.")
    if found:
        record_evidence(session, by, kept, "catalogue", {"changes": len(found)})
    return found


def what_would_change(session: Session, catalogue: Catalogue) -> tuple[Change, ...]:
    """What a load would do. Raises what the load would be refused for."""
    known = whole(session)
    if wrong := [*problems(catalogue, known), *people_problems(known.people, catalogue.people)]:
        raise BadInput("The catalogue was not loaded.", *(Reason("bad_input", one.why, one.now, path_text(one.path)) for one in wrong))
    on_record = _bodies(session)
    found, frozen = [], []
    states = route_states(session)
    for wanted in _wanted(catalogue):
        old = on_record.get((wanted.kind, wanted.name))
        if old is not None and old.body == wanted.body:
            continue
        if old is not None and states.get(old.id) in ("active", "retired"):
            frozen.append(_frozen(wanted, states[old.id]))
        fields = changes(old.body, wanted.body) if old else ()
        found.append(Change(wanted.kind, wanted.name, "changed" if old else "added", fields))
    if frozen:
        raise Refused("The catalogue was not loaded.", *frozen)
    return (*found, *_people_changes(known.people, catalogue.people))


def digest_of_changes(found: Sequence[Change]) -> str:
    """Tells whether a load does what someone was shown."""
    return hashlib.sha256(canonical_json(as_json(found)).encode()).hexdigest()


def as_json(found: Sequence[Change]) -> dict[str, Any]:
    return {"changes": [{**asdict(change), "fields": [asdict(field) for field in change.fields]} for change in found]}


def told(change: Change) -> str:
    """A change in a line: "changed recipe DIE-170: soak_minutes 110 -> 120"."""
    fields = "; ".join(f"{field.path} {_or_none(field.old)} -> {_or_none(field.new)}" for field in change.fields)
    return f"{change.what} {change.kind.replace('_', ' ')} {change.name}" + (f": {fields}" if fields else "")


def _or_none(text: str | None) -> str:
    return "(none)" if text is None else text


def codes_of_changes(session: Session, found: Sequence[Change]) -> dict[tuple[str, str], str]:
    """The codes of the stations and orders that a load made or changed, by kind and name."""
    codes: dict[tuple[str, str], str] = {}
    for kind in ("station", "order"):
        names = [change.name for change in found if change.kind == kind]
        things = {thing: name for thing, name in session.execute(select(Thing.id, Thing.name).where(Thing.kind == kind, Thing.name.in_(names)))}
        codes |= {(kind, things[thing]): code for thing, code in codes_of(session, kind, list(things)).items()}
    return codes


def _wanted(catalogue: Catalogue) -> Iterator[_Wanted]:
    if catalogue.site:
        yield _Wanted("site", "site", ("site",), catalogue.site)
    for kind, (field, _) in THINGS.items():
        for i, body in enumerate(getattr(catalogue, field)):
            yield _Wanted(kind, thing_name(kind, body), (field, i), body)


def _bodies(session: Session) -> dict[tuple[str, str], Defined[Any]]:
    return {(one.kind, one.name): one for kind in KINDS for one in every(session, kind)}


def _frozen(wanted: _Wanted, state: str) -> Reason:
    why = f"{wanted.name} is {state}: a revision can't be changed after it was approved."
    return Reason("finished", why, "Give the changed route another revision.", path_text(wanted.path))


def _certified(person: PersonEntry) -> list[Certified]:
    return [Certified(one.name, one.valid_until) for one in person.certificates]


def _must_be_allowed(by: By, found: Sequence[Change]) -> None:
    """Duties come from administrators only, also by way of a file."""
    if "administer" in by.actor.duties or not any(change.kind == "person" for change in found):
        return
    names = ", ".join(change.name for change in found if change.kind == "person")
    why = f"The file changes {names}; this needs the duty: administer."
    now = "Ask an administrator to load it, or leave people out."
    raise NotAllowed(f"{by.actor.name} may not change people.", Reason("duty", why, now, "people"))


def _define(session: Session, by: By, wanted: _Wanted) -> None:
    thing = session.scalar(select(Thing).where(Thing.kind == wanted.kind, Thing.name == wanted.name))
    if thing is None:
        thing = _new_thing(session, by, wanted)
    else:
        now = session.scalars(select(Definition).where(Definition.thing == thing.id, Definition.closed_e.is_(None))).one()
        now.closed_e = by.e
        session.flush()  # or the new definition would meet the open one
    session.add(Definition(e=by.e, thing=thing.id, body=wanted.body.model_dump(mode="json")))
    if isinstance(wanted.body, ReasonEntry) and "station" in wanted.body.of and not codes_of(session, "card", [thing.id]):
        give_code(session, by, "card", thing.id)  # of its card: one scan says it of the station


def _new_thing(session: Session, by: By, wanted: _Wanted) -> Thing:
    thing = Thing(e=by.e, kind=wanted.kind, name=wanted.name)
    session.add(thing)
    session.flush()
    if wanted.kind in ("station", "order"):
        named = Named(wanted.kind, thing.id, give_code(session, by, wanted.kind, thing.id))
        if isinstance(wanted.body, Order):
            add_alias(session, by, named, wanted.body.customer, "order number", wanted.body.number)
        else:
            add_alias(session, by, named, "us", "name", wanted.name)
    return thing


def _people_changes(known: tuple[PersonEntry, ...], wanted: tuple[PersonEntry, ...]) -> list[Change]:
    found = []
    for person in wanted:
        old = found_in(known, person)
        new = person.model_copy(update={"badge": person.badge or (old.badge if old else None)})
        if old is None:
            found.append(Change("person", _person_name(person), "added"))
        elif in_order(old) != in_order(new):
            found.append(Change("person", _person_name(person), "changed", changes(in_order(old), in_order(new))))
    return found


def _person_name(person: PersonEntry) -> str:
    return f"{person.name} ({person.badge})" if person.badge else person.name


