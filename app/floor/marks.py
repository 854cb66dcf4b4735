"""Marks on cells: a cell is good while no mark on it is in force. Good units are counted from cells, not typed."""

from collections.abc import Iterable, Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.errors import Reason, Refused, bad_input
from app.floor import bitmaps
from app.floor.bitmaps import Bitmap, Cell
from app.floor.reasons import checked_reason
from app.journal.act import By, lock
from app.ledger.cells import CellMark
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Item, Lot, Panel
from app.listed import among

SAMPLED = "sample"  # the reason of the marks that a sample leaves behind
_OUT = ("scrapped", "destroyed", "difference")


def mark_cells(
    session: Session, by: By, panel: int, cells: Sequence[Cell], reason: str, run: int | None = None, purpose: str = "mark"
) -> CellMark:
    """Cells (row, column) of a panel that are no longer good."""
    lock(session, Item, [panel])
    reason = checked_reason(session, purpose, reason)
    if not cells:
        raise bad_input("No cell is named.", "cells", "The list is empty.", "Name at least one cell by row and column.")
    it = session.get_one(Panel, panel)
    return mark_bitmap(session, by, panel, bitmaps.bitmap_of(cells, it.rows, it.columns), reason, run)


def mark_bitmap(
    session: Session, by: By, panel: int, cells: Bitmap, reason: str, run: int | None = None, evidence: int | None = None
) -> CellMark:
    """As `mark_cells`, for a bitmap and a reason that the program itself gives."""
    mark = CellMark(e=by.e, panel=panel, run=run, evidence=evidence, reason=reason, cells=cells.tobytes(), n=bitmaps.count(cells))
    session.add(mark)
    session.flush()
    return mark


def take_back_marks(session: Session, by: By, marks: Sequence[int]) -> None:
    """Corrects marks that were wrong. What has already left the panel stays as it is."""
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


def good_cells(session: Session, panels: Iterable[int]) -> dict[int, Bitmap]:
    """The cells of each panel without a mark in force: one statement. Cells keep their state after units have left."""
    if not (wanted := list(panels)):
        return {}
    query = (
        select(Panel.item, Panel.rows, Panel.columns, CellMark.cells)
        .outerjoin(CellMark, (CellMark.panel == Panel.item) & CellMark.closed_e.is_(None))
        .where(among(Panel.item, wanted))
    )
    good: dict[int, Bitmap] = {}
    for panel, rows, columns, marked in session.execute(query):
        if panel not in good:
            good[panel] = bitmaps.full(rows, columns)
        if marked is not None:
            good[panel] &= ~bitmaps.read(marked)
    return good


def good_units(session: Session, panels: Iterable[int]) -> dict[int, int]:
    """Good cells less units that left without a cell (scrapped, or a signed difference): one statement."""
    if not (wanted := list(panels)):
        return {}
    without_cell = (
        select(func.coalesce(func.sum(CountEntry.units), 0))
        .where(CountEntry.item == Panel.item, CountEntry.kind.in_(_OUT), CountEntry.closed_e.is_(None))
        .scalar_subquery()
    )
    query = (
        select(Panel.item, Panel.rows, Panel.columns, without_cell, CellMark.cells)
        .outerjoin(CellMark, (CellMark.panel == Panel.item) & CellMark.closed_e.is_(None))
        .where(among(Panel.item, wanted))
    )
    good: dict[int, Bitmap] = {}
    lost: dict[int, int] = {}
    for panel, rows, columns, out, marked in session.execute(query):
        if panel not in good:
            good[panel] = bitmaps.full(rows, columns)
            lost[panel] = int(out)
        if marked is not None:
            good[panel] &= ~bitmaps.read(marked)
    return {panel: max(0, bitmaps.count(cells) - lost[panel]) for panel, cells in good.items()}


def singulated(session: Session, panels: Iterable[int]) -> set[int]:
    """Those of the panels whose units have become loose."""
    query = select(Flow.parent).join(Lot, Lot.item == Flow.child).where(among(Flow.parent, panels), Flow.kind == "cells")
    return set(session.scalars(query))


def _why_it_stays(row: CellMark) -> Reason:
    if row.closed_e is not None:
        return Reason("finished", f"Mark {row.id} was taken back before.", "Look at the panel's page.")
    return Reason("finished", f"The cells of mark {row.id} were taken as a sample.", "Units of a sample don't go back.")
