"""Marks on cells: a cell is good while no mark on it is in force. Good units are counted from cells, not typed. Who marks them: `marking.py`."""

from collections.abc import Iterable
from typing import Any, cast

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.bitmaps import Bitmap
from app.journal.act import By
from app.ledger.cells import CellMark
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Lot, Panel
from app.listed import Question, among, ask, together

SAMPLED = "sample"  # the reason of the marks that a sample leaves behind
_OUT = ("scrapped", "destroyed", "difference")


def mark_bitmap(
    session: Session, by: By, panel: int, cells: Bitmap, reason: str, run: int | None = None, evidence: int | None = None
) -> CellMark:
    """As `mark_cells`, for a bitmap and a reason that the program itself gives. It has its number when the session is flushed."""
    mark = CellMark(e=by.e, panel=panel, run=run, evidence=evidence, reason=reason, cells=cells.tobytes(), n=bitmaps.count(cells))
    session.add(mark)
    return mark


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


def singulated(session: Session, panels: Iterable[int]) -> dict[int, int]:
    """Those of the panels whose units have become loose, and the loose lot that they went into."""
    query = select(Flow.parent, Flow.child).join(Lot, Lot.item == Flow.child).where(among(Flow.parent, panels), Flow.kind == "cells")
    return {panel: lot for panel, lot in session.execute(query)}
