"""What run lines used, and which lines had a batch or wafer, as mounts stand corrected; what was mixed or framed from a batch. No voided runs."""

from collections.abc import Iterable, Sequence

from sqlalchemy import Select, select, text
from sqlalchemy.orm import Session

from app.ledger.runs import Line, is_void
from app.ledger.travels import HAD
from app.listed import ask, listed, tuples

Used = tuple[int, int, int | None]  # a line, a batch or wafer that it had, and the batch's part; of a wafer none


def uses_of(session: Session, lines: Iterable[int]) -> list[Used]:
    """The batches and wafers that these lines had, as their mounts stand corrected; in order."""
    return tuples(session, _USES, lines=lines)


def lines_with_another(session: Session, batches: Iterable[int]) -> set[int]:
    """Lines that had one of these batches, and another batch of whatever kind."""
    return {line for (line,) in tuples(session, _LINES_WITH_ANOTHER, batches=batches)}


def standing_lines() -> Select[Line]:
    """A query for run lines: those of voided runs are not among them."""
    return select(Line).where(~is_void(Line.run))


def mixed_from(session: Session, batch: int) -> list[int]:
    """Batches that a batch was mixed into, through every mixing."""
    return list(session.scalars(_MIXED_FROM, {"batch": batch}))


def framed_from(session: Session, batches: Sequence[int]) -> list[int]:
    """Panels of these lead-frame batches."""
    return [panel for (panel,) in ask(session, _FRAMED_FROM, batches=batches)]


_MIXED_FROM = text("""
    with recursive below(id) as (
        select child from flow where parent = :batch and kind = 'mix'
        union
        select f.child from below cross join flow f where f.parent = below.id and (f.kind = 'mix' or below.id = -1)
    ) select id from below
""")
_LINES_WITH_ANOTHER = listed(
    """
    select had.line from use had cross join use u cross join batch b
    where had.item in :batches and u.line = had.line and u.item <> had.item and b.item = u.item
    """,
    "batches",
)
_FRAMED_FROM = listed("select child from flow where parent in :batches and kind = 'frame'", "batches")
_USES = listed(
    f"""
    select u.line, u.item, b.part from use u left join batch b on b.item = u.item where u.line in :lines and {HAD} order by u.line, u.item
    """,
    "lines",
)
