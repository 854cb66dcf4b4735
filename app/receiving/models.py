from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable, one_open


class WaferMap(Closable, Base):
    """The die map of a wafer, packed (`die_map.dump`). Closed when a corrected map replaces it."""

    __tablename__ = "wafer_map"
    __table_args__ = (one_open("wafer_map", "wafer"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    wafer: Mapped[int] = mapped_column(ForeignKey("wafer.item"))
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))
    format: Mapped[str]
    packed: Mapped[bytes]
    gross: Mapped[int]
    passing: Mapped[int]
    failing: Mapped[int]
