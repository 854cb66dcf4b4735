from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Sequence
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base

entry_number = Sequence("entry_number", metadata=Base.metadata)  # PostgreSQL only; SQLite has one writer and counts


class Entry(Base):
    """One action, as it was answered. Order is the order of entry."""

    __tablename__ = "entry"
    __table_args__ = (CheckConstraint("outcome in ('done', 'refused')", name="outcome"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    action: Mapped[str]
    actor_kind: Mapped[str]
    actor: Mapped[int]
    actor_name: Mapped[str]
    arguments: Mapped[dict[str, Any]]
    happened_at: Mapped[datetime]
    source: Mapped[str]  # whose word for the time: server, person, machine, file
    recorded_at: Mapped[datetime]
    outcome: Mapped[str]
    signed: Mapped[bool]  # the password was given for this very action
    fact: Mapped[bool]  # told after it happened: never refused for a rule
    digest: Mapped[bytes]


class Seal(Base):
    """A link of the chain over entries, made right after their commit."""

    __tablename__ = "seal"

    n: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    entry: Mapped[int] = mapped_column(ForeignKey("entry.id"), unique=True)
    chain: Mapped[bytes]


class Settled(Base):
    """Up to this entry every one has its seal and none is still to come: one row. Not on the record; without it all are looked through."""

    __tablename__ = "settled"
    updates = ("entry",)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    entry: Mapped[int]


class Request(Base):
    """The answer that was given to a key, so that the same action sent twice changes nothing. Kept 90 days; not on the record."""

    __tablename__ = "request"
    updates = ("entry", "answer", "refused")
    deletes = True

    actor: Mapped[str] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    content: Mapped[bytes]
    entry: Mapped[int | None]
    refused: Mapped[bool]
    answer: Mapped[dict[str, Any] | None]
    made_at: Mapped[datetime] = mapped_column(index=True)
