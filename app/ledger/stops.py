"""Holds and releases, as rows. Nothing is copied: what comes of a held thing is found by walking."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, text
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable, Recorded, open_only

# spans of more than a month, or without an end: few are, so that these are looked for apart, and the others among those that begin near a time
LONG_SPAN = {
    "sqlite": "kind = 'span' and (span_from is null or span_to is null or julianday(span_to) - julianday(span_from) > 31)",
    "postgresql": "kind = 'span' and (span_from is null or span_to is null or span_to - span_from > interval '31 days')",
}


class Hold(Closable, Base):
    """A stop on one subject. `kind` says which column names it.

    wafer, batch, panel, loose, pack, sample: `subject` is the item. set: what a lot or container held at that moment.
    run, line: theirs. station: it starts nothing. span: every line open at the station from `span_from` to `span_to`.
    """

    __tablename__ = "hold"
    __table_args__ = (
        CheckConstraint("kind in ('wafer','batch','panel','loose','pack','sample','set','run','line','station','span')", name="kind"),
        Index("ix_hold_e", "e"),
        open_only("hold", "kind", "subject"),
        Index("ix_hold_kind_subject_span_from", "kind", "subject", "span_from"),  # for a record, which tells of those that ended, too
        Index(
            "ix_hold_long_span", "kind", "subject", "span_to", sqlite_where=text(LONG_SPAN["sqlite"]), postgresql_where=text(LONG_SPAN["postgresql"])
        ),
    )  # fmt: skip

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    subject: Mapped[int]
    lot: Mapped[int | None] = mapped_column(ForeignKey("lot.item"))  # the lot or its content that was meant, for the words
    container: Mapped[int | None]
    span_from: Mapped[datetime | None]
    span_to: Mapped[datetime | None]
    reason: Mapped[str]
    automatic: Mapped[bool]


class Release(Recorded, Base):
    """The signed end of a hold for everything, or for named items and all that comes of them."""

    __tablename__ = "release"
    __table_args__ = (Index("ix_release_e", "e"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    hold: Mapped[int] = mapped_column(ForeignKey("hold.id"), index=True)
    everything: Mapped[bool]
    units_freed: Mapped[int]


class ReleaseItem(Recorded, Base):
    __tablename__ = "release_item"

    release: Mapped[int] = mapped_column(ForeignKey("release.id"), primary_key=True, autoincrement=False)
    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False, index=True)
