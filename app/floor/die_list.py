"""A wafer's dies as a list, in the order of its picture: row by row from the top, each from the left. Pages go on by a key."""

from dataclasses import dataclass

import numpy as np
from sqlalchemy.orm import Session

from app.floor.map_classes import number_of
from app.floor.placed_where import At, cells_of
from app.floor.wafer_picture import STATES, WaferPicture


@dataclass(frozen=True)
class DieLine:
    """`key`: the die's place in the picture, row by row; the next page begins after the last one's. `bin`: empty where the map has no die."""

    key: int
    x: int
    y: int
    bin: str
    state: str
    cells: tuple[At, ...]


def die_list(session: Session, picture: WaferPicture, only: str | None = None, after: int = -1, most: int | None = None) -> list[DieLine]:
    """Dies of one class or of all, after a key. With a limit one more is given than asked for, if there is one: then there is a next page."""
    number = number_of(picture.classes, only)
    flat = picture.keys.ravel()
    shown = np.flatnonzero(flat == number if number else (flat > 0) | (picture.states.ravel() > 0))
    shown = shown[shown > after][: None if most is None else most + 1]
    frame, placed = picture.frame, picture.placed
    column, row = (placed.x - frame.left) * frame.right, (placed.y - frame.top) * frame.down
    inside = (column >= 0) & (column < frame.columns) & (row >= 0) & (row < frame.rows)
    place = np.where(inside, row * frame.columns + column, -1)
    here = np.flatnonzero(np.isin(place, shown)) if len(shown) < picture.keys.size // 4 else np.flatnonzero(inside)
    cells: dict[int, tuple[At, ...]] = {}
    for key, at in zip(place[here].tolist(), cells_of(session, placed.only(here)), strict=True):
        cells[key] = (*cells.get(key, ()), at)
    table = [entry.code for entry in picture.die_map.table]
    bins = picture.die_map.picture().ravel()[shown].tolist()
    states = picture.states.ravel()[shown].tolist()
    x = (frame.left + shown % frame.columns * frame.right).tolist()
    y = (frame.top + shown // frame.columns * frame.down).tolist()
    return [
        DieLine(key, *where, table[bin_] if bin_ else "", STATES[state - 1], cells.get(key, ()))
        for key, where, bin_, state in zip(shown.tolist(), zip(x, y, strict=True), bins, states, strict=True)
    ]
