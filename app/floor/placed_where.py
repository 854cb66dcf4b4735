"""Where every placed die of a wafer sits, and which dies sit in every cell of a panel: arrays, for pictures and lists."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.packed_dies import die_coordinates, unpack_many
from app.ledger.cells import Placement, as_told
from app.ledger.items import Panel
from app.ledger.runs import Run
from app.naming.resolve import codes_of

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Placed:
    """One entry a die on a cell, oldest first; a die that the logs put on several cells has several. `cell` is its index on the panel."""

    x: Ints
    y: Ints
    wafer: Ints
    panel: Ints
    cell: Ints
    run: Ints
    step_role: NDArray[np.str_]  # of the step that placed it

    def only(self, which: NDArray[np.bool_] | Ints) -> "Placed":
        return Placed(*(column[which] for column in vars(self).values()))


def placed_from(session: Session, wafer: int) -> Placed:
    return _placed(session, Placement.wafer == wafer)


def placed_on(session: Session, panel: int) -> Placed:
    return _placed(session, Placement.panel == panel)


def _placed(session: Session, which: Any) -> Placed:
    query = select(Placement.wafer, Placement.panel, Placement.run, Placement.role, Placement.cells, Placement.dies)
    query = query.where(which, as_told(Placement))
    rows = session.execute(query.order_by(Placement.id)).all()
    numbers, count = unpack_many([row.dies for row in rows])
    x, y = die_coordinates(numbers)
    cells = [bitmaps.indices(bitmaps.read(row.cells)) for row in rows]
    wafer, panel, run = (np.repeat(np.array([row[n] for row in rows], dtype=np.int64), count) for n in range(3))
    roles = np.repeat(np.array([row.role for row in rows], dtype=np.str_), count)
    return Placed(x, y, wafer, panel, np.concatenate([np.zeros(0, dtype=np.int64), *cells]), run, roles)


@dataclass(frozen=True)
class At:
    """A cell with a die, in a run, and when that run was: a log's own times are kept in its file only."""

    panel: str
    row: int
    column: int
    run: str
    started_at: datetime
    ended_at: datetime | None


def cells_of(session: Session, placed: Placed) -> list[At]:
    """The cells by name, in the order given."""
    panels, runs = np.unique(placed.panel).tolist(), np.unique(placed.run).tolist()
    wide = {panel: columns for panel, columns in session.execute(select(Panel.item, Panel.columns).where(Panel.item.in_(panels)))}
    times = {run: (begin, end) for run, begin, end in session.execute(select(Run.id, Run.started_at, Run.ended_at).where(Run.id.in_(runs)))}
    panel_codes, run_codes = codes_of(session, "panel", panels), codes_of(session, "run", runs)
    return [
        At(panel_codes[panel], cell // wide[panel] + 1, cell % wide[panel] + 1, run_codes[run], *times[run])
        for panel, cell, run in zip(placed.panel.tolist(), placed.cell.tolist(), placed.run.tolist(), strict=True)
    ]
