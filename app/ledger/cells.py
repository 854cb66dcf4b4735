"""What is known cell by cell: dies placed, and marks. Bitmaps: see `items.Panel`."""

from sqlalchemy import ColumnElement, ForeignKey, Index, text
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable
from app.ledger.runs import is_void


class Placement(Closable, Base):
    """Dies of one wafer, of one role, on one panel in one run, as a placement log says. Closed when a corrected log replaces it.

    `role` is that of the step; a wafer of another role is wrong there, and its cells are marked.
    """

    __tablename__ = "placement"

    id: Mapped[int] = mapped_column(primary_key=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)
    panel: Mapped[int] = mapped_column(ForeignKey("panel.item"), index=True)
    wafer: Mapped[int] = mapped_column(ForeignKey("wafer.item"), index=True)
    role: Mapped[str]
    cells: Mapped[bytes]  # bitmap of the cells
    dies: Mapped[bytes]  # the dies in cell order, packed (floor/packed_dies.py)
    n: Mapped[int]
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))


class LostDie(Closable, Base):
    """Dies of one wafer that were picked in one run and sit on no cell, as a placement log says. Closed as a placement is."""

    __tablename__ = "lost_die"

    id: Mapped[int] = mapped_column(primary_key=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)
    wafer: Mapped[int] = mapped_column(ForeignKey("wafer.item"), index=True)
    dies: Mapped[bytes]  # packed
    n: Mapped[int]
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))


class PlacementSum(Closable, Base):
    """What one placement log added to one run, for a lot and step: dies placed, lines at fault among them, dies lost."""

    __tablename__ = "placement_sum"
    __table_args__ = (Index("ix_placement_sum_wrong", "id", sqlite_where=text("wrong > 0"), postgresql_where=text("wrong > 0")),)

    id: Mapped[int] = mapped_column(primary_key=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)
    lot: Mapped[int | None] = mapped_column(ForeignKey("lot.item"), index=True)
    step: Mapped[str | None]
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"), index=True)
    placed: Mapped[int]
    wrong: Mapped[int]
    lost: Mapped[int]


def as_told(rows: type[Placement] | type[LostDie] | type[PlacementSum]) -> ColumnElement[bool]:
    """Condition: what the placement logs in force say. No corrected log, and no voided run."""
    return rows.closed_e.is_(None) & ~is_void(rows.run)


class CellMark(Closable, Base):
    """Cells of a panel that are no longer good, with the reason. Closed when the mark is taken back."""

    __tablename__ = "cell_mark"
    __table_args__ = (Index("ix_cell_mark_e", "e"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    panel: Mapped[int] = mapped_column(ForeignKey("panel.item"), index=True)
    run: Mapped[int | None] = mapped_column(ForeignKey("run.id"), index=True)
    evidence: Mapped[int | None] = mapped_column(ForeignKey("evidence.id"))
    reason: Mapped[str]
    cells: Mapped[bytes]
    n: Mapped[int]
