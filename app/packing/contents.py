"""The rows of what is in a pack now: put in and taken out by the arithmetic of `pockets.py`."""

from collections.abc import Collection, Iterable
from dataclasses import replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import Reason
from app.journal.act import By
from app.ledger.flows import Flow, PackContent
from app.ledger.items import Item
from app.listed import among
from app.naming.resolve import Named, code_of
from app.packing import pockets
from app.packing.pockets import Content, Fill


def fills_of(session: Session, pack: int) -> list[Fill]:
    """What is in a pack now, from the hub outwards."""
    return fills_of_packs(session, [pack])[pack]


def fills_of_packs(session: Session, packs: Collection[int]) -> dict[int, list[Fill]]:
    """The same of many, in one statement."""
    found: dict[int, list[Fill]] = {pack: [] for pack in packs}
    for pack, loose, first, last, was_in in session.execute(_FILLS, {"packs": list(packs)}):
        found[pack].append(Fill(loose, first, last, tuple((p, e) for p, e in was_in)))
    return found


def units_of(session: Session, pack: int) -> int:
    return pockets.units_in(fills_of(session, pack))


def empty_reason(session: Session, pack: Named) -> Reason:
    """Of a pack that holds nothing any more: where its units went, the last of them first."""
    went = select(Flow.child, Item.kind).join(Item, Item.id == Flow.child).where(Flow.parent == pack.id).order_by(Flow.e.desc()).limit(3)
    names = [code_of(session, kind, item) for item, kind in session.execute(went)]
    if not names:
        return Reason("not_here", f"{pack.code} is empty.", "Scan another pack.")
    return Reason("not_here", f"{pack.code} is empty: its units went into {', '.join(names)}.", "Scan what they are in now.")


def put_in(session: Session, by: By, pack: int, fills: Iterable[Fill]) -> None:
    """Adds fills behind what is there."""
    behind = max((row.pocket_to for row in _rows(session, pack)), default=0)
    for fill in pockets.numbered(fills):
        a, b = behind + fill.pocket_from, behind + fill.pocket_to
        session.add(PackContent(e=by.e, pack=pack, pocket_from=a, pocket_to=b, loose=fill.loose, was_in=[list(w) for w in fill.was_in]))
    session.flush()


def take_out(session: Session, by: By, pack: int, first: int, last: int) -> Content:
    """Pockets `first` to `last` leave the pack, and know from now on that they lay in it. What stays is numbered anew."""
    rows = _rows(session, pack)
    parted = pockets.take_off(fills_of(session, pack), first, last)
    for row in rows:
        row.closed_e = by.e
    session.flush()
    put_in(session, by, pack, parted.stays)
    return tuple(replace(fill, was_in=(*fill.was_in, (pack, by.e))) for fill in parted.left)


def _rows(session: Session, pack: int) -> list[PackContent]:
    return list(session.scalars(_ROWS, {"packs": [pack]}))


_ROWS = (
    select(PackContent).where(among(PackContent.pack, "packs"), PackContent.closed_e.is_(None)).order_by(PackContent.pocket_from)
)  # fmt: skip
_FILLS = _ROWS.with_only_columns(PackContent.pack, PackContent.loose, PackContent.pocket_from, PackContent.pocket_to, PackContent.was_in)
