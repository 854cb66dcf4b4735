"""Judgements of lines, what was decided about them, and who let panels go on meanwhile."""

from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Recorded

VERDICTS = {"conforms": "conforms", "does_not_conform": "does not conform", "cannot_tell": "cannot be told"}  # as people read them
DISPOSITIONS = ("concession", "rework", "repair", "regrade", "scrap", "return to supplier")  # ISO 9000:2015, 3.12


def is_reworked(line: str, until: str = "") -> str:
    """Condition: the line's step is open again, for rework is the last that was decided of it. `until`: what was decided by that entry alone.

    A rework outlives the judgement that it was signed for: what came to light since is decided by another signature.
    """
    by, later_by = (f"and {one}.e <= {until}" if until else "" for one in ("d", "n"))
    return f"""exists (
        select 1 from judgement j join disposition d on d.judgement = j.id where j.line = {line} and d.what = 'rework' {by} and not exists (
            select 1 from judgement k join disposition n on n.judgement = k.id where k.line = {line} and n.id > d.id {later_by}
        )
    )"""


class Judgement(Recorded, Base):
    """A verdict on a line, on what evidence, and which earlier one it replaces. In force: the one that none replaces."""

    __tablename__ = "judgement"
    __table_args__ = (CheckConstraint("verdict in ('conforms', 'does_not_conform', 'cannot_tell')", name="verdict"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    line: Mapped[int] = mapped_column(ForeignKey("line.id"), index=True)
    rule: Mapped[int | None] = mapped_column(ForeignKey("definition.id"))  # revision of the recipe or route
    evidence: Mapped[int | None] = mapped_column(ForeignKey("evidence.id"))
    verdict: Mapped[str]
    reasons: Mapped[list[Any]]
    facts: Mapped[dict[str, Any]]
    replaces: Mapped[int | None] = mapped_column(ForeignKey("judgement.id"), unique=True)


class Disposition(Recorded, Base):
    """What someone with the quality duty decided and signed, about one thing."""

    __tablename__ = "disposition"
    __table_args__ = (CheckConstraint("(judgement is null) <> (hold is null)", name="one_subject"), Index("ix_disposition_e", "e"))

    id: Mapped[int] = mapped_column(primary_key=True)
    judgement: Mapped[int | None] = mapped_column(ForeignKey("judgement.id"), index=True)
    hold: Mapped[int | None] = mapped_column(ForeignKey("hold.id"), index=True)
    what: Mapped[str]
    words: Mapped[str]


class AtRisk(Recorded, Base):
    """A lead's signature: these panels may go on while this line's judgement is open, up to the barrier."""

    __tablename__ = "at_risk"
    __table_args__ = (Index("ix_at_risk_e", "e"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    line: Mapped[int] = mapped_column(ForeignKey("line.id"), index=True)
    set: Mapped[int] = mapped_column(ForeignKey("panel_set.id"))
    reason: Mapped[str]
