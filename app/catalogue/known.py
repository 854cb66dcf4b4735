"""The catalogue as far as this process has read it, kept from session to session until another is loaded.

Once a session asks the database how old that is: a load always adds a definition, and is alone while it does (`load_catalogue`), so the
newest definition's id tells one state of the catalogue from another. What is kept was committed: a session that changes the catalogue keeps
what it reads to itself.
"""

from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Any, Generic, TypeVar

from sqlalchemy import ColumnElement, Row, String, cast, event, func, select, text
from sqlalchemy.orm import Session

from app.catalogue.definitions import THINGS, Body, Site
from app.catalogue.models import Definition, Thing
from app.db import REMEMBERED
from app.listed import Question, together

MODELS: dict[str, type[Body]] = {kind: model for kind, (_, model) in THINGS.items()} | {"site": Site}
B = TypeVar("B", bound=Body)
_KNOWN = "catalogue_known"
_MOST = 20_000  # definitions that are kept, or one that asks for every order of ten years would leave them all here


@dataclass(frozen=True)
class Defined(Generic[B]):
    """A thing with one of its definitions: the definition's id is the very revision."""

    id: int
    kind: str
    name: str
    definition: int
    body: B


@dataclass(frozen=True)
class Known:
    """Things as they were defined while `newest` was the newest definition; None: as one session alone sees them."""

    newest: int | None
    by_id: dict[int, Defined[Any]] = field(default_factory=dict)
    by_name: dict[tuple[str, str], Defined[Any]] = field(default_factory=dict)
    by_kind: dict[str, list[Defined[Any]]] = field(default_factory=dict)
    by_definition: dict[int, Defined[Any]] = field(default_factory=dict)  # whether in force or not: a revision never changes


TEXT = cast(Definition.body, String)  # the JSON's own text, by which it was parsed before
NOW = select(Thing.id, Thing.kind, Thing.name, Definition.id, TEXT).join(Definition, Definition.thing == Thing.id)
_NEWEST = select(func.max(Definition.id))
_NEWEST_NOW = text("select max(id) from definition")
_IN_FORCE = NOW.add_columns(_NEWEST.scalar_subquery().label("newest")).where(Definition.closed_e.is_(None)).order_by(Thing.name)


def known_by(session: Session) -> Known:
    """What this session may take for the catalogue now. A thing stays for it as it first saw it."""
    mine: Known | None = session.info.get(_KNOWN)
    if mine is None:
        with session.no_autoflush:  # what is about to change is in no state yet
            (mine,) = together(session, *state_now(session))
    return mine


def state_now(session: Session) -> list[Question[Known]]:
    """The question that tells it, for who has others to ask; none when it is known."""
    return [] if _KNOWN in session.info else [Question(_NEWEST_NOW, {}, partial(_known_in, session))]


def _known_in(session: Session, newest_now: list[Any]) -> Known:
    newest = newest_now[0][0] or 0
    kept = session.info.get(REMEMBERED, {})
    known: Known | None = kept.get(_KNOWN)
    if known is None or known.newest != newest or len(known.by_id) + len(known.by_definition) > _MOST:
        known = kept[_KNOWN] = Known(newest)
    session.info[_KNOWN] = known
    return known


def read(session: Session, *which: ColumnElement[bool], kind: str | None = None) -> Known:
    """Adds to it what is in force of `which`; `kind`: that is all of a kind. The rows say themselves which state they are of."""
    rows = session.execute(_IN_FORCE.where(*which)).all()
    known = known_by(session)  # after the rows, for asking may have flushed a change
    if known.newest is not None and any(row.newest != known.newest for row in rows):  # one was loaded since this session asked
        known = Known(None, dict(known.by_id), dict(known.by_name), dict(known.by_kind), dict(known.by_definition))
        session.info[_KNOWN] = known
    found = [known.by_id.setdefault(row[0], defined(row)) for row in rows]
    known.by_name.update({(one.kind, one.name): one for one in found})
    if kind is not None:
        known.by_kind[kind] = found
    return known


def read_definitions(session: Session, wanted: set[int]) -> Known:
    """Adds these revisions to it."""
    rows = session.execute(NOW.where(Definition.id.in_(wanted))).all()
    known = known_by(session)
    known.by_definition.update({row[3]: defined(row) for row in rows})
    return known


def defined(row: Row[int, str, str, int, str]) -> Defined[Any]:
    """A row of `NOW`."""
    thing, kind, name, definition_id, body = row[:5]
    return Defined(thing, kind, name, definition_id, parsed(kind, body))


@lru_cache(maxsize=4096)
def parsed(kind: str, body: str) -> Body:
    return MODELS[kind].model_validate_json(body)


@event.listens_for(Session, "after_flush")
def _keep_to_itself_what_it_changes(session: Session, _context: Any) -> None:
    if any(isinstance(row, (Thing, Definition)) for row in [*session.new, *session.dirty]):
        session.info[_KNOWN] = Known(None)


@event.listens_for(Session, "after_soft_rollback")
def _forget_what_was_undone(session: Session, _transaction: Any) -> None:
    session.info[_KNOWN] = Known(None)
