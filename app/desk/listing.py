"""One way of making a list: what may be asked of it stands in its address, and it goes on by key, so that page 1,000 costs what page 1 costs.

A `Listing` names its columns, filters and sorts; `rows` turns one page of records into cells, in as many statements for ten as for a thousand.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Select, and_, or_, select
from sqlalchemy.orm import Session

from app.errors import BadInput, bad_input
from app.naming.models import Alias, Code

ROWS = (50, 200, 1000)  # how many a page may show
_MOST_TEXT = 100


@dataclass(frozen=True)
class Linked:
    """A text that leads to a page: by a code of ours, or by a path of its own."""

    text: str
    code: str = ""
    path: str = ""

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class State:
    """A word with one of the four meanings: go, care, stop, or none."""

    word: str
    meaning: str = ""

    def __str__(self) -> str:
        return self.word


Where = Callable[[Session, str], ColumnElement[bool]]  # the condition that a filter's value makes
Cell = Any  # str, int, float, datetime, Linked, State, None, or a tuple of such
Row = list[Cell]


def coded(code: str | None) -> Cell:
    return Linked(code, code) if code else None


@dataclass(frozen=True)
class Column:
    """`name` in CSV and JSON, `head` on the page."""

    name: str
    head: str
    is_number: bool = False


@dataclass(frozen=True)
class Filter:
    """`choices`: the values to choose from, said or asked of the record; without them it is typed. `kind`: the field's type in HTML."""

    name: str
    label: str
    where: Where
    choices: Callable[[Session], Sequence[str]] | Sequence[str] | None = None
    kind: str = "text"


@dataclass(frozen=True)
class Sort:
    """By an expression that is never null, then by key. `read` makes its value out of the text in an address."""

    name: str
    words: str
    by: Any = None  # None: by the key alone
    read: Callable[[str], Any] = str
    falling: bool = False


@dataclass(frozen=True)
class Listing:
    """`records` selects one entity, whose `key` is unique; `kind` is that of its codes and aliases, for the search."""

    name: str
    title: str
    about: str
    empty: str
    records: Select[Any]
    key: Any
    kind: str | None
    columns: tuple[Column, ...]
    rows: Callable[[Session, list[Any]], list[Row]]
    sorts: tuple[Sort, ...]
    filters: tuple[Filter, ...] = ()
    search: Where | None = None  # where something else than codes and aliases is meant, or as well
    template: str = "desk/list.html"


@dataclass(frozen=True)
class Asked:
    """What an address asks of a list, checked."""

    q: str
    filters: dict[str, str]
    sort: Sort
    after: tuple[Any, int] | None
    rows: int

    @property
    def is_narrowed(self) -> bool:
        return bool(self.q or self.filters)


@dataclass(frozen=True)
class Shown:
    """One page of a list. `following` is the place after its last row; None: that was the last page."""

    listing: Listing
    asked: Asked
    rows: list[Row]
    following: str | None
    choices: dict[str, list[str]] = field(default_factory=dict)


def asked_of(listing: Listing, address: Mapping[str, str]) -> Asked:
    """What the address asks; a word that the list does not know is refused with the way back."""
    values = {name: value.strip() for name, value in address.items() if value.strip()}
    for name in ("q", *(one.name for one in listing.filters)):
        if len(values.get(name, "")) > _MOST_TEXT or not values.get(name, "").isprintable():
            raise _not_understood(listing, name, "It is too long, or has control characters.")
    sort = next((one for one in listing.sorts if one.name == values.get("sort", listing.sorts[0].name)), None)
    if sort is None:
        raise _not_understood(listing, "sort", f"This list sorts by: {', '.join(one.name for one in listing.sorts)}.")
    rows = values.get("rows", str(ROWS[0]))
    if rows not in map(str, ROWS):
        raise _not_understood(listing, "rows", f"A page has {', '.join(map(str, ROWS))} rows.")
    filters = {one.name: values[one.name] for one in listing.filters if one.name in values}
    return Asked(values.get("q", ""), filters, sort, _place(listing, sort, values.get("after", "")), int(rows))


def show(session: Session, listing: Listing, asked: Asked) -> Shown:
    """The page that was asked for."""
    query = listing.records
    if asked.q:
        query = query.where(_found_by(session, listing, asked.q))
    for one in listing.filters:
        if one.name in asked.filters:
            query = query.where(one.where(session, asked.filters[one.name]))
    by = listing.key if asked.sort.by is None else asked.sort.by
    query = query.add_columns(by.label("sorted_by"), listing.key.label("key"))
    if asked.after is not None:
        query = query.where(_behind(listing, asked.sort, *asked.after))
    order = (by.desc(), listing.key.desc()) if asked.sort.falling else (by.asc(), listing.key.asc())
    found = session.execute(query.order_by(*order).limit(asked.rows + 1)).all()
    page = found[: asked.rows]
    following = _written(asked.sort, page[-1].sorted_by, page[-1].key) if len(found) > asked.rows else None
    return Shown(listing, asked, listing.rows(session, [row[0] for row in page]), following, _choices(session, listing))


def named_like(kind: str, key: Any, text: str) -> ColumnElement[bool]:
    """Things whose code, or any number that others give them, is or contains the text."""
    codes = select(Code.thing).where(Code.kind == kind, Code.code.contains(text.upper(), autoescape=True))
    aliases = select(Alias.thing).where(Alias.kind == kind, Alias.closed_e.is_(None), Alias.value.icontains(text, autoescape=True))
    return or_(key.in_(codes), key.in_(aliases))


def equals(column: Any) -> Where:
    return lambda session, value: column == value


def contains(column: Any) -> Where:
    return lambda session, value: column.icontains(value, autoescape=True)


def code_is(kind: str, column: Any) -> Where:
    """The column holds the id of a thing whose code or number is meant."""
    return lambda session, value: named_like(kind, column, value)


def on_day(column: Any, text: str, zone: str) -> ColumnElement[bool]:
    """A day by the calendar, in the site's zone."""
    try:
        begins = datetime.combine(date.fromisoformat(text), time.min, ZoneInfo(zone))
        ends = datetime.combine(begins.date() + timedelta(days=1), time.min, ZoneInfo(zone))
    except (ValueError, OverflowError):
        raise bad_input("That is no day.", "day", f"{text!r} is not a date.", "Write it like 2027-03-31.") from None
    return and_(column >= begins.astimezone(UTC), column < ends.astimezone(UTC))


def moment(text: str) -> datetime:
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:
        raise ValueError("a time without a zone")
    return found


def _found_by(session: Session, listing: Listing, text: str) -> ColumnElement[bool]:
    ways = [named_like(listing.kind, listing.key, text)] if listing.kind else []
    return or_(*ways, *([listing.search(session, text)] if listing.search else []))


def _behind(listing: Listing, sort: Sort, value: Any, key: int) -> ColumnElement[bool]:
    """What comes after a row in this order."""
    beyond: ColumnElement[bool] = listing.key < key if sort.falling else listing.key > key
    if sort.by is None:
        return beyond
    further = sort.by < value if sort.falling else sort.by > value
    return or_(further, and_(sort.by == value, beyond))


def _written(sort: Sort, value: Any, key: int) -> str:
    if sort.by is None:
        return str(key)
    return json.dumps([value.isoformat() if isinstance(value, datetime) else value, key], separators=(",", ":"))


def _place(listing: Listing, sort: Sort, text: str) -> tuple[Any, int] | None:
    if not text:
        return None
    try:
        if sort.by is None:
            value, key = None, int(text)
        else:
            value, key = json.loads(text)
            value = sort.read(str(value))
        if isinstance(key, bool) or not isinstance(key, int) or not 0 <= key < 1 << 63 or "\0" in str(value):
            raise ValueError("no key")
    except (ValueError, TypeError, RecursionError):
        raise _not_understood(listing, "after", "It is no place in this list.") from None
    return value, key


def _choices(session: Session, listing: Listing) -> dict[str, list[str]]:
    return {one.name: list(one.choices(session) if callable(one.choices) else one.choices) for one in listing.filters if one.choices is not None}


def _not_understood(listing: Listing, where: str, why: str) -> BadInput:
    return bad_input(f"The list of {listing.title.lower()} can't be shown so.", where, why, "Begin at its first page.")
