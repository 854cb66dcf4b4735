"""The people of the catalogue's file: as they stand on the record, and as the file wants them."""

from collections import defaultdict

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.check import Problem
from app.catalogue.definitions import CertificateOfPerson, PersonEntry
from app.naming.resolve import codes_of
from app.people.models import Certificate, Person, PersonDuty


def people_on_record(session: Session) -> tuple[PersonEntry, ...]:
    """Everyone, with badge, duties and certificates in force."""
    people = list(session.scalars(select(Person).order_by(Person.id)))
    badges = codes_of(session, "person", [person.id for person in people])
    duties: defaultdict[int, list[str]] = defaultdict(list)
    for row in session.scalars(select(PersonDuty).where(PersonDuty.closed_e.is_(None)).order_by(PersonDuty.duty)):
        duties[row.person].append(row.duty)
    held: defaultdict[int, list[CertificateOfPerson]] = defaultdict(list)
    for certificate in session.scalars(select(Certificate).where(Certificate.closed_e.is_(None)).order_by(Certificate.name, Certificate.id)):
        held[certificate.person].append(CertificateOfPerson(name=certificate.name, valid_until=certificate.valid_until))
    return tuple(
        PersonEntry(name=person.name, badge=badges.get(person.id), duties=tuple(duties[person.id]), certificates=tuple(held[person.id]))  # type: ignore[arg-type]
        for person in people
    )


def found_in(people: tuple[PersonEntry, ...], wanted: PersonEntry) -> PersonEntry | None:
    """The person that an entry of the file means: by badge, else the only one of that name."""
    if wanted.badge is not None:
        return next((person for person in people if person.badge == wanted.badge), None)
    alike = [person for person in people if person.name == wanted.name]
    return alike[0] if len(alike) == 1 else None


def people_problems(known: tuple[PersonEntry, ...], wanted: tuple[PersonEntry, ...]) -> list[Problem]:
    """Entries that may mean several people, or that call the bearer of a badge by another name."""
    found = []
    for i, person in enumerate(wanted):
        same = found_in(known, person)
        if person.badge is None and sum(one.name == person.name for one in known) > 1:
            found.append(Problem(("people", i, "name"), f"Several people are called {person.name}.", "Say which: badge = ..."))
        elif same is not None and same.name != person.name:
            found.append(Problem(("people", i, "name"), f"The badge {person.badge} is {same.name}'s.", "Correct the badge, or keep the name."))
    return found


def in_order(person: PersonEntry) -> PersonEntry:
    """Duties and certificates have no order of their own."""
    certificates = sorted(person.certificates, key=lambda one: (one.name, str(one.valid_until)))
    return person.model_copy(update={"duties": tuple(sorted(person.duties)), "certificates": tuple(certificates)})
