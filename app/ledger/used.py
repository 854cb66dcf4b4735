"""Which run lines had a batch or wafer, as their mounts stand corrected, and what was mixed or framed from a batch. Without voided runs."""

from collections.abc import Sequence

from sqlalchemy import Select, bindparam, select, text
from sqlalchemy.orm import Session

from app.ledger.corrections import not_void
from app.ledger.runs import Line, RunVoid, Use


def standing_lines() -> Select[Line]:
    """A query for run lines: those of voided runs are not among them."""
    return select(Line).where(~select(RunVoid.run).where(RunVoid.run == Line.run).exists())


def lines_that_had(session: Session, items: Sequence[int]) -> list[Line]:
    """In their order."""
    had = select(Use.line).where(Use.item.in_(items), not_void())
    return list(session.scalars(standing_lines().where(Line.id.in_(had)).order_by(Line.id)))


def mixed_from(session: Session, batch: int) -> list[int]:
    """Batches that a batch was mixed into, through every mixing."""
    return list(session.scalars(_MIXED_FROM, {"batch": batch}))


def framed_from(session: Session, batches: Sequence[int]) -> list[int]:
    """Panels of these lead-frame batches."""
    return list(session.scalars(_FRAMED_FROM, {"batches": list(batches) or [0]}))


_MIXED_FROM = text("""
    with recursive below(id) as (
        select child from flow where parent = :batch and kind = 'mix'
        union
        select f.child from below cross join flow f where f.parent = below.id and f.kind = 'mix'
    ) select id from below
""")
_FRAMED_FROM = text("select child from flow where parent in :batches and kind = 'frame'").bindparams(bindparam("batches", expanding=True))
