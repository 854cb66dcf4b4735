"""How many cells can have a die of suspected wafers: those of which logs tell, and one for each of their dies of which no log tells."""

from collections.abc import Mapping, Sequence

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor.packed_dies import die_coordinates
from app.floor.placed_where import placed_from
from app.floor.used_dies import dies_in as used_in
from app.genealogy.suspects import Region, Suspected, dies_in
from app.ledger.cells import LostDie
from app.listed import listed, tuples
from app.receiving.models import WaferMap
from app.receiving.wafers import map_of


def most_given(session: Session, suspicion: Suspected) -> int | None:
    """None where something else than wafers is suspected, or a wafer has no map: then nothing bounds it."""
    others = (suspicion.lines, suspicion.perhaps, suspicion.panels, suspicion.loose, suspicion.packs)
    wafers = suspicion.wafers
    if not wafers or any(others):
        return None
    mapped = set(session.scalars(select(WaferMap.wafer).where(WaferMap.wafer.in_(list(wafers)), WaferMap.closed_e.is_(None))))
    return sum(_given(session, wafer, regions) for wafer, regions in wafers.items()) if mapped == set(wafers) else None


def caps(session: Session, told: Mapping[int, int]) -> dict[int, int]:
    """Of wafers that so many units are told of: how many the wafer can have given, where that is fewer. Few maps need be read for it."""
    doubtful = [wafer for wafer, dies in tuples(session, _LEAST_GIVEN, wafers=told) if dies < told[wafer]] if told else []
    given = {wafer: _given(session, wafer, ()) for wafer in doubtful}
    return {wafer: most for wafer, most in given.items() if most < told[wafer]}


def _given(session: Session, wafer: int, regions: Sequence[Region]) -> int:
    """A die that the logs use twice counts twice: they say so."""
    die_map, placed = map_of(session, wafer), placed_from(session, wafer)
    gone = np.concatenate([die_map.index_of(placed.x, placed.y), die_map.index_of(*die_coordinates(used_in(session, LostDie, wafer)))])
    here = die_map.exists()
    here[gone[gone >= 0]] = False
    if not regions:
        return len(placed.x) + int(np.count_nonzero(here))
    untold = dies_in(session, wafer, regions, *die_map.coordinates_of(np.flatnonzero(here)))
    return int(np.count_nonzero(dies_in(session, wafer, regions, placed.x, placed.y))) + int(np.count_nonzero(untold))


# dies on the map less those that are lost: no fewer can be given
_LEAST_GIVEN = listed(
    """
    select m.wafer, m.gross - coalesce((
        select sum(d.n) from lost_die d
        where d.wafer = m.wafer and d.closed_e is null and not exists (select 1 from run_void v where v.run = d.run)
    ), 0)
    from wafer_map m where m.wafer in :wafers and m.closed_e is null
    """,
    "wafers",
)
