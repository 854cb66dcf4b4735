"""Count entries: amounts that are no flow to another item, with method and uncertainty."""

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable

TAKEN_BEYOND = "taken beyond the book, within counting"
CORRECTED_RESULTS = "corrected test results"
NOT_COUNTED = (TAKEN_BEYOND, CORRECTED_RESULTS)  # differences that answer no count: the units are known, from where they came
IS_SURPLUS = f"kind = 'difference' and units < 0 and reason not in {NOT_COUNTED}"  # found beyond the book


class CountEntry(Closable, Base):
    """`opening` and `counted` say what was found; `scrapped`, `destroyed` and `difference` take `units` out of the book.

    `units` of a signed difference may be negative: more was there than the book said.
    """

    __tablename__ = "count_entry"
    __table_args__ = (
        CheckConstraint("kind in ('opening', 'counted', 'scrapped', 'destroyed', 'difference')", name="kind"),
        CheckConstraint("method in ('cells', 'counter', 'pockets', 'weight', 'hand')", name="method"),
        Index("ix_count_entry_e", "e"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    item: Mapped[int] = mapped_column(ForeignKey("item.id"), index=True)
    run: Mapped[int | None] = mapped_column(ForeignKey("run.id"), index=True)
    kind: Mapped[str]
    units: Mapped[int]
    method: Mapped[str]
    u: Mapped[float]  # standard uncertainty, units
    reason: Mapped[str]
    book: Mapped[int | None]  # what the book said at that moment
    within: Mapped[bool | None]  # the difference is inside twice the combined uncertainty
