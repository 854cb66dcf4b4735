"""Who tried what in which hour, as a list for administrators: `people/security.py` says why it is no part of the journal."""

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from app.desk.listing import Cell, Column, Filter, Linked, Listing, Row, Sort, State, code_is, contains, moment, whole
from app.desk.names import day_is
from app.naming.resolve import codes_of
from app.people.models import Person, SecurityEvent
from app.people.security import CARE, KINDS


def _event_rows(session: Session, events: list[SecurityEvent]) -> list[Row]:
    people = {event.person for event in events if event.person}
    names = {one.id: one.name for one in session.scalars(select(Person).where(Person.id.in_(people)))}
    badges = codes_of(session, "person", list(people))
    terminals = codes_of(session, "terminal", list({event.terminal for event in events if event.terminal}))
    return [
        [
            event.last_at, _kind(event), Linked(names[event.person], path=f"/people/{badges[event.person]}") if event.person else None,
            terminals.get(event.terminal), event.address or None, event.times, event.first_at if event.times > 1 else None,
        ]
        for event in events
    ]  # fmt: skip


def _kind(event: SecurityEvent) -> Cell:
    words = KINDS.get(event.kind, event.kind)
    return State(words, "care") if event.kind in CARE else words


def _kind_is(session: Session, value: str) -> ColumnElement[bool]:
    if value == _ALL_CARE:
        return SecurityEvent.kind.in_(CARE)
    return SecurityEvent.kind.in_([kind for kind, words in KINDS.items() if words == value])


def _named(session: Session, value: str) -> ColumnElement[bool]:
    by_name = select(Person.id).where(Person.name.icontains(value, autoescape=True))
    return SecurityEvent.person.in_(by_name) | code_is("person", SecurityEvent.person)(session, value)


_ALL_CARE = "all that failed or was refused"

SECURITY = Listing(
    name="security",
    title="Sign-ins and tries",
    about="Who signed in, what failed and what was refused, counted by hour, person and address, for ninety days. What was typed is not kept.",
    empty="Nothing was noted yet.",
    records=select(SecurityEvent),
    key=SecurityEvent.id,
    kind=None,
    columns=(
        Column("last_at", "Last"), Column("what", "What"), Column("who", "Who"), Column("terminal", "Terminal"), Column("address", "Address"),
        Column("times", "Times in the hour", True), Column("first_at", "First, if not then"),
    ),
    rows=_event_rows,
    sorts=(
        Sort("newest", "newest first", SecurityEvent.last_at, moment, falling=True),
        Sort("most", "most often first", SecurityEvent.times, whole, falling=True),
    ),
    filters=(
        Filter("what", "What", _kind_is, (_ALL_CARE, *KINDS.values())), Filter("who", "Who", _named),
        Filter("address", "Address", contains(SecurityEvent.address)), Filter("day", "On day", day_is(SecurityEvent.last_at), kind="date"),
    ),
    search=lambda session, text: SecurityEvent.address.icontains(text, autoescape=True) | _named(session, text),
)  # fmt: skip
