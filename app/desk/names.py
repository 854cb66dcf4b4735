"""What lists need for their cells and choices, each in one statement however many rows there are."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.models import Thing
from app.desk.listing import Where, on_day
from app.journal.models import Entry
from app.naming.models import Alias


def numbers_of(session: Session, kind: str, things: list[int]) -> dict[int, tuple[str, ...]]:
    """Other people's numbers for many things of one kind."""
    found: defaultdict[int, list[str]] = defaultdict(list)
    query = select(Alias.thing, Alias.value).where(Alias.kind == kind, Alias.thing.in_(things), Alias.closed_e.is_(None)).order_by(Alias.id)
    for thing, value in session.execute(query):
        found[thing].append(value)
    return {thing: tuple(values) for thing, values in found.items()}


def times_of(session: Session, entries: Iterable[int]) -> dict[int, datetime]:
    """When each entry's action happened."""
    return {e: at for e, at in session.execute(select(Entry.id, Entry.happened_at).where(Entry.id.in_(set(entries))))}


def things_named(session: Session, things: Iterable[int | None]) -> dict[int, str]:
    """Names of the catalogue's things."""
    wanted = {thing for thing in things if thing is not None}
    return {thing: name for thing, name in session.execute(select(Thing.id, Thing.name).where(Thing.id.in_(wanted)))}


def every_name(kind: str) -> Callable[[Session], list[str]]:
    """The names of a kind of the catalogue's things, to choose from."""
    return lambda session: list(session.scalars(select(Thing.name).where(Thing.kind == kind).order_by(Thing.name)))


def thing_is(column: Any, *kinds: str) -> Where:
    """The column holds the id of the catalogue's thing of that name."""
    named = select(Thing.id).where(Thing.kind.in_(kinds))
    return lambda session, value: column.in_(session.scalars(named.where(Thing.name == value)).all())  # of ids: an index has their rows in order


def distinct(column: Any) -> Callable[[Session], list[str]]:
    """The values of a column with an index: one look-up a value, however many rows have it."""
    first = select(func.min(column).label("value")).cte("each", recursive=True)
    following = select(select(func.min(column)).where(column > first.c.value).scalar_subquery()).where(first.c.value.is_not(None))
    each = first.union_all(following)
    return lambda session: [one for one in session.scalars(select(each.c.value)) if one]


def stations_that(operation: str) -> Callable[[Session], list[str]]:
    """The names of the stations that do it."""
    return lambda session: sorted(one.body.name for one in catalogue.every(session, "station") if operation in one.body.operations)


def operations(session: Session) -> list[str]:
    """What the catalogue's stations do."""
    return sorted({operation for one in catalogue.every(session, "station") for operation in one.body.operations})


def roles(session: Session) -> list[str]:
    """What wafers are, by the catalogue's parts."""
    return sorted({one.body.role for one in catalogue.every(session, "part") if one.body.kind == "wafer" and one.body.role})


def day_is(column: Any) -> Where:
    """The column's moment lies on a day of the site's calendar."""
    return lambda session, value: on_day(column, value, catalogue.site(session).zone)
