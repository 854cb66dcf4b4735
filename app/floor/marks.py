"""Marks on cells: a cell is good while no mark on it is in force. Good units are counted from cells, not typed."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, cast

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
from app.listed import Question, among, ask, together

SAMPLED = "sample"  # the reason of the marks that a sample leaves behind
_OUT = ("scrapped", "destroyed", "difference")


def mark_cells(
    session: Session, by: By, panel: int, cells: Sequence[Cell], reason: str, run: int | None = None, purpose: str = "mark"
) -> CellMark:
    """Cells (row, column) of a panel that are no longer good."""
    return mark_panels(session, by, {panel: cells}, reason, run, purpose)[0]


def mark_panels(
    session: Session, by: By, cells: Mapping[int, Sequence[Cell]], reason: str, run: int | None = None, purpose: str = "mark"
) -> list[CellMark]:
    """The same for the panels of a lot that was looked at: as many statements as for one."""
    lock(session, Item, sorted(cells))
    reason = checked_reason(session, purpose, reason)
    if not all(cells.values()):
        raise bad_input("No cell is named.", "cells", "The list is empty.", "Name at least one cell by row and column.")
    sizes = {panel.item: panel for panel in session.scalars(select(Panel).where(among(Panel.item, cells)))}
    marks = [
        mark_bitmap(session, by, panel, bitmaps.bitmap_of(some, sizes[panel].rows, sizes[panel].columns), reason, run)
        for panel, some in cells.items()
    ]
    session.flush()
    return marks


def mark_bitmap(
    session: Session, by: By, panel: int, cells: Bitmap, reason: str, run: int | None = None, evidence: int | None = None
) -> CellMark:
    """As `mark_cells`, for a bitmap and a reason that the program itself gives. It has its number when the session is flushed."""
    mark = CellMark(e=by.e, panel=panel, run=run, evidence=evidence, reason=reason, cells=cells.tobytes(), n=bitmaps.count(cells))
    session.add(mark)
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
    good: dict[int, Bitmap] = {}
    for panel, rows, columns, marked in ask(session, _MARKED, panels=panels):
        if panel not in good:
            good[panel] = bitmaps.full(rows, columns)
        if marked is not None:
            good[panel] &= ~bitmaps.read(marked)
    return good


def good_units(session: Session, panels: Iterable[int]) -> dict[int, int]:
    """Good cells less units that left without a cell (scrapped, or a signed difference): one statement."""
    (good,) = together(session, good_units_of(panels))
    return cast(dict[int, int], good)


def good_units_of(panels: Iterable[int]) -> Question[dict[int, int]]:
    return Question(_MARKED_AND_LOST, {"panels": panels}, _good_units)


def _good_units(rows: list[Any]) -> dict[int, int]:
    good: dict[int, Bitmap] = {}
    lost: dict[int, int] = {}
    for panel, height, width, marked, out in rows:
        if panel not in good:
            good[panel] = bitmaps.full(height, width)
            lost[panel] = int(out)
        if marked is not None:
            good[panel] &= ~bitmaps.read(marked)
    return {panel: max(0, bitmaps.count(cells) - lost[panel]) for panel, cells in good.items()}


# a row a panel and mark in force
_MARKED = (
    select(Panel.item, Panel.rows, Panel.columns, CellMark.cells)
    .outerjoin(CellMark, (CellMark.panel == Panel.item) & CellMark.closed_e.is_(None))
    .where(among(Panel.item, "panels"))
)
_MARKED_AND_LOST = _MARKED.add_columns(
    select(func.coalesce(func.sum(CountEntry.units), 0))
    .where(CountEntry.item == Panel.item, CountEntry.kind.in_(_OUT), CountEntry.closed_e.is_(None))
    .scalar_subquery()
)


def singulated(session: Session, panels: Iterable[int]) -> set[int]:
    """Those of the panels whose units have become loose."""
    query = select(Flow.parent).join(Lot, Lot.item == Flow.child).where(among(Flow.parent, panels), Flow.kind == "cells")
    return set(session.scalars(query))


def _why_it_stays(row: CellMark) -> Reason:
    if row.closed_e is not None:
        return Reason("finished", f"Mark {row.id} was taken back before.", "Look at the panel's page.")
    return Reason("finished", f"The cells of mark {row.id} were taken as a sample.", "Units of a sample don't go back.")
