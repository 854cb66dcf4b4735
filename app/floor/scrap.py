"""Scrap: cells of a panel, or units, by reason. Units found on the floor are scrapped as well, never added to anything."""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from app.errors import refuse
from app.floor.bitmaps import Cell, count
from app.floor.counting import take_nowhere
from app.floor.marks import good_cells, mark_bitmap, mark_cells
from app.floor.reasons import checked_reason
from app.journal.act import By, lock
from app.ledger.cells import CellMark
from app.ledger.counts import CountEntry
from app.ledger.items import Item
from app.naming.resolve import code_of


def scrap_cells(session: Session, by: By, panel: int, cells: Sequence[Cell], reason: str, run: int | None = None) -> CellMark:
    return mark_cells(session, by, panel, cells, reason, run, purpose="scrap")


def scrap_panel(session: Session, by: By, panel: int, reason: str, run: int | None = None) -> CellMark:
    """Every good cell that is left on a panel."""
    lock(session, Item, [panel])
    reason = checked_reason(session, "scrap", reason)
    good = good_cells(session, [panel])[panel]
    if not count(good):
        name = code_of(session, "panel", panel)
        raise refuse("too_few_units", f"{name} was not scrapped.", "It has no good cell left.", "Nothing needs to be done.")
    mark = mark_bitmap(session, by, panel, good, reason, run)
    session.flush()
    return mark


def scrap_units(
    session: Session, by: By, item: int, units: int, reason: str, method: str = "hand", u: float = 0.0, run: int | None = None
) -> CountEntry:
    """Units of a loose lot, or of a panel where nobody knows the cells. No outflow in the sense of rule 4."""
    lock(session, Item, [item])
    return take_nowhere(session, by, item, units, "scrapped", method, u, checked_reason(session, "scrap", reason), run)
