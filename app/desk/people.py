"""The list of people."""

from sqlalchemy import ColumnElement, exists, select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.desk.listing import Cell, Column, Filter, Linked, Listing, Row, Sort, State
from app.ledger.runs import Attendance
from app.naming.resolve import codes_of
from app.people.models import Certificate, Person, PersonDuty
from app.people.people import DUTIES, Certified, everyone


def _person_rows(session: Session, people: list[Person]) -> list[Row]:
    if not people:
        return []
    known = {one.id: one for one in everyone(session, *[one.id for one in people])}
    stations = {one.id: one.name for one in catalogue.every(session, "station")}
    codes = codes_of(session, "station", list(stations))
    at: dict[int, list[Cell]] = {}
    for person, station in session.execute(select(Attendance.person, Attendance.station).where(Attendance.closed_e.is_(None))):
        at.setdefault(person, []).append(Linked(stations[station], codes[station]))
    return [
        [
            Linked(known[one.id].badge, path=f"/people/{known[one.id].badge}"), one.name,
            known[one.id].duties or (State("none: can't sign in", ""),), tuple(map(_certificate, known[one.id].certificates)),
            tuple(at.get(one.id, ())),
        ]
        for one in people
    ]  # fmt: skip


def _certificate(one: Certified) -> Cell:
    over = one.valid_until is not None and one.valid_until < clock.now()
    return State(f"{one.name} (over)", "stop") if over else one.name


def _with_duty(session: Session, value: str) -> ColumnElement[bool]:
    return exists().where(PersonDuty.person == Person.id, PersonDuty.duty == value, PersonDuty.closed_e.is_(None))


def _certified(session: Session, value: str) -> ColumnElement[bool]:
    return exists().where(Certificate.person == Person.id, Certificate.name == value, Certificate.closed_e.is_(None))


def _certificates(session: Session) -> list[str]:
    return list(session.scalars(select(Certificate.name).where(Certificate.closed_e.is_(None)).distinct().order_by(Certificate.name)))


PEOPLE = Listing(
    name="people",
    title="People",
    about="Who works here, what each may do, what each is certified for, and which stations they have now.",
    empty="Nobody yet. People are added below, or stand in the catalogue's file.",
    records=select(Person),
    key=Person.id,
    kind="person",
    columns=(
        Column("badge", "Badge"),
        Column("name", "Name"),
        Column("duties", "Duties"),
        Column("certificates", "Certificates"),
        Column("at", "Has now"),
    ),
    rows=_person_rows,
    sorts=(Sort("name", "name", Person.name), Sort("newest", "newest first", falling=True)),
    filters=(Filter("duty", "Duty", _with_duty, DUTIES), Filter("certificate", "Certificate", _certified, _certificates)),
    search=lambda session, text: Person.name.icontains(text, autoescape=True),
    template="desk/people.html",
)
