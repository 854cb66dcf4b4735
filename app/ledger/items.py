"""Items: anything with a code that material flows through."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import TO_LOCK, Closable, Recorded, one_open, open_only


class Item(Recorded, Base):
    __tablename__ = "item"
    __table_args__ = (CheckConstraint("kind in ('wafer', 'batch', 'panel', 'lot', 'sample', 'pack')", name="kind"),)
    updates = TO_LOCK

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]


class Wafer(Recorded, Base):
    """A tested wafer on film frame. Its die map is in `receiving`."""

    __tablename__ = "wafer"

    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    part: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    role: Mapped[str]  # driver, red, green, blue


class Batch(Recorded, Base):
    """One supplier batch of a material part, or one mixed here."""

    __tablename__ = "batch"
    __table_args__ = (Index("ix_batch_expires_at", "expires_at"), Index("ix_batch_supplier", "supplier"))

    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    part: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    supplier: Mapped[str]
    expires_at: Mapped[datetime | None]


class Opening(Recorded, Base):
    """A batch was opened: its pot life runs from here."""

    __tablename__ = "opening"

    batch: Mapped[int] = mapped_column(ForeignKey("batch.item"), primary_key=True, autoincrement=False)
    opened_at: Mapped[datetime]
    pot_life_ends_at: Mapped[datetime | None]


class Panel(Recorded, Base):
    """A lead-frame panel: rows x columns cells. Cell (r, c), counted from 1, is bit (r-1)*columns + (c-1)."""

    __tablename__ = "panel"

    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    rows: Mapped[int]
    columns: Mapped[int]


class Lot(Recorded, Base):
    """What travels together: panels (`form` panel) or a count of loose units (`form` loose)."""

    __tablename__ = "lot"
    __table_args__ = (CheckConstraint("form in ('panel', 'loose')", name="form"),)

    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    form: Mapped[str]
    product: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    order: Mapped[int | None] = mapped_column(ForeignKey("thing.id"))
    bin: Mapped[str | None]  # of a loose lot after test
    grade: Mapped[str | None]  # prime, second, reject
    root: Mapped[int | None] = mapped_column(ForeignKey("item.id"), index=True)  # the first lot of the family: its code begins the parts' codes


class LotRoute(Closable, Base):
    """The route revision that a lot is on, from entry to entry."""

    __tablename__ = "lot_route"
    __table_args__ = (one_open("lot_route", "lot"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    lot: Mapped[int] = mapped_column(ForeignKey("lot.item"))
    route: Mapped[int] = mapped_column(ForeignKey("thing.id"))


class Sample(Recorded, Base):
    """Units or cells taken to be looked at: kept or destroyed."""

    __tablename__ = "sample"

    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    units: Mapped[int]
    kept: Mapped[bool]
    purpose: Mapped[str]


class Pack(Closable, Base):
    """A reel, a bag or a tray. Closing it writes its last columns."""

    __tablename__ = "pack"
    __table_args__ = (
        CheckConstraint("form in ('reel', 'bag', 'tray')", name="form"),
        open_only("pack", "item"),
        Index("ix_pack_date_code", "date_code", "item"),
        Index("ix_pack_bin", "bin", "item"),
        Index("ix_pack_order", "order", "item"),
    )
    closing = ("closed_e", "closed_at", "date_code", "units", "short_reason")

    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    form: Mapped[str]
    product: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    part_number: Mapped[str]
    bin: Mapped[str | None]
    grade: Mapped[str]
    order: Mapped[int | None] = mapped_column(ForeignKey("thing.id"))
    size_units: Mapped[int]  # what a full one holds
    closed_at: Mapped[datetime | None]
    date_code: Mapped[str | None]
    units: Mapped[int | None]
    short_reason: Mapped[str | None]


class DryPack(Recorded, Base):
    """A pack went into its barrier bag."""

    __tablename__ = "dry_pack"

    pack: Mapped[int] = mapped_column(ForeignKey("pack.item"), primary_key=True, autoincrement=False)
    sealed_at: Mapped[datetime]
    moisture_level: Mapped[str]
    use_before_at: Mapped[datetime | None]
