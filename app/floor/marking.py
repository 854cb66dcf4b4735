"""Mark cells, and take marks back. A judgement by placement logs is made again: an empty cell that is marked needs no die, an unmarked one does."""

from collections.abc import Mapping, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import Reason, Refused, bad_input
from app.floor import bitmaps
from app.floor.bitmaps import Cell
from app.floor.counting import must_be_on_panel
from app.floor.in_work import runs_with
from app.floor.marks import SAMPLED, mark_bitmap
from app.floor.placement_verdicts import Verdicts, judge_marked, judge_unmarked
from app.floor.reasons import checked_reason
from app.journal.act import By, lock
from app.ledger.cells import CellMark
from app.ledger.items import Item, Panel
from app.listed import among


def mark_cells(
    session: Session, by: By, panel: int, cells: Sequence[Cell], reason: str, run: int | None = None, purpose: str = "mark"
) -> CellMark:
    """Cells (row, column) of a panel that are no longer good. `run`: at which they were found or spoiled; None: the one that it is in work at."""
    return mark_panels(session, by, {panel: cells}, reason, run, purpose)[0]


def mark_panels(
    session: Session, by: By, cells: Mapping[int, Sequence[Cell]], reason: str, run: int | None = None, purpose: str = "mark"
) -> list[CellMark]:
    """The same for the panels of a lot that was looked at: as many statements as for one."""
    lock(session, Item, sorted(cells))
    reason = checked_reason(session, purpose, reason)
    if not all(cells.values()):
        raise bad_input("No cell is named.", "cells", "The list is empty.", "Name at least one cell by row and column.")
    must_be_on_panel(session, by, cells, "No cell was marked.")
    at_work = runs_with(session, cells) if run is None else {}
    sizes = {panel.item: panel for panel in session.scalars(select(Panel).where(among(Panel.item, cells)))}
    marks = [
        mark_bitmap(session, by, panel, bitmaps.bitmap_of(some, sizes[panel].rows, sizes[panel].columns), reason, run or at_work.get(panel))
        for panel, some in cells.items()
    ]
    session.flush()
    judge_marked(session, by, cells)
    return marks


def take_back_marks(session: Session, by: By, marks: Sequence[int]) -> Verdicts:
    """Corrects marks that were wrong. What has already left the panel stays as it is. Says which judgements that opens again."""
    rows = list(session.scalars(select(CellMark).where(CellMark.id.in_(marks))))
    lock(session, Item, sorted({row.panel for row in rows}))
    for row in rows:
        session.refresh(row)
    reasons = [_why_it_stays(row) for row in rows if row.closed_e is not None or row.reason == SAMPLED]
    missing = sorted(set(marks) - {row.id for row in rows})
    if missing:
        raise bad_input("There is no such mark.", "marks", f"Unknown: {', '.join(map(str, missing))}.", "Take the numbers from the panel's page.")
    if reasons:
        raise Refused("These marks can't be taken back.", *reasons)
    for row in rows:
        row.closed_e = by.e
    session.flush()
    return judge_unmarked(session, by, {row.panel for row in rows})


def _why_it_stays(row: CellMark) -> Reason:
    if row.closed_e is not None:
        return Reason("finished", f"Mark {row.id} was taken back before.", "Look at the panel's page.")
    return Reason("finished", f"The cells of mark {row.id} were taken as a sample.", "Units of a sample don't go back.")
