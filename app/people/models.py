from datetime import datetime

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import TO_LOCK, Closable, Recorded, one_open, open_only


class Person(Recorded, Base):
    """Someone who works here. Their code is on the badge; what may change about them stands in rows of its own."""

    __tablename__ = "person"
    updates = TO_LOCK

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]


class PersonDuty(Closable, Base):
    """operate, lead, quality, engineer, administer."""

    __tablename__ = "person_duty"
    __table_args__ = (one_open("person_duty", "person", "duty"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    person: Mapped[int] = mapped_column(ForeignKey("person.id"))
    duty: Mapped[str]


class Certificate(Closable, Base):
    """What a person is certified for, and until when."""

    __tablename__ = "certificate"
    __table_args__ = (open_only("certificate", "person"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    person: Mapped[int] = mapped_column(ForeignKey("person.id"))
    name: Mapped[str]
    valid_until: Mapped[datetime | None]


class Secret(Closable, Base):
    """The Argon2 hash of a PIN or password; a new one closes the old."""

    __tablename__ = "secret"
    __table_args__ = (one_open("secret", "person", "kind"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    person: Mapped[int] = mapped_column(ForeignKey("person.id"))
    kind: Mapped[str]  # pin, password
    hash: Mapped[str]


class GivenSecret(Recorded, Base):
    """This PIN or password was given by another, who knows it: it opens nothing but the page where its owner chooses one."""

    __tablename__ = "given_secret"

    secret: Mapped[int] = mapped_column(ForeignKey("secret.id"), primary_key=True, autoincrement=False)


class SecondFactor(Closable, Base):
    """The seed of the codes that someone's device shows."""

    __tablename__ = "second_factor"
    __table_args__ = (one_open("second_factor", "person"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    person: Mapped[int] = mapped_column(ForeignKey("person.id"))
    seed: Mapped[str]  # base 32


class SecondFactorUse(Base):
    """The half minute whose code someone used last: none is right twice. Not on the record."""

    __tablename__ = "second_factor_use"
    updates = ("step",)

    person: Mapped[int] = mapped_column(ForeignKey("person.id"), primary_key=True, autoincrement=False)
    step: Mapped[int]


class Terminal(Closable, Base):
    """A floor terminal enrolled for a station area: the PIN is enough there. Closed when it is retired."""

    __tablename__ = "terminal"

    id: Mapped[int] = mapped_column(primary_key=True)
    area: Mapped[str]
    hash: Mapped[str] = mapped_column(index=True)  # SHA-256 of the token in the terminal's cookie


class Token(Closable, Base):
    """A machine's token: shown once, kept as its SHA-256."""

    __tablename__ = "token"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    hash: Mapped[str] = mapped_column(unique=True)
    duties: Mapped[str]  # comma-separated
    may_state_facts: Mapped[bool]
    valid_until: Mapped[datetime | None]


class SignIn(Base):
    """A session of a person at a browser. Not on the record."""

    __tablename__ = "sign_in"
    updates = ("seen_at", "ended_at", "reopens_until")
    deletes = True

    hash: Mapped[str] = mapped_column(primary_key=True)  # SHA-256 of the random token in the cookie
    person: Mapped[int] = mapped_column(ForeignKey("person.id"))
    terminal: Mapped[int | None] = mapped_column(ForeignKey("terminal.id"))
    begun_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    reopens_until: Mapped[datetime | None]  # at its terminal the badge alone opens it anew, until then
    must_choose: Mapped[str | None]  # pin, password: opened by one that another gave; factor: a second one is lacking. It leads nowhere else
    browser: Mapped[str] = mapped_column(server_default="")  # its kind and system, in a few words
    network: Mapped[str] = mapped_column(server_default="")  # its address without the last part: enough for its owner to know it by


class Throttle(Base):
    """Failed sign-ins, counted by person and by address. Not on the record."""

    __tablename__ = "throttle"
    updates = ("who", "failures", "until", "last_at")
    deletes = True

    who: Mapped[str] = mapped_column(primary_key=True)
    failures: Mapped[int]
    until: Mapped[datetime | None]
    last_at: Mapped[datetime]


class SecurityEvent(Base):
    """How often someone tried something in an hour. Not on the record: see `security.py`."""

    __tablename__ = "security_event"
    __table_args__ = (UniqueConstraint("hour", "kind", "person", "terminal", "address"),)
    updates = ("times", "last_at")
    deletes = True

    id: Mapped[int] = mapped_column(primary_key=True)
    hour: Mapped[datetime]  # its beginning
    kind: Mapped[str]
    person: Mapped[int]  # 0: nobody who is known
    terminal: Mapped[int]  # 0: no enrolled one
    address: Mapped[str]
    times: Mapped[int]
    first_at: Mapped[datetime]
    last_at: Mapped[datetime]
