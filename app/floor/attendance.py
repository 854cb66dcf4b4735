"""Who has which stations: a person attends several, and hands all of them over with one scan."""

from datetime import datetime

from sqlalchemy import BigInteger, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.models import Thing
from app.errors import Reason, Refused, bad_input, refuse
from app.floor.gates import certificate_grounds
from app.floor.line_steps import step_of_line
from app.holds.place import against_rules, hold_line
from app.journal.act import By, lock
from app.ledger.runs import Attendance, Line, Run
from app.listed import listed, tuples
from app.people.models import Person
from app.people.people import duties_of, everyone


def attend(session: Session, by: By, person: int, station: int) -> None:
    """The person has the station from now; attending it twice changes nothing."""
    catalogue.station(session, station)
    lock(session, Person, [person])
    if station not in stations_of(session, person):
        session.add(Attendance(e=by.e, person=person, station=station))
        session.flush()


def leave(session: Session, by: By, person: int, station: int | None = None) -> None:
    """The person leaves one station, or all."""
    lock(session, Person, [person])  # a row that two acts close would have the entry of the second alone
    for row in session.scalars(select(Attendance).where(Attendance.person == person, Attendance.closed_e.is_(None))):
        if station is None or row.station == station:
            row.closed_e = by.e
    session.flush()


def hand_over(session: Session, by: By, giver: int, taker: int) -> list[int]:
    """All stations of one person go to another, with what runs on them."""
    if giver == taker:
        raise bad_input("Nothing is handed over.", "to_person", "Both are the same person.", "Scan the badge of the one who takes over.")
    if not by.fact:
        _must_work_here(session, taker)
    lock(session, Person, sorted((giver, taker)))
    stations = stations_of(session, giver)
    lock(session, Thing, sorted(stations))  # a start takes its station's turn, too
    if not by.fact:
        _must_be_certified(session, taker, stations, by.happened_at)
    for _, line, why in _uncertified(session, taker, stations, by.happened_at):  # told as a fact: what runs is held
        hold_line(session, by, line, against_rules([why]))
    leave(session, by, giver)
    for station in stations:
        attend(session, by, taker, station)
    return stations


def must_be_able_to_take_over(session: Session, taker: int, stations: list[int], at: datetime) -> None:
    """Raises what a hand-over of these stations would be refused for: nobody is asked what can only be answered by no."""
    _must_work_here(session, taker)
    _must_be_certified(session, taker, stations, at)


def _must_work_here(session: Session, taker: int) -> None:
    if not duties_of(session, taker):
        why = "This person's duties have all ended."
        raise refuse("duty", "Nothing is handed over.", why, "Scan the badge of someone who works here.")


def _must_be_certified(session: Session, taker: int, stations: list[int], at: datetime) -> None:
    if found := _uncertified(session, taker, stations, at):
        names = sorted({catalogue.station(session, station).name for station, *_ in found})
        taker_name = session.get_one(Person, taker).name
        raise Refused(f"{taker_name} may not take over what runs on {', '.join(names)}.", *dict.fromkeys(why for *_, why in found))


def _uncertified(session: Session, person: int, stations: list[int], at: datetime) -> list[tuple[int, int, Reason]]:
    """(station, line, why) of what runs there now, as its start asks it: whoever takes over goes on with it."""
    (known,) = everyone(session, person)
    certificates = [(one.name, one.valid_until) for one in known.certificates]
    query = select(Run.station, Line).join(Run, Run.id == Line.run).where(Run.station.in_(stations), Run.closed_e.is_(None), Line.closed_e.is_(None))
    running = [(station, line, step_of_line(session, line)) for station, line in session.execute(query.order_by(Line.id))]
    return [
        (station, line.id, why)
        for station, line, step in running
        if step
        for why in certificate_grounds(step, known.name, certificates, at)
    ]


def stations_of(session: Session, person: int) -> list[int]:
    return [station for (station,) in tuples(session, _STATIONS, person=person)]


_STATIONS = listed("select station from attendance where person = :person and closed_e is null order by id", person=BigInteger())
