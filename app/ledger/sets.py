"""Panel sets: immutable, internal, the same set stored once; and which set a lot holds."""

import hashlib

from sqlalchemy import ForeignKey, Index, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from app.db import Base
from app.journal.act import By
from app.journal.record import Closable, Recorded, one_open


class PanelSet(Recorded, Base):
    __tablename__ = "panel_set"

    id: Mapped[int] = mapped_column(primary_key=True)
    n: Mapped[int]
    digest: Mapped[bytes] = mapped_column(unique=True)  # of the sorted panel ids


class Member(Base):
    """A panel of a set. Guarded by the set's digest, which is on the record."""

    __tablename__ = "member"
    __table_args__ = (Index("ix_member_set", "set", "panel"), {"sqlite_with_rowid": False})

    panel: Mapped[int] = mapped_column(ForeignKey("panel.item"), primary_key=True, autoincrement=False)
    set: Mapped[int] = mapped_column(ForeignKey("panel_set.id"), primary_key=True, autoincrement=False)


class LotHolding(Closable, Base):
    """The set of panels that a lot holds, from entry to entry."""

    __tablename__ = "lot_holding"
    __table_args__ = (one_open("lot_holding", "lot"), Index("ix_lot_holding_set", "set"), Index("ix_lot_holding_closed_e", "closed_e"))

    lot: Mapped[int] = mapped_column(ForeignKey("lot.item"), primary_key=True, autoincrement=False)
    e: Mapped[int] = mapped_column(ForeignKey("entry.id", deferrable=True, initially="DEFERRED"), primary_key=True, autoincrement=False)
    set: Mapped[int] = mapped_column(ForeignKey("panel_set.id"))


def set_of(session: Session, by: By, panels: list[int]) -> int:
    """The id of the set of these panels, made if it is new. `panels` must not be empty."""
    ids = sorted(set(panels))
    digest = digest_of(ids)
    known = session.scalar(select(PanelSet.id).where(PanelSet.digest == digest))
    if known is not None:
        return known
    new = PanelSet(e=by.e, n=len(ids), digest=digest)
    session.add(new)
    session.flush()
    session.add_all([Member(panel=panel, set=new.id) for panel in ids])
    session.flush()
    return new.id


def digest_of(ids: list[int]) -> bytes:
    return hashlib.sha256(",".join(map(str, ids)).encode()).digest()


def panels_of(session: Session, set_id: int) -> list[int]:
    return list(session.scalars(select(Member.panel).where(Member.set == set_id).order_by(Member.panel)))


def panels_of_lot(session: Session, lot: int) -> list[int]:
    """The panels that a lot holds now."""
    query = select(Member.panel).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.lot == lot, LotHolding.closed_e.is_(None))
    return list(session.scalars(query.order_by(Member.panel)))


def lots_of_panels(session: Session, panels: list[int]) -> dict[int, int]:
    """The lot that holds each panel now."""
    query = (
        select(Member.panel, LotHolding.lot)
        .join(LotHolding, (LotHolding.set == Member.set) & LotHolding.closed_e.is_(None))
        .where(Member.panel.in_(panels))
    )
    return {panel: lot for panel, lot in session.execute(query)}


def last_lots(session: Session, panels: list[int]) -> dict[int, int]:
    """The lot that holds each panel, or held it last: of what was made loose, the lot that it was in then."""
    query = select(Member.panel, LotHolding.lot).join(LotHolding, LotHolding.set == Member.set).where(Member.panel.in_(panels))
    return {panel: lot for panel, lot in session.execute(query.order_by(LotHolding.e))}
