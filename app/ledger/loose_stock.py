"""Which loose lots hold units: so that the board reads what is open and not the whole history. Derived; `check` rebuilds and compares."""

from sqlalchemy import ForeignKey, Index, text
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base

_HOLDS_UNITS = text("emptied_e is null")


class LooseStock(Base):
    """A loose lot that took units in; `emptied_e`: the entry by which its book came down to nothing (empty: units are in it)."""

    __tablename__ = "loose_stock"
    __table_args__ = (
        Index("ix_loose_stock_holding", "lot", sqlite_where=_HOLDS_UNITS, postgresql_where=_HOLDS_UNITS),
        Index("ix_loose_stock_emptied_e", "emptied_e"),
    )
    updates = ("emptied_e",)

    lot: Mapped[int] = mapped_column(ForeignKey("lot.item"), primary_key=True, autoincrement=False)
    emptied_e: Mapped[int | None]
