"""What pockets hold: rows of a pack's content, moved and split as pockets leave. Pockets are numbered from the hub: 1 is used last."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.journal.act import By
from app.ledger.flows import PackContent


@dataclass(frozen=True)
class Fill:
    """Pockets `first` to `last` hold units of one loose lot, which lay in the packs `was_in` before."""

    first: int
    last: int
    loose: int
    was_in: tuple[tuple[int, int], ...] = ()

    @property
    def units(self) -> int:
        return self.last - self.first + 1


def fills_of(session: Session, pack: int) -> list[Fill]:
    """What is in a pack now, from the hub outwards."""
    return [Fill(row.pocket_from, row.pocket_to, row.loose, tuple((p, e) for p, e in row.was_in)) for row in _rows(session, pack)]


def units_of(session: Session, pack: int) -> int:
    return sum(fill.units for fill in fills_of(session, pack))


def put_in(session: Session, by: By, pack: int, fills: Iterable[Fill]) -> None:
    """Adds fills behind what is there."""
    position = max((row.pocket_to for row in _rows(session, pack)), default=0)
    for fill in fills:
        session.add(
            PackContent(
                e=by.e, pack=pack, pocket_from=position + 1, pocket_to=position + fill.units, loose=fill.loose, was_in=[list(w) for w in fill.was_in]
            )
        )
        position += fill.units
    session.flush()


def take_out(session: Session, by: By, pack: int, first: int, last: int) -> list[Fill]:
    """Pockets `first` to `last` leave the pack. What stays keeps its order and is numbered anew from the hub."""
    rows = _rows(session, pack)
    before = fills_of(session, pack)
    for row in rows:
        row.closed_e = by.e
    session.flush()
    put_in(session, by, pack, renumbered([*_cut(before, 1, first - 1), *_cut(before, last + 1, 1 << 40)]))
    return [replace(fill, was_in=(*fill.was_in, (pack, by.e))) for fill in _cut(before, first, last)]


def turned_round(fills: list[Fill]) -> list[Fill]:
    """Re-reeled: what was outermost is now at the hub."""
    return renumbered(list(reversed(fills)))


def renumbered(fills: Iterable[Fill]) -> list[Fill]:
    """The same fills, numbered from 1; neighbours that are alike become one."""
    found: list[Fill] = []
    for fill in fills:
        if found and (found[-1].loose, found[-1].was_in) == (fill.loose, fill.was_in):
            found[-1] = replace(found[-1], last=found[-1].last + fill.units)
        else:
            start = found[-1].last + 1 if found else 1
            found.append(replace(fill, first=start, last=start + fill.units - 1))
    return found


def _cut(fills: list[Fill], first: int, last: int) -> list[Fill]:
    return [
        replace(fill, first=max(fill.first, first), last=min(fill.last, last))
        for fill in fills
        if fill.first <= last and fill.last >= first and first <= last
    ]


def _rows(session: Session, pack: int) -> list[PackContent]:
    query = select(PackContent).where(PackContent.pack == pack, PackContent.closed_e.is_(None)).order_by(PackContent.pocket_from)
    return list(session.scalars(query))
