"""Which dies of which wafers can be inside a pack, and which must: by the cells that left for it, as the placement logs say.

A die *can* be inside when its cell was good as its panel's units left on a way to the pack. It *must* be when all units that left its panel on such
ways are in the pack for certain (the panel's lower bound there is every one of those cells); after units mix nothing less can be said of one die.
Cells without a logged die may have one of any wafer that was mounted: they are counted, and no picture shows them.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.drawing import looks
from app.drawing.grid_frame import GridFrame
from app.drawing.grid_picture import Keys, Over, overlay, paint
from app.drawing.looks import Look
from app.errors import refuse
from app.floor import bitmaps
from app.floor.bitmaps import Bitmap
from app.floor.packed_dies import die_coordinates, unpack_dies
from app.floor.wafer_picture import as_seen, frame_of, notch_of, origin_of
from app.genealogy.origins import Origins, cells_on_the_way, origins
from app.ledger.cells import Placement, as_told
from app.ledger.items import Panel, Wafer
from app.naming.resolve import Named, codes_of
from app.receiving.models import WaferMap
from app.receiving.wafers import map_of

ELSEWHERE, CAN, MUST = 1, 2, 3  # as the picture's keys have them; 0 is no die
LOOKS = (Look(looks.PALE, "ring"), Look(looks.SKY, "slash"), Look(looks.YELLOW))
WORDS = ("another die of the wafer", "can be inside", "must be inside")


@dataclass(frozen=True)
class WaferInside:
    """`can` includes `must`: dies by the logs. `least`, `greatest`: how many units of the pack must and can have a die of this wafer."""

    wafer: str
    role: str
    can: int
    must: int
    least: int
    greatest: int
    has_map: bool
    is_logged: bool


@dataclass(frozen=True)
class DieInside:
    wafer: str
    x: int
    y: int
    panel: str
    row: int
    column: int
    must: bool


def wafers_inside(session: Session, pack: Named) -> tuple[int, list[WaferInside]]:
    """The units of the pack, and each wafer that can be in it: a fixed number of statements."""
    found = origins(session, [pack.id])
    ways = _Ways(session, found)
    can: dict[int, int] = {}
    must: dict[int, int] = {}
    for wafer, panel, cells, _ in ways.placements(session, list(found.wafers)):
        inside = bitmaps.count(bitmaps.read(cells) & ways.cells[panel])
        can[wafer] = can.get(wafer, 0) + inside
        must[wafer] = must.get(wafer, 0) + (inside if panel in ways.whole else 0)
    wafers = list(found.wafers)
    codes = codes_of(session, "wafer", wafers)
    roles = {item: role for item, role in session.execute(select(Wafer.item, Wafer.role).where(Wafer.item.in_(wafers)))}
    mapped = set(session.scalars(select(WaferMap.wafer).where(WaferMap.wafer.in_(wafers), WaferMap.closed_e.is_(None))))
    rows = [
        WaferInside(codes[one], roles[one], can.get(one, 0), must.get(one, 0), share.least, share.greatest, one in mapped, one in can)
        for one in wafers
        if (share := found.share("wafer", one)).greatest
    ]
    return found.units, sorted(rows, key=lambda row: (row.role, row.wafer))


def dies_inside(session: Session, pack: Named, wafer: int | None = None) -> Iterator[DieInside]:
    """Every die that can be inside, with its cell; of all wafers, or of one."""
    found = origins(session, [pack.id])
    ways = _Ways(session, found)
    codes, panels = codes_of(session, "wafer", list(found.wafers)), codes_of(session, "panel", list(ways.cells))
    columns = {item: wide for item, wide in session.execute(select(Panel.item, Panel.columns).where(Panel.item.in_(list(ways.cells))))}
    for of, panel, cells, dies in ways.placements(session, [one for one in found.wafers if wafer in (None, one)]):
        at = bitmaps.indices(bitmaps.read(cells))
        inside = np.isin(at, bitmaps.indices(ways.cells[panel]))
        x, y = die_coordinates(unpack_dies(dies)[inside])
        for cell, one_x, one_y in zip(at[inside].tolist(), x.tolist(), y.tolist(), strict=True):
            row, column = divmod(cell, columns[panel])
            yield DieInside(codes[of], one_x, one_y, panels[panel], row + 1, column + 1, panel in ways.whole)


@dataclass(frozen=True, eq=False)
class InsidePicture:
    frame: GridFrame
    keys: Keys
    over: str

    def png(self) -> bytes:
        return paint(self.keys, LOOKS, self.frame)


def inside_picture(session: Session, pack: Named, wafer: Named) -> InsidePicture:
    """The wafer's map: which of its dies can be inside the pack, and which must."""
    found = origins(session, [pack.id])
    if wafer.id not in found.wafers:
        raise refuse("not_here", f"{wafer.code} is not in {pack.code}.", "Nothing of it is on the way to this pack.", "See the list of its wafers.")
    die_map = map_of(session, wafer.id)
    ways = _Ways(session, found)
    keys = np.where(die_map.exists(), ELSEWHERE, 0).astype(np.uint8)
    for _, panel, cells, dies in ways.placements(session, [wafer.id]):
        inside = np.isin(bitmaps.indices(bitmaps.read(cells)), bitmaps.indices(ways.cells[panel]))
        index = die_map.index_of(*die_coordinates(unpack_dies(dies)[inside]))
        known = index[index >= 0]
        keys[known] = np.maximum(keys[known], MUST if panel in ways.whole else CAN)
    frame = frame_of(die_map)
    over = overlay(frame, Over(notch=notch_of(die_map), origin=origin_of(die_map, frame)))
    return InsidePicture(frame, as_seen(die_map, keys.reshape(die_map.grid.shape)), over)


class _Ways:
    """`cells` of each panel that left on a way to the pack; `whole`: panels all of whose units that left so are in it for certain."""

    def __init__(self, session: Session, found: Origins) -> None:
        self.cells: dict[int, Bitmap] = cells_on_the_way(session, found.up)
        self.whole = {panel for panel, cells in self.cells.items() if 0 < bitmaps.count(cells) <= found.share("panel", panel).least}

    def placements(self, session: Session, wafers: list[int]) -> list[tuple[int, int, bytes, bytes]]:
        """(wafer, panel, cells, dies) on the way, as the logs in force say."""
        query = select(Placement.wafer, Placement.panel, Placement.cells, Placement.dies)
        query = query.where(Placement.panel.in_(list(self.cells)), Placement.wafer.in_(wafers), as_told(Placement)).order_by(Placement.id)
        return [(wafer, panel, cells, dies) for wafer, panel, cells, dies in session.execute(query)]
