"""Wafers that were written off whole: broken, or gone back to their supplier. The dies that were on them then went with them.

How many these were is never kept as a truth: a log that comes late may say of some that they had left before.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, select
from sqlalchemy.orm import Session, aliased

from app.catalogue import queries as catalogue
from app.errors import Reason
from app.journal.models import Entry
from app.ledger.counts import CountEntry
from app.ledger.items import Wafer
from app.naming.resolve import code_of


@dataclass(frozen=True)
class Scrap:
    """`count`: its number, to take it back by."""

    count: int
    e: int
    at: datetime
    reason: str


def is_scrap(entry: type[CountEntry]) -> ColumnElement[bool]:
    """Of a count entry: it scrapped what it is of, and was not taken back."""
    return and_(entry.kind == "scrapped", entry.closed_e.is_(None))


IS_SCRAP = str(is_scrap(aliased(CountEntry, name="c")).compile(compile_kwargs={"literal_binds": True}))  # the same in a text, of `count_entry c`


def scraps_of(session: Session, wafers: Iterable[int]) -> dict[int, Scrap]:
    """Those of the wafers that are scrapped. One statement."""
    query = select(CountEntry.item, CountEntry.id, CountEntry.e, Entry.happened_at, CountEntry.reason).join(Entry, Entry.id == CountEntry.e)
    query = query.join(Wafer, Wafer.item == CountEntry.item).where(CountEntry.item.in_(list(wafers)))
    rows = session.execute(query.where(is_scrap(CountEntry)).order_by(CountEntry.id))
    return {wafer: Scrap(count, e, at, reason) for wafer, count, e, at, reason in rows}


def scrapped_reasons(session: Session, wafer: int, until: float = float("inf")) -> list[Reason]:
    """Why a wafer is no more to be had: it was scrapped, by an entry before `until`."""
    scrap = scraps_of(session, [wafer]).get(wafer)
    if scrap is None or scrap.e >= until:
        return []
    why = f"{code_of(session, 'wafer', wafer)} was scrapped at {catalogue.site_time(session, scrap.at)}: {scrap.reason}."
    return [Reason("finished", why, "Take another wafer. If it was not this one, a lead takes its scrapping back.")]
