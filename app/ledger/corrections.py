"""Corrections: a row that names the row that it replaces, and the right one (none: it never was). Neither is changed.

What a wrong mount had told of lines is void with it: such a use is on the record, and in no walk.
"""

from typing import Any

from sqlalchemy import ColumnElement, ForeignKey, func, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from app.db import Base
from app.errors import Reason
from app.journal.record import Closable, Recorded, one_open
from app.ledger.places import Move
from app.ledger.runs import Use


class MountCorrection(Recorded, Base):
    """A mount that was entered wrongly; `right` took its place and its time on the station."""

    __tablename__ = "mount_correction"

    mount: Mapped[int] = mapped_column(ForeignKey("mount.id"), primary_key=True, autoincrement=False)
    right: Mapped[int | None] = mapped_column(ForeignKey("mount.id"), unique=True)
    reason: Mapped[str]


class UseVoid(Closable, Base):
    """A line did not have that batch or wafer: its mount was corrected. Closed when a later correction says that it had."""

    __tablename__ = "use_void"
    __table_args__ = (one_open("use_void", "line", "item"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    line: Mapped[int] = mapped_column(ForeignKey("line.id"))
    item: Mapped[int] = mapped_column(ForeignKey("item.id"))


class ContentCorrection(Recorded, Base):
    """What was said wrongly to be in a container."""

    __tablename__ = "content_correction"

    content: Mapped[int] = mapped_column(ForeignKey("content.id"), primary_key=True, autoincrement=False)
    right: Mapped[int | None] = mapped_column(ForeignKey("content.id"), unique=True)
    reason: Mapped[str]


class MoveCorrection(Recorded, Base):
    """A move that was entered wrongly. `stands_at`: the first move of the chain, whose turn among the thing's moves the right one has."""

    __tablename__ = "move_correction"

    move: Mapped[int] = mapped_column(ForeignKey("move.id"), primary_key=True, autoincrement=False)
    right: Mapped[int | None] = mapped_column(ForeignKey("move.id"), unique=True)
    stands_at: Mapped[int] = mapped_column(ForeignKey("move.id"))
    reason: Mapped[str]


def not_void() -> ColumnElement[bool]:
    """Of a `Use`: its mount was not corrected."""
    return ~select(UseVoid.id).where(UseVoid.line == Use.line, UseVoid.item == Use.item, UseVoid.closed_e.is_(None)).exists()


def moves_in_force(move: Any = Move) -> ColumnElement[bool]:
    """Of a move: it was not corrected."""
    return ~select(MoveCorrection.move).where(MoveCorrection.move == move.id).exists()


def turn_of(move: Any = Move) -> ColumnElement[int]:
    """By which the moves of a thing are in order: a right one stands where the wrong one stood."""
    of_move = select(MoveCorrection.stands_at).where(MoveCorrection.right == move.id)
    stands_at = of_move.correlate_except(MoveCorrection).scalar_subquery()  # `move` is that of whatever asks, however deep this stands in it
    return func.coalesce(stands_at, move.id)


def corrected_before(session: Session, kind: type[MountCorrection | ContentCorrection | MoveCorrection], wrong: int) -> Reason | None:
    """Why a row is not corrected now: it was before. Names the row that stands for it."""
    correction: Any = session.get(kind, wrong)
    if correction is None:
        return None
    stands = _stands_for(session, kind, correction.right)
    if stands is None:
        return Reason("finished", "It was taken back before, as something that never happened.", "If it did happen, enter it anew.")
    name = kind.__tablename__.removesuffix("_correction")
    return Reason("finished", f"It was corrected before: {name} {stands} stands for it.", f"Correct {name} {stands}.")


def _stands_for(session: Session, kind: type[MountCorrection | ContentCorrection | MoveCorrection], right: int | None) -> int | None:
    """The row at the end of all corrections; None: the last said that there was nothing."""
    again: Any = None if right is None else session.get(kind, right)
    return right if again is None else _stands_for(session, kind, again.right)
