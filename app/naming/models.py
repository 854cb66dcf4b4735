from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable, Recorded


class Code(Recorded, Base):
    """A code of ours, unique over all kinds, for good. `thing` is the id in the kind's own table."""

    __tablename__ = "code"
    __table_args__ = (Index("ix_code_kind_thing", "kind", "thing"),)

    code: Mapped[str] = mapped_column(primary_key=True)
    kind: Mapped[str]
    thing: Mapped[int]


class Alias(Closable, Base):
    """Someone else's number for a thing of ours: never unique."""

    __tablename__ = "alias"
    __table_args__ = (Index("ix_alias_kind_thing", "kind", "thing"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]  # of our thing: wafer, batch, panel, lot, pack, order ...
    thing: Mapped[int]
    whose: Mapped[str]  # supplier, customer, us (a mark on the frame)
    what: Mapped[str]  # wafer id, batch number, panel mark, order number
    value: Mapped[str] = mapped_column(index=True)
