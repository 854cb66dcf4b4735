"""What left a panel, cell by cell, and so which wafers are no origin of it. Derived from rows: `check` rebuilds and compares.

A wafer is an origin of what left a panel only through cells that were good then; of a sample only through the sample's own cells.
A placement log that comes late is why the rows are written again for a whole panel.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.bitmaps import Bitmap
from app.floor.marks import SAMPLED
from app.ledger.cells import CellMark, Placement
from app.ledger.flows import DeadOrigin, Flow
from app.ledger.items import Item, Panel
from app.ledger.runs import RunVoid


@dataclass(frozen=True)
class Exit:
    """Cells of a panel whose units became part of `child` at entry `e`; `units` as the flow says."""

    panel: int
    child: int
    e: int
    units: int
    to_sample: bool
    cells: Bitmap


def write_dead_origins(session: Session, panels: Iterable[int]) -> None:
    """Writes the rows of these panels anew. Call it after units left them, and after their placements changed."""
    ids = list(panels)
    session.execute(delete(DeadOrigin).where(DeadOrigin.panel.in_(ids)))
    rows = [{"child": child, "panel": panel, "wafer": wafer} for child, panel, wafer in sorted(dead_origins(session, ids))]
    if rows:
        session.execute(insert(DeadOrigin), rows)


def dead_origins(session: Session, panels: Iterable[int]) -> set[tuple[int, int, int]]:
    """(child, panel, wafer): the wafer's only dies on the panel sat on cells that did not go into the child."""
    ids = list(panels)
    placed: defaultdict[tuple[int, int], list[Bitmap]] = defaultdict(list)
    voided = select(RunVoid.run).where(RunVoid.run == Placement.run).exists()
    query = select(Placement.panel, Placement.wafer, Placement.cells).where(Placement.panel.in_(ids), Placement.closed_e.is_(None), ~voided)
    for panel, wafer, cells in session.execute(query):
        placed[panel, wafer].append(bitmaps.read(cells))
    dead = set()
    for exit_ in exits_of(session, ids):
        for (panel, wafer), parts in placed.items():
            if panel == exit_.panel and not any((part & exit_.cells).any() for part in parts):
                dead.add((exit_.child, panel, wafer))
    return dead


def exits_of(session: Session, panels: Iterable[int]) -> list[Exit]:
    """Everything that left these panels as units: to loose lots the cells that were good then, to samples their own."""
    ids = list(panels)
    flows = session.execute(
        select(Flow.parent, Flow.child, Flow.e, Flow.units, Item.kind)
        .join(Item, Item.id == Flow.child)
        .where(Flow.parent.in_(ids), Flow.kind == "cells")
        .order_by(Flow.e)
    ).all()
    size_of = select(Panel.item, Panel.rows, Panel.columns).where(Panel.item.in_(ids))
    sizes = {panel: (rows, columns) for panel, rows, columns in session.execute(size_of)}
    marks: defaultdict[int, list[CellMark]] = defaultdict(list)
    for mark in session.scalars(select(CellMark).where(CellMark.panel.in_(ids)).order_by(CellMark.id)):
        marks[mark.panel].append(mark)
    return [
        Exit(panel, child, e, units, kind == "sample", _cells(sizes[panel], marks[panel], e, to_sample=kind == "sample"))
        for panel, child, e, units, kind in flows
    ]


def good_at(size: tuple[int, int], marks: Iterable[CellMark], e: int) -> Bitmap:
    """The cells of a panel of `size` (rows, columns) that were good after entry `e`."""
    good = bitmaps.full(*size)
    for mark in marks:
        if mark.e <= e and (mark.closed_e is None or mark.closed_e > e):
            good &= ~bitmaps.read(mark.cells)
    return good


def _cells(size: tuple[int, int], marks: list[CellMark], e: int, *, to_sample: bool) -> Bitmap:
    if not to_sample:
        return good_at(size, marks, e)
    taken = bitmaps.empty(*size)
    for mark in marks:
        if mark.e == e and mark.reason == SAMPLED:
            taken |= bitmaps.read(mark.cells)
    return taken
