from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Recorded


class Evidence(Recorded, Base):
    """A file as it came. The bytes lie under the data folder, named by their SHA-256."""

    __tablename__ = "evidence"

    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(index=True)
    name: Mapped[str]
    kind: Mapped[str]  # die_map, placement_log, logger_file, unit_results, catalogue, photo
    size_bytes: Mapped[int]
    stated: Mapped[str]  # what the sender stated that the file leaves open (origin, date order, zone), as JSON text
