"""People: who they are, their duties and certificates. What changes is closed and written anew."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import codes
from app.errors import bad_input
from app.journal.act import Actor, By, lock, turn_to_name
from app.listed import together
from app.naming.models import Code
from app.naming.resolve import code_of, codes_of, give_code, take_code
from app.people.models import Certificate, Person, PersonDuty, Secret
from app.people.sessions import end_sessions

DUTIES = ("operate", "lead", "quality", "engineer", "administer")


@dataclass(frozen=True)
class Certified:
    name: str
    valid_until: datetime | None


@dataclass(frozen=True)
class Known:
    """A person as the lists show them. Someone without duties has left: they can't sign in."""

    id: int
    name: str
    badge: str
    duties: tuple[str, ...]
    certificates: tuple[Certified, ...]


def add_person(
    session: Session, by: By, name: str, duties: Iterable[str], certificates: Iterable[Certified] = (), badge: str | None = None
) -> Person:
    """A new person with a badge code of ours, given or made."""
    if not name.strip():
        raise bad_input("A person needs a name.", "name", "It is empty.", "Give the name.")
    check_duties(duties := list(duties))
    together(session, *turn_to_name(session))  # of two with one badge at once the second sees the first
    person = Person(e=by.e, name=name.strip())
    session.add(person)
    session.flush()
    if badge is None:
        give_code(session, by, "person", person.id)
    else:
        take_code(session, by, "person", person.id, _checked_badge(badge))
    set_duties(session, by, person.id, duties)
    set_certificates(session, by, person.id, certificates)
    return person


def ensure_person(
    session: Session, by: By, name: str, badge: str | None, duties: Iterable[str], certificates: Iterable[Certified] = ()
) -> tuple[Person, bool]:
    """The person with that badge (or, without one, that name), made or brought to these duties; whether anything changed."""
    known = _with_badge(session, badge) if badge else session.scalar(select(Person).where(Person.name == name))
    if known is None:
        return add_person(session, by, name, duties, certificates, badge), True
    changed = set_duties(session, by, known.id, duties)
    return known, set_certificates(session, by, known.id, certificates) or changed


def set_duties(session: Session, by: By, person: int, duties: Iterable[str]) -> bool:
    """All the duties of a person from now on; whether that changed anything. Without any their sessions are over, whatever is given back later."""
    check_duties(wanted := set(duties))
    lock(session, Person, [person])
    rows = {row.duty: row for row in session.scalars(select(PersonDuty).where(PersonDuty.person == person, PersonDuty.closed_e.is_(None)))}
    for duty in set(rows) - wanted:
        rows[duty].closed_e = by.e
    session.add_all([PersonDuty(e=by.e, person=person, duty=duty) for duty in sorted(wanted - set(rows))])
    session.flush()
    if not wanted:
        end_sessions(session, person, by.now)
    return wanted != set(rows)


def set_certificates(session: Session, by: By, person: int, certificates: Iterable[Certified]) -> bool:
    """All the certificates of a person from now on; whether that changed anything."""
    wanted = {(one.name, one.valid_until) for one in certificates}
    lock(session, Person, [person])
    rows = {
        (r.name, r.valid_until): r for r in session.scalars(select(Certificate).where(Certificate.person == person, Certificate.closed_e.is_(None)))
    }
    for key in set(rows) - wanted:
        rows[key].closed_e = by.e
    for name, until in sorted(wanted - set(rows), key=str):
        session.add(Certificate(e=by.e, person=person, name=name, valid_until=until))
    session.flush()
    return wanted != set(rows)


def change_certificate(session: Session, by: By, person: int, one: Certified, *, end: bool = False) -> bool:
    """One certificate given, given until another day, or ended; the others stay. They are read under the lock: two changes at once lose nothing."""
    lock(session, Person, [person])
    others = [other for other in everyone(session, person)[0].certificates if other.name != one.name]
    return set_certificates(session, by, person, others if end else [*others, one])


def duties_of(session: Session, person: int) -> frozenset[str]:
    return frozenset(session.scalars(select(PersonDuty.duty).where(PersonDuty.person == person, PersonDuty.closed_e.is_(None))))


def actor_of(session: Session, person: int) -> Actor:
    """The person as the journal knows them."""
    return Actor("person", person, session.get_one(Person, person).name, duties_of(session, person))


def everyone(session: Session, *people: int) -> list[Known]:
    """All people by name, or these, with badges, duties and certificates: four statements, however many there are."""
    query = select(Person).order_by(Person.name, Person.id)
    found = list(session.scalars(query.where(Person.id.in_(people)) if people else query))
    ids = [person.id for person in found]
    badges = codes_of(session, "person", ids)
    duties: defaultdict[int, list[str]] = defaultdict(list)
    for duty in session.scalars(select(PersonDuty).where(PersonDuty.person.in_(ids), PersonDuty.closed_e.is_(None))):
        duties[duty.person].append(duty.duty)
    held: defaultdict[int, list[Certified]] = defaultdict(list)
    for one in session.scalars(select(Certificate).where(Certificate.person.in_(ids), Certificate.closed_e.is_(None)).order_by(Certificate.name)):
        held[one.person].append(Certified(one.name, one.valid_until))
    return [Known(one.id, one.name, badges[one.id], tuple(sorted(duties[one.id], key=DUTIES.index)), tuple(held[one.id])) for one in found]


def known_of(session: Session, person: int) -> tuple[str, str]:
    """Name and badge: what others know of someone, and so no part of a good password."""
    return session.get_one(Person, person).name, code_of(session, "person", person)


def there_is_an_administrator(session: Session) -> bool:
    """One who can sign in: a catalogue may bring people with that duty, and they have no password yet."""
    query = select(PersonDuty.id).join(Secret, (Secret.person == PersonDuty.person) & (Secret.kind == "password") & Secret.closed_e.is_(None))
    return session.scalar(query.where(PersonDuty.duty == "administer", PersonDuty.closed_e.is_(None)).limit(1)) is not None


def check_duties(duties: Iterable[str]) -> None:
    if strange := set(duties) - set(DUTIES):
        raise bad_input("There is no such duty.", "duties", f"{sorted(strange)[0]!r} is not one of: {', '.join(DUTIES)}.", "Choose among them.")


def _with_badge(session: Session, badge: str) -> Person | None:
    code = session.get(Code, codes.tidy(badge))
    return session.get(Person, code.thing) if code is not None and code.kind == "person" else None


def _checked_badge(badge: str) -> str:
    text = codes.tidy(badge)
    if text[:1] != codes.LETTERS["person"] or not codes.is_valid(text):
        serial = text[1:-2] if len(text) > 3 else "-0001"
        example = codes.make("person", serial if serial.startswith("-") and serial[1:].isalnum() else "-0001")
        raise bad_input("That is not a badge code.", "badge", f"{badge!r} has a wrong letter or check character.", f"A valid one is like {example}.")
    return text
