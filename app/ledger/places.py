"""Where things are: containers and their content, mounts on stations, moves, oven loads while they are filled, shipments."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import TO_LOCK, Closable, Recorded, one_open, open_only


class Container(Recorded, Base):
    """A labelled magazine, tray or jar that is used again."""

    __tablename__ = "container"
    updates = TO_LOCK

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    name: Mapped[str]


class Content(Closable, Base):
    """What is in a container: a panel set, or an item (loose lot, sample), from entry to entry."""

    __tablename__ = "content"
    __table_args__ = (
        CheckConstraint('("set" is null) <> (item is null)', name="set_or_item"),
        one_open("content", "item"),
        open_only("content", "container"),
        open_only("content", "set"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    container: Mapped[int] = mapped_column(ForeignKey("container.id"))
    set: Mapped[int | None] = mapped_column(ForeignKey("panel_set.id"))
    item: Mapped[int | None] = mapped_column(ForeignKey("item.id"))


class Mount(Closable, Base):
    """A batch or wafer on a place of a station."""

    __tablename__ = "mount"
    __table_args__ = (one_open("mount", "station", "place"), open_only("mount", "item"))
    closing = ("closed_e", "off_at")

    id: Mapped[int] = mapped_column(primary_key=True)
    station: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    place: Mapped[str]
    item: Mapped[int] = mapped_column(ForeignKey("item.id"))
    on_at: Mapped[datetime]
    off_at: Mapped[datetime | None]


class Shipment(Recorded, Base):
    __tablename__ = "shipment"
    __table_args__ = (Index("ix_shipment_order", "order"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    customer: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    order: Mapped[int | None] = mapped_column(ForeignKey("thing.id"))


class Diversion(Recorded, Base):
    """A pack that was filled for one customer's order went with a shipment to another, and why."""

    __tablename__ = "diversion"

    shipment: Mapped[int] = mapped_column(ForeignKey("shipment.id"), primary_key=True)
    pack: Mapped[int] = mapped_column(ForeignKey("pack.item"), primary_key=True)
    reason: Mapped[str]


class OverShipment(Recorded, Base):
    """More units went with a shipment than an order still asked for, how many more, and why."""

    __tablename__ = "over_shipment"

    shipment: Mapped[int] = mapped_column(ForeignKey("shipment.id"), primary_key=True)
    order: Mapped[int] = mapped_column(ForeignKey("thing.id"), primary_key=True)
    units: Mapped[int]
    reason: Mapped[str]


class Move(Recorded, Base):
    """A thing's change of place without change of itself. The latest says where it is; none means on the floor."""

    __tablename__ = "move"
    __table_args__ = (
        CheckConstraint("kind in ('floor', 'stock', 'outside', 'shipped', 'returned')", name="kind"),
        Index("ix_move_item", "item", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    item: Mapped[int] = mapped_column(ForeignKey("item.id"))
    kind: Mapped[str]
    place: Mapped[str]  # the firm, customer or shelf in words
    shipment: Mapped[int | None] = mapped_column(ForeignKey("shipment.id"), index=True)
    moved_at: Mapped[datetime]


class Load(Closable, Base):
    """An oven load while it is filled; closed when it starts as a run, or is cancelled (no run)."""

    __tablename__ = "load"
    __table_args__ = (open_only("load", "station"),)
    closing = ("closed_e", "run")

    id: Mapped[int] = mapped_column(primary_key=True)
    station: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    recipe: Mapped[int] = mapped_column(ForeignKey("definition.id"))
    run: Mapped[int | None] = mapped_column(ForeignKey("run.id"), unique=True)


class LoadPlace(Closable, Base):
    """Panels on a shelf of a load that is being filled. Closed when they are taken out again."""

    __tablename__ = "load_place"

    id: Mapped[int] = mapped_column(primary_key=True)
    load: Mapped[int] = mapped_column(ForeignKey("load.id"), index=True)
    shelf: Mapped[str]
    set: Mapped[int] = mapped_column(ForeignKey("panel_set.id"), index=True)
    lot: Mapped[int] = mapped_column(ForeignKey("lot.item"), index=True)
    route: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    step: Mapped[str]
