"""Facts that were entered after what by time came later: what left a thing, what it took in, and what was done to it.

A trace goes by the order of entry, so it says too little of what had left before the fact was entered, or too much of what leaves by it. Neither
can be told from times alone, as units had mixed by then: the thing is held, and quality looks at it.
"""

from collections.abc import Iterable

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from app.floor.told_late import SAME, is_late
from app.holds.place import hold_item
from app.journal.act import By
from app.journal.models import Entry
from app.ledger.flows import Flow
from app.ledger.items import Item
from app.ledger.runs import Line, is_void
from app.ledger.sets import Member
from app.naming.resolve import code_of

_HELD_AS = {"lot": "loose", "sample": "sample", "pack": "pack"}


def hold_what_left_later(session: Session, by: By, parents: Iterable[int]) -> None:
    """A fact did something to `parents`, or poured something into them: what by time left them after it had that too. Of facts alone."""
    if not is_late(by):
        return
    query = select(Flow.child, Flow.parent).join(Entry, Entry.id == Flow.e).where(Flow.parent.in_(list(parents)), Flow.e < by.e)
    for child, parent in session.execute(query.where(Entry.happened_at > by.happened_at + SAME).order_by(Flow.e, Flow.child)).all():
        _hold(session, by, child, f"Earlier work on {_name(session, parent)} was entered after this had left it: it may have had that too.")


def hold_what_leaves_late(session: Session, by: By, parent: int, child: int) -> None:
    """A fact took `child` out of `parent`, or poured that into it: what by time came to `parent` after it counts wrongly. Of facts alone."""
    if is_late(by) and _came_to_later(session, by, parent):
        _hold(session, by, child, f"Later work on {_name(session, parent)} was entered before this left it: what of that is in it is not known.")


def _came_to_later(session: Session, by: By, item: int) -> bool:
    after = by.happened_at + SAME
    sets = select(Member.set).where(Member.panel == item)
    lines = select(Line.id).where(or_(Line.item == item, Line.set.in_(sets)), Line.ended_at > after, ~is_void(Line.run))
    inflows = select(Flow.e).join(Entry, Entry.id == Flow.e).where(Flow.child == item, Flow.e < by.e, Entry.happened_at > after)
    return any(session.scalar(query.limit(1)) is not None for query in (lines, inflows))


def _hold(session: Session, by: By, item: int, why: str) -> None:
    if (kind := _HELD_AS.get(session.get_one(Item, item).kind)) is not None:
        hold_item(session, by, kind, item, why)


def _name(session: Session, item: int) -> str:
    return code_of(session, session.get_one(Item, item).kind, item)
