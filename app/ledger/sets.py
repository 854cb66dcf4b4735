"""Panel sets: immutable, internal, the same set stored once; and which set a lot holds."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from typing import Any, cast

from sqlalchemy import ForeignKey, Index, bindparam, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from app.db import Base
from app.journal.act import By
from app.journal.record import Closable, Recorded, one_open
from app.listed import Question, among, listed, together, tuples


class PanelSet(Recorded, Base):
    __tablename__ = "panel_set"

    id: Mapped[int] = mapped_column(primary_key=True)
    n: Mapped[int]
    digest: Mapped[bytes] = mapped_column(unique=True)  # of the sorted panel ids


class Member(Base):
    """A panel of a set. Guarded by the set's digest, which is on the record."""

    __tablename__ = "member"
    __table_args__ = (Index("ix_member_set", "set", "panel"), {"sqlite_with_rowid": False})

    panel: Mapped[int] = mapped_column(ForeignKey("panel.item"), primary_key=True, autoincrement=False)
    set: Mapped[int] = mapped_column(ForeignKey("panel_set.id"), primary_key=True, autoincrement=False)


class LotHolding(Closable, Base):
    """The set of panels that a lot holds, from entry to entry."""

    __tablename__ = "lot_holding"
    __table_args__ = (one_open("lot_holding", "lot"), Index("ix_lot_holding_set", "set"), Index("ix_lot_holding_closed_e", "closed_e"))

    lot: Mapped[int] = mapped_column(ForeignKey("lot.item"), primary_key=True, autoincrement=False)
    e: Mapped[int] = mapped_column(ForeignKey("entry.id", deferrable=True, initially="DEFERRED"), primary_key=True, autoincrement=False)
    set: Mapped[int] = mapped_column(ForeignKey("panel_set.id"))


_BY_DIGEST = select(PanelSet.id).where(PanelSet.digest == bindparam("digest"))
_PANELS = select(Member.set, Member.panel).where(among(Member.set, "sets")).order_by(Member.panel)
_PANELS_OF_LOT = (
    select(Member.panel)
    .join(LotHolding, LotHolding.set == Member.set)
    .where(LotHolding.lot == bindparam("lot"), LotHolding.closed_e.is_(None))
    .order_by(Member.panel)
)
_LOTS_OF_PANELS = (
    select(Member.panel, LotHolding.lot)
    .join(LotHolding, (LotHolding.set == Member.set) & LotHolding.closed_e.is_(None))
    .where(among(Member.panel, "panels"))
)


def set_of(session: Session, by: By, panels: list[int]) -> int:
    """The id of the set of these panels, made if it is new. `panels` must not be empty."""
    ids = sorted(set(panels))
    digest = digest_of(ids)
    known = tuples(session, _BY_DIGEST, digest=digest)
    if known:
        return int(known[0][0])
    new = PanelSet(e=by.e, n=len(ids), digest=digest)
    session.add(new)
    session.flush()
    session.add_all([Member(panel=panel, set=new.id) for panel in ids])
    session.flush()
    return new.id


def digest_of(ids: list[int]) -> bytes:
    return hashlib.sha256(",".join(map(str, ids)).encode()).digest()


def panels_of(session: Session, set_id: int) -> list[int]:
    return panels_of_sets(session, [set_id]).get(set_id, [])


def panels_of_sets(session: Session, sets: Iterable[int]) -> dict[int, list[int]]:
    """The panels of many sets, in order: one statement."""
    (found,) = together(session, panels_in(sets))
    return cast(dict[int, list[int]], found)


def panels_in(sets: Iterable[int]) -> Question[dict[int, list[int]]]:
    """The same, to be asked together with other questions."""
    def told(rows: list[Any]) -> dict[int, list[int]]:
        found: defaultdict[int, list[int]] = defaultdict(list)
        for one, panel in rows:
            found[one].append(panel)
        return found

    return Question(_PANELS, {"sets": sets}, told)


def panels_of_lot(session: Session, lot: int) -> list[int]:
    """The panels that a lot holds now."""
    return [panel for (panel,) in tuples(session, _PANELS_OF_LOT, lot=lot)]


def lots_of_panels(session: Session, panels: list[int]) -> dict[int, int]:
    """The lot that holds each panel now."""
    return {panel: lot for panel, lot in tuples(session, _LOTS_OF_PANELS, panels=panels)}


def last_lots(session: Session, panels: Iterable[int]) -> dict[int, int]:
    """The lot that holds each panel, or held it last: of what was made loose, the lot that it was in then."""
    wanted = set(panels)
    return {panel: lot for panel, lot in tuples(session, _LAST_LOTS, panels=wanted) if panel in wanted}


# every panel of every set that held one of the panels, lot by lot, the last holding last
_LAST_LOTS = listed(
    """
    with travelled(id) as (select distinct m."set" from member m where m.panel in :panels)
    select m.panel, h.lot from travelled cross join lot_holding h cross join member m where h."set" = travelled.id and m."set" = h."set" order by h.e
    """,
    "panels",
)
