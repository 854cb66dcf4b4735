from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Recorded


class CureTrace(Recorded, Base):
    """What one logger file says of one oven, packed (`traces.pack`). Several may cover one load, and one many loads."""

    __tablename__ = "cure_trace"
    __table_args__ = (Index("ix_cure_trace_station_last_at_first_at", "station", "last_at", "first_at"),)  # reads no packed row in vain

    id: Mapped[int] = mapped_column(primary_key=True)
    station: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))
    first_at: Mapped[datetime]
    last_at: Mapped[datetime]
    sensors: Mapped[list[Any]]
    packed: Mapped[bytes]
