"""One way of making a list: what may be asked of it stands in its address, and it goes on by key, so that page 1,000 costs what page 1 costs.

A `Listing` names its columns, filters and sorts; `rows` turns one page of records into cells, in as many statements for ten as for a thousand.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Select, and_, case, exists, func, literal, not_, null, or_, select, true
from sqlalchemy.orm import Session

from app.errors import BadInput, bad_input, short
from app.naming.models import Alias, Code
from app.naming.resolve import candidates
from app.web.said import OF_WHAT_IS_SAID

ROWS = (50, 200, 1000)  # how many a page may show
LOOKS_AT = 50_000  # rows of a list, or codes of a kind, that are looked at for what hardly anything may meet
_MOST_TEXT = 100
_MOST_WHOLE = 1 << 63


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
    """`choices`: the values to choose from, said or asked of the record; without them it is typed. `kind`: the field's type in HTML.

    `finds`: an index finds what meets it, however far back. Of others a page looks at so many rows, and says so where it shows less than it might.
    """

    name: str
    label: str
    where: Where
    choices: Callable[[Session], Sequence[str]] | Sequence[str] | None = None
    kind: str = "text"
    finds: bool = False


@dataclass(frozen=True)
class Sort:
    """By an expression that is never null, then by key. `read` makes its value out of the text in an address.

    `first`: a condition. What meets it comes first, and it alone goes by the expression; then comes the rest, by key.
    """

    name: str
    words: str
    by: Any = None  # None: by the key alone
    read: Callable[[str], Any] = str
    falling: bool = False
    first: ColumnElement[bool] | None = None

    @property
    def parts(self) -> list[tuple[ColumnElement[bool], Any]]:
        """One after another: what is in it, and by which expression."""
        return [(true(), self.by)] if self.first is None else [(self.first, self.by), (not_(self.first), None)]


class Place(NamedTuple):
    """Behind which row a page begins."""

    part: int
    value: Any
    key: int


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
    after: Place | None
    rows: int
    looks_at_all: bool = False

    @property
    def is_narrowed(self) -> bool:
        return bool(self.q or self.filters)


@dataclass(frozen=True)
class Shown:
    """One page of a list. `following` is the place after the last row that was looked at; None: that was the last page.

    `looked_at`: so many rows were, where the page might have shown more.
    """

    listing: Listing
    asked: Asked
    rows: list[Row]
    following: str | None
    looked_at: int = 0
    choices: dict[str, list[str]] = field(default_factory=dict)


def asked_of(listing: Listing, address: Mapping[str, str]) -> Asked:
    """What the address asks; a word that the list does not know is refused with the way back, and so is a filter: misspelt, it would show all."""
    known = ["q", *(one.name for one in listing.filters), "sort", "rows", "look", "after", "format"]
    for name in address:
        if name not in (*known, *OF_WHAT_IS_SAID):
            raise _not_understood(listing, short(name), f"It has no {short(name)!r}: it is asked by {', '.join(known)}.")
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
    if values.get("look", "all") != "all":
        raise _not_understood(listing, "look", "Leave it out, or give all: all rows are looked through then.")
    filters = {one.name: values[one.name] for one in listing.filters if one.name in values}
    place = _place(listing, sort, values.get("after", ""))
    return Asked(values.get("q", ""), filters, sort, place, int(rows), "look" in values)


def show(session: Session, listing: Listing, asked: Asked, look_ups: Session | None = None) -> Shown:
    """The page that was asked for. Its records are found by `session`; what their rows say, whose ids are known then, needs `look_ups` alone."""
    asked_for = [one for one in listing.filters if one.name in asked.filters]
    conditions = [one.where(session, asked.filters[one.name]) for one in asked_for]
    finds = any(one.finds for one in asked_for)
    if asked.q:
        things = [one.id for one in candidates(session, asked.q, listing.kind)] if listing.kind else []
        conditions.append(_found_by(session, listing, asked.q, things))
        finds = finds or bool(things)
    is_bounded = bool(conditions) and not finds and not asked.looks_at_all
    found, following, stopped = _rows(session, listing, conditions, asked, is_bounded=is_bounded)
    return Shown(
        listing, asked, listing.rows(look_ups or session, [row[0] for row in found]), _written(asked.sort, following) if following else None,
        LOOKS_AT if stopped else 0, _choices(session, listing),
    )  # fmt: skip


def onward(shown: Shown) -> Asked | None:
    """What asks for the rows behind these, as many as a page may have; None: there are none."""
    if shown.following is None:
        return None
    return replace(shown.asked, rows=ROWS[-1], after=_place(shown.listing, shown.asked.sort, shown.following))


def _rows(
    session: Session, listing: Listing, conditions: Sequence[ColumnElement[bool]], asked: Asked, *, is_bounded: bool
) -> tuple[list[Any], Place | None, bool]:
    """Records that meet the conditions, each part of the order by an index of its own; behind what others follow; whether it only stopped there."""
    found: list[Any] = []
    begin, key = asked.after.part if asked.after else 0, listing.key
    for n, (condition, by) in enumerate(asked.sort.parts[begin:], begin):
        place = [literal(n), null() if by is None else by, key]
        order = [key] if by is None else [by, key]
        here = listing.records.where(condition).order_by(*(one.desc() if asked.sort.falling else one.asc() for one in order))
        if asked.after is not None and n == begin:
            here = here.where(_behind(asked.sort, by, key, asked.after))
        last = _last_looked_at(session, here, place) if is_bounded else None
        some = here.where(*conditions) if last is None else here.where(_not_behind(asked.sort, by, key, last), _as_it_comes(and_(*conditions)))
        found += session.execute(some.add_columns(*place).limit(asked.rows + 1 - len(found))).all()
        if len(found) > asked.rows:
            return found[: asked.rows], Place(*found[asked.rows - 1][1:]), False
        if last is not None:
            return found, last, True
    return found, None, False


def _last_looked_at(session: Session, here: Select[Any], place: list[Any]) -> Place | None:
    """None: there are no more than a page looks at."""
    last = session.execute(here.with_only_columns(*place, maintain_column_froms=True).offset(LOOKS_AT - 1).limit(1)).first()
    return Place(*last) if last is not None else None


def _as_it_comes(condition: ColumnElement[bool]) -> ColumnElement[bool]:
    """Asked of each row in the list's order: an index of the condition's own would lead through all the history."""
    return case((condition, 1)) == 1


def named_like(session: Session, kind: str, key: Any, text: str) -> ColumnElement[bool]:
    """Things whose code, or any number that others give them, is the text; where there are none, those of which it is a part, among the newest."""
    if things := [one.id for one in candidates(session, text, kind)]:
        return key.in_(things)  # type: ignore[no-any-return]
    newest = select(Code.thing).where(Code.kind == kind).order_by(Code.thing.desc()).offset(LOOKS_AT).limit(1).scalar_subquery()
    return or_(*(key.in_(select(cls.thing).where(here, cls.thing > func.coalesce(newest, -1))) for cls, here in _parts(kind, text)))


def _parts(kind: str, text: str) -> list[tuple[Any, ColumnElement[bool]]]:
    """Codes and others' numbers of a kind that contain the text."""
    return [
        (Code, and_(Code.kind == kind, Code.code.contains(text.upper(), autoescape=True))),
        (Alias, and_(Alias.kind == kind, Alias.closed_e.is_(None), Alias.value.icontains(text, autoescape=True))),
    ]


def equals(column: Any) -> Where:
    return lambda session, value: column == value


def completed(column: Any, digits: int) -> Where:
    """The column holds so many digits, and begins with what was asked: where a label is torn. An index has the few that it can be."""

    def where(session: Session, value: str) -> Any:
        missing = digits - len(value)
        if not (0 < missing <= 2 and value.isascii() and value.isdigit()):
            return column == value
        return column.in_([f"{value}{n:0{missing}}" for n in range(10**missing)])

    return where


def contains(column: Any) -> Where:
    return lambda session, value: column.icontains(value, autoescape=True)


def code_is(kind: str, column: Any) -> Where:
    """The column holds the id of a thing whose code or number is meant."""
    return lambda session, value: named_like(session, kind, column, value)


def on_day(column: Any, text: str, zone: str) -> ColumnElement[bool]:
    """A day by the calendar, in the site's zone."""
    try:
        day = date.fromisoformat(text)
        begins, ends = (datetime.combine(one, time.min, ZoneInfo(zone)).astimezone(UTC) for one in (day, day + timedelta(days=1)))
    except (ValueError, OverflowError):  # the year 1 began before it here, east of Greenwich
        raise bad_input("That is not a date.", "day", f"{text!r} can't be read as one.", "Write it like 2027-03-31.") from None
    return and_(column >= begins, column < ends)


def moment(text: str) -> datetime:
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:
        raise ValueError("a time without a zone")
    return found.astimezone(UTC)


def whole(text: str) -> int:
    """What a column of whole numbers can be compared with."""
    found = int(text)
    if not -_MOST_WHOLE <= found < _MOST_WHOLE:
        raise ValueError("no such number")
    return found


def _found_by(session: Session, listing: Listing, text: str, things: list[int]) -> ColumnElement[bool]:
    """`things`: those that the text names; without any it may be a part of a name."""
    ways = [listing.key.in_(things)] if things else []
    if listing.kind and not things:
        ways = [exists().where(cls.thing == listing.key, here) for cls, here in _parts(listing.kind, text)]
    return or_(*ways, *([listing.search(session, text)] if listing.search else []))


def _behind(sort: Sort, by: Any, key: Any, place: Place) -> ColumnElement[bool]:
    """What comes after a row in this order, beginning at its value: an index finds that at once."""
    beyond: ColumnElement[bool] = key < place.key if sort.falling else key > place.key
    if by is None:
        return beyond
    return and_(by <= place.value, or_(by < place.value, beyond)) if sort.falling else and_(by >= place.value, or_(by > place.value, beyond))


def _not_behind(sort: Sort, by: Any, key: Any, place: Place) -> ColumnElement[bool]:
    """What comes before a row in this order, and the row itself."""
    until: ColumnElement[bool] = key >= place.key if sort.falling else key <= place.key
    if by is None:
        return until
    return and_(by >= place.value, or_(by > place.value, until)) if sort.falling else and_(by <= place.value, or_(by < place.value, until))


def _written(sort: Sort, place: Place) -> str:
    if len(sort.parts) == 1 and sort.by is None:
        return str(place.key)
    value = place.value.isoformat() if isinstance(place.value, datetime) else place.value
    return json.dumps([place.part, value, place.key], separators=(",", ":"))


def _place(listing: Listing, sort: Sort, text: str) -> Place | None:
    if not text:
        return None
    try:
        part, value, key = (0, None, int(text)) if len(sort.parts) == 1 and sort.by is None else json.loads(text)
        value = None if sort.parts[part][1] is None else sort.read(str(value))
        if any(isinstance(one, bool) or not isinstance(one, int) or not 0 <= one < _MOST_WHOLE for one in (part, key)) or "\0" in str(value):
            raise ValueError("no place")
    except (ValueError, TypeError, IndexError, RecursionError, OverflowError):
        raise _not_understood(listing, "after", "That place is not in this list.") from None
    return Place(part, value, key)


def _choices(session: Session, listing: Listing) -> dict[str, list[str]]:
    return {one.name: list(one.choices(session) if callable(one.choices) else one.choices) for one in listing.filters if one.choices is not None}


def _not_understood(listing: Listing, where: str, why: str) -> BadInput:
    return bad_input(f"This list can't be shown so: {listing.title.lower()}.", where, why, "Begin at its first page.")
