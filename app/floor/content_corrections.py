"""Correct what was said to be in a container: other panels, another loose lot or sample, another container, or nothing at all.

Runs name panels and lots, never containers, so a corrected content changes no run: a run over the wrong panels is voided. A hold placed on
the container meant what was in it, so what was in it in truth is held too; the release of what was not is for quality to sign.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from app.errors import Refused, bad_input
from app.floor.containers import item_leaves_container, panels_leave_containers, taken_reasons
from app.floor.corrections import Corrected, checked_words, corrections_of, why_not_by
from app.holds.place import hold_item, hold_panels
from app.journal.act import By, lock
from app.journal.models import Entry
from app.ledger.corrections import ContentCorrection, corrected_before
from app.ledger.items import Item, Lot
from app.ledger.loose_stock import LooseStock
from app.ledger.places import Container, Content
from app.ledger.runs import Line
from app.ledger.sets import Member, panels_of, set_of
from app.ledger.stops import Hold
from app.naming.resolve import code_of, codes_of


@dataclass(frozen=True)
class ContentRow:
    """What was said to be in a container, from when to when, with its correction if that was wrong."""

    content: int
    panels: tuple[str, ...]
    item: str | None
    since: datetime
    until: datetime | None
    corrected: Corrected | None


def correct_content(
    session: Session, by: By, content: Content, container: int | None, panels: Sequence[int], item: int | None, reason: str
) -> Content | None:
    """In truth `panels` or `item` went into `container` (None: into the same). Neither: nothing was put in then."""
    by.must_be_alone()
    words = checked_words(reason)
    into = container if container is not None else content.container
    things = [*panels, *([item] if item else [])]
    lock(session, Item, sorted({*things, *_inside(session, content)}))
    lock(session, Container, sorted({into, content.container}))
    session.refresh(content)
    if panels and item:
        raise bad_input("Panels and units don't share a container.", "things", "Both are named.", "Name panels, or one loose lot or sample.")
    _may(session, by, content, into, sorted(panels), item)
    meant = _holds_on_it(session, content)
    right = _right_one(session, by, content, into, sorted(set(panels)), item)
    session.add(ContentCorrection(e=by.e, content=content.id, right=right.id if right else None, reason=words))
    session.flush()
    for hold in meant:
        _hold_as_meant(session, by, hold, content, into, sorted(set(panels)), item)
    return right


def contents_told(session: Session, container: int, most: int = 50, before: int | None = None) -> list[ContentRow]:
    """The newest first (`before`: below this number); wrong ones with what corrected them.

    A right one that was told when its time was over has no span of its own.
    A loose lot was in it until it had given all, where nobody took it out before.
    """
    ended = aliased(Entry)
    query = select(Content, Entry.happened_at, ended.happened_at).join(Entry, Entry.id == Content.e)
    query = query.outerjoin(LooseStock, LooseStock.lot == Content.item)
    query = query.outerjoin(ended, ended.id == func.coalesce(Content.closed_e, LooseStock.emptied_e))
    query = query.where(Content.container == container).order_by(Content.id.desc()).limit(most)
    rows = session.execute(query if before is None else query.where(Content.id < before)).all()
    corrected = corrections_of(session, ContentCorrection, [row.id for row, *_ in rows])
    return [
        ContentRow(
            row.id, tuple(sorted(codes_of(session, "panel", panels_of(session, row.set)).values())) if row.set else (),
            code_of(session, session.get_one(Item, row.item).kind, row.item) if row.item else None, since, until, corrected.get(row.id),
        )
        for row, since, until in rows
    ]  # fmt: skip


def _may(session: Session, by: By, content: Content, into: int, panels: list[int], item: int | None) -> None:
    name = code_of(session, "container", content.container)
    what = f"What was in {name} was not corrected."
    if before := corrected_before(session, ContentCorrection, content.id):
        raise Refused(what, before)
    same = item == content.item and panels == (panels_of(session, content.set) if content.set else [])
    if same and into == content.container:
        raise bad_input("Nothing to correct.", "things", f"That is what the record says of {name}.", "Name what was in it in truth.")
    found = why_not_by(session, by, content.e, came_after=_something_came_after(session, content))
    if content.closed_e is None and (panels or item):
        kind = "panels" if panels else "loose" if session.get(Lot, item) else "samples"
        found += taken_reasons(session, into, kind, but=content.id)
    if found:
        raise Refused(what, *found)


def _something_came_after(session: Session, content: Content) -> bool:
    """It went on into another container, or work on it began."""
    inside = _inside(session, content)
    if content.closed_e is not None:
        return True
    on_panels = Line.set.in_(select(Member.set).where(Member.panel.in_(inside)))
    return session.scalar(select(Line.id).where(Line.e > content.e, on_panels | Line.item.in_(inside)).limit(1)) is not None


def _right_one(session: Session, by: By, wrong: Content, into: int, panels: list[int], item: int | None) -> Content | None:
    was_open = wrong.closed_e is None
    if was_open:
        wrong.closed_e = by.e
        session.flush()
        panels_leave_containers(session, by, panels)  # they lay here, whatever was said since
        if item is not None:
            item_leaves_container(session, by, item)
    if not panels and item is None:
        return None
    right = Content(e=by.e, container=into, set=set_of(session, by, panels) if panels else None, item=item, closed_e=None if was_open else by.e)
    session.add(right)
    session.flush()
    return right


def _holds_on_it(session: Session, content: Content) -> list[Hold]:
    """Holds in force that were placed on the container while this was said to be in it."""
    query = select(Hold).where(Hold.container == content.container, Hold.closed_e.is_(None), Hold.e > content.e)
    return list(session.scalars(query.where(Hold.e <= content.closed_e) if content.closed_e is not None else query))


def _hold_as_meant(session: Session, by: By, hold: Hold, wrong: Content, into: int, panels: list[int], item: int | None) -> None:
    if into != wrong.container:
        return  # it was never in the container that was held
    words = f"It was in {code_of(session, 'container', into)} when that was held by {code_of(session, 'hold', hold.id)}: {hold.reason}"
    held = set(panels_of(session, hold.subject)) if hold.kind == "set" else set()
    if new := [panel for panel in panels if panel not in held]:
        hold_panels(session, by, new, words)
    if item is not None and item != hold.subject:
        hold_item(session, by, "loose" if session.get(Lot, item) else "sample", item, words)


def _inside(session: Session, content: Content) -> list[int]:
    return [content.item] if content.item is not None else panels_of(session, content.set or 0)
