"""Keeps the list of loose lots that hold units. Call `settle` after an amount came into a loose lot or left it."""

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor.amounts import amounts
from app.journal.act import By
from app.ledger.items import Lot
from app.ledger.loose_stock import LooseStock


def settle(session: Session, by: By, items: Iterable[int]) -> None:
    """Writes down which of these hold units now. Items that are no loose lots are left out."""
    lots = list(session.scalars(select(Lot.item).where(Lot.item.in_(list(items)), Lot.form == "loose").order_by(Lot.item)))
    known = {row.lot: row for row in session.scalars(select(LooseStock).where(LooseStock.lot.in_(lots)))}
    for lot, now in amounts(session, lots).items():
        row = known.get(lot)
        if row is None and now.book > 0:
            session.add(LooseStock(lot=lot, emptied_e=None))
        elif row is not None and (row.emptied_e is None) != (now.book > 0):
            row.emptied_e = None if now.book > 0 else by.e
    session.flush()
