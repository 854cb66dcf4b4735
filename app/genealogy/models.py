from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Recorded


class MockRecall(Recorded, Base):
    """A rehearsed recall of one pack: what the list of past ones says. The whole report is the evidence."""

    __tablename__ = "mock_recall"

    id: Mapped[int] = mapped_column(primary_key=True)
    pack: Mapped[int] = mapped_column(ForeignKey("pack.item"), index=True)
    evidence: Mapped[int] = mapped_column(ForeignKey("evidence.id"))
    seed: Mapped[int | None]  # empty: the pack was named
    out_of: Mapped[int | None]  # among how many packs it was picked
    took_seconds: Mapped[float]
    units_in: Mapped[int]  # of the lots of origin, with what was merged into them
    difference: Mapped[int]  # units that are not accounted for; negative: more than came in
    within: Mapped[bool]  # the difference is inside what counting can tell
    packs: Mapped[int]
    missing: Mapped[int]
