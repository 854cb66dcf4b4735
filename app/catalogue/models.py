from typing import Any

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import TO_LOCK, Closable, Recorded, one_open


class Thing(Recorded, Base):
    """Something that the catalogue names, for good: its definition may change, its identity not.

    Kinds: product, route (a product's revision), recipe, station, part, bin_table, reason, customer, order, certificate, site.
    """

    __tablename__ = "thing"
    __table_args__ = (UniqueConstraint("kind", "name"),)
    updates = TO_LOCK

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    name: Mapped[str]


class Definition(Closable, Base):
    """What a thing is, from one entry until another replaces it. A body never changes, so it may be remembered by id."""

    __tablename__ = "definition"
    __table_args__ = (one_open("definition", "thing"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    thing: Mapped[int] = mapped_column(ForeignKey("thing.id"), index=True)
    body: Mapped[dict[str, Any]]


class Approval(Closable, Base):
    """The signature that makes a route revision active; closed when it is retired."""

    __tablename__ = "approval"

    id: Mapped[int] = mapped_column(primary_key=True)
    route: Mapped[int] = mapped_column(ForeignKey("thing.id"), index=True)
    definition: Mapped[int] = mapped_column(ForeignKey("definition.id"), unique=True)
