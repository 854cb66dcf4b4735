from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, text
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Recorded

# more than a week: few files are, so that these are looked for apart, and the others among those that end soon after a time
LONG = {"sqlite": "julianday(last_at) - julianday(first_at) > 7", "postgresql": "last_at - first_at > interval '7 days'"}


class CureTrace(Recorded, Base):
    """What one logger file says of one oven, packed (`traces.pack`). Several may cover one load, and one many loads."""

    __tablename__ = "cure_trace"
    __table_args__ = (  # they read no packed row in vain
        Index("ix_cure_trace_station_last_at_first_at", "station", "last_at", "first_at"),
        Index(
            "ix_cure_trace_long", "station", "last_at", "first_at", sqlite_where=text(LONG["sqlite"]), postgresql_where=text(LONG["postgresql"])
        ),
    )  # fmt: skip

    id: Mapped[int] = mapped_column(primary_key=True)
    station: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))
    first_at: Mapped[datetime]
    last_at: Mapped[datetime]
    sensors: Mapped[list[Any]]
    packed: Mapped[bytes]


class CureTraceCorrection(Recorded, Base):
    """A trace that was of another time, or read otherwise than it was meant, and the right one. By the replaced one nothing is judged any more."""

    __tablename__ = "cure_trace_correction"

    replaces: Mapped[int] = mapped_column(ForeignKey("cure_trace.id"), primary_key=True, autoincrement=False)
    trace: Mapped[int] = mapped_column(ForeignKey("cure_trace.id"))
