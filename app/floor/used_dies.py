"""Which dies of a wafer have left it, as the placement logs in force say: on cells, or lost. Voided runs don't count."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor.packed_dies import bitmap_of_dies, unpack_many
from app.floor.placement_check import WaferBefore
from app.floor.wrong_dies import DieUse
from app.ledger.cells import LostDie, Placement, as_told
from app.listed import among
from app.receiving.wafers import map_of


def used_before(session: Session, wafers: Mapping[str, int]) -> dict[str, WaferBefore]:
    """By code. A wafer without a map is refused: nothing can be said of its dies."""
    return {code: _used(session, item) for code, item in wafers.items()}


def die_uses(session: Session, wafers: Sequence[int]) -> dict[int, list[DieUse]]:
    """Each row in force that uses dies of a wafer, in the order of their entries."""
    found: dict[int, list[DieUse]] = {wafer: [] for wafer in wafers}
    for table in (Placement, LostDie):
        query = select(table.wafer, table.e, table.run, table.dies).where(among(table.wafer, wafers), as_told(table))
        for wafer, e, run, dies in session.execute(query.order_by(table.id)):
            found[wafer].append(DieUse(e, run, dies, table is LostDie))
    return {wafer: sorted(uses, key=lambda use: use.e) for wafer, uses in found.items()}


def dies_in(session: Session, table: type[Placement] | type[LostDie], wafer: int, run: int | None = None) -> NDArray[np.int64]:
    """The numbers of a wafer's dies that rows in force of one table hold; of one run, or of all."""
    query: Any = select(table.dies).where(table.wafer == wafer, as_told(table))
    if run is not None:
        query = query.where(table.run == run)
    return unpack_many(list(session.scalars(query.order_by(table.id))))[0]


def _used(session: Session, wafer: int) -> WaferBefore:
    die_map = map_of(session, wafer)
    placed, lost = dies_in(session, Placement, wafer), dies_in(session, LostDie, wafer)
    return WaferBefore(die_map, bitmap_of_dies(die_map, np.r_[placed, lost]), bitmap_of_dies(die_map, lost))
