"""The book of a material batch that comes in pieces: lead frames. Its first count opens the book; each panel made of it takes one piece.

What a line uses of other material (grams, metres) nothing here measures, so no count of it could be compared.
"""

from math import hypot

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Batch
from app.naming.resolve import code_of


def is_uncounted_batch(session: Session, item: int) -> bool:
    """A batch in pieces that nobody has counted. Refuses one that does not come in pieces."""
    batch = session.get(Batch, item)
    if batch is None:
        return False
    part = catalogue.with_id(session, batch.part).body
    if part.kind != "lead frame":
        what = f"{code_of(session, 'batch', item)} is not counted in pieces."
        raise bad_input(what, "thing", f"It is {part.kind}, and no line says how much of it was used.", "Count lead frames, panels or lots.")
    return _opening(session, item) is None


def frames_left(session: Session, batch: int) -> tuple[int, float]:
    """Frames that should be there by the first count, with the standard uncertainty of that."""
    opened = _opening(session, batch)
    if opened is None:
        raise bad_input("This batch has no book.", "thing", "Nobody has counted it.", "Count it: the first count opens its book.")
    made = select(func.count()).select_from(Flow).where(Flow.parent == batch, Flow.kind == "frame", Flow.e > opened.e)
    booked = select(CountEntry.units, CountEntry.u).where(
        CountEntry.item == batch, CountEntry.kind == "difference", CountEntry.closed_e.is_(None), CountEntry.id > opened.id
    )
    differences = session.execute(booked).all()
    left = opened.units - (session.scalar(made) or 0) - sum(units for units, _ in differences)
    return left, hypot(opened.u, *(u for _, u in differences))


def _opening(session: Session, batch: int) -> CountEntry | None:
    query = select(CountEntry).where(CountEntry.item == batch, CountEntry.kind == "opening", CountEntry.closed_e.is_(None))
    return session.scalar(query.order_by(CountEntry.id.desc()).limit(1))
