"""Release a hold, signed: for everything, or for named items and all that comes of them."""

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input, refuse
from app.journal.act import By
from app.ledger.inside import is_inside
from app.ledger.items import Lot
from app.ledger.judgements import DISPOSITIONS, Disposition
from app.ledger.places import Content
from app.ledger.sets import Member, panels_of_lot
from app.ledger.stops import Hold, Release, ReleaseItem
from app.naming.resolve import Named, resolve

_ITEMS = ("panel", "lot", "container", "sample", "pack", "wafer", "batch")


def release_hold(session: Session, by: By, hold: Hold, items: list[Named], disposition: str, words: str, *, units_freed: int) -> Release:
    """Ends `hold` (no items) or lets the items and what comes of them go. `disposition`: a word of ISO 9000."""
    by.must_be_alone()
    if disposition not in DISPOSITIONS:
        raise bad_input("Not a disposition.", "disposition", f"{disposition!r} is not one of: {', '.join(DISPOSITIONS)}.", "Choose one of them.")
    if hold.closed_e is not None:
        raise refuse("finished", "This hold has ended.", "Someone released it before.", "Look at its page.")
    released = {item for named in items for item in released_ids(session, named)}
    if items and not released:
        raise refuse("not_here", "Nothing was released.", "What was named is empty.", "Name what was in it, or release everything.")
    release = Release(e=by.e, hold=hold.id, everything=not items, units_freed=units_freed)
    session.add_all([release, Disposition(e=by.e, hold=hold.id, what=disposition, words=words)])
    session.flush()
    if not items:
        hold.closed_e = by.e
    session.add_all([ReleaseItem(e=by.e, release=release.id, item=item) for item in sorted(released)])
    session.flush()
    return release


def named_to_release(session: Session, names: Iterable[str]) -> list[Named]:
    """Items, or what items are in: the number of a run or station would be that of some other item."""
    return [resolve(session, name, *_ITEMS) for name in names]


def released_ids(session: Session, named: Named) -> list[int]:
    """The items that a name stands for at this moment: a panel lot is the panels in it, a container what is in it."""
    if named.kind == "container":
        rows = session.scalars(select(Content).where(Content.container == named.id, is_inside())).all()
        panels = session.scalars(select(Member.panel).where(Member.set.in_([row.set for row in rows if row.set is not None])))
        return [*panels, *(row.item for row in rows if row.item is not None)]
    if named.kind != "lot":
        return [named.id]
    lot = session.get_one(Lot, named.id)
    return [lot.item] if lot.form == "loose" else panels_of_lot(session, lot.item)
