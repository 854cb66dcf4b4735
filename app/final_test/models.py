from typing import Any

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Recorded


class UnitFile(Recorded, Base):
    """The unit results of a test run: the tester's file as evidence, the same as Parquet by digest, and the counts in them."""

    __tablename__ = "unit_file"

    id: Mapped[int] = mapped_column(primary_key=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))
    bin_table: Mapped[int] = mapped_column(ForeignKey("definition.id"))  # the very revision by which units were binned
    parquet: Mapped[str]  # SHA-256 of the Parquet file under the data folder
    rows: Mapped[int]
    by_bin: Mapped[dict[str, Any]]  # bin -> units
    by_failure: Mapped[dict[str, Any]]  # failure code -> units
    tester_bin_differs: Mapped[int]


class UnitFileCorrection(Recorded, Base):
    """Unit results that were wrong, and those that replace them."""

    __tablename__ = "unit_file_correction"

    file: Mapped[int] = mapped_column(ForeignKey("unit_file.id"), primary_key=True, autoincrement=False)
    right: Mapped[int] = mapped_column(ForeignKey("unit_file.id"), unique=True)
    reason: Mapped[str]
