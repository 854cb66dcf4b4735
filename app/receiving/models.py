from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable, Recorded, one_open


class WaferMap(Closable, Base):
    """The die map of a wafer, packed (`die_map.dump`). Closed when a corrected map replaces it."""

    __tablename__ = "wafer_map"
    __table_args__ = (one_open("wafer_map", "wafer"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    wafer: Mapped[int] = mapped_column(ForeignKey("wafer.item"), index=True)
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))
    format: Mapped[str]
    packed: Mapped[bytes]
    gross: Mapped[int]
    passing: Mapped[int]
    failing: Mapped[int]


class OriginLink(Recorded, Base):
    """An event of a supplier's EPCIS document names a batch or wafer of ours: evidence of its origin, in the supplier's words."""

    __tablename__ = "origin_link"
    __table_args__ = (CheckConstraint("role in ('object', 'input', 'output')", name="role"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    item: Mapped[int] = mapped_column(ForeignKey("item.id"), index=True)
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))
    event: Mapped[int]  # its number in the document
    kind: Mapped[str]  # ObjectEvent, TransformationEvent, ...
    role: Mapped[str]
    name: Mapped[str]  # the URI by which it is named
    happened_at: Mapped[datetime]
    step: Mapped[str]
    disposition: Mapped[str]
    place: Mapped[str]
    quantity: Mapped[float | None]
    uom: Mapped[str]
    came_from: Mapped[list[Any]]  # inputs of the event that it is an output of
