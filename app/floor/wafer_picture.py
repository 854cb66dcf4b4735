"""A wafer's map as a picture: for each die the class that it is in, by what became of it or by its die bin."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from app.drawing import looks
from app.drawing.grid_frame import GridFrame, pitch_for
from app.drawing.grid_picture import Keys, Over
from app.drawing.looks import Look
from app.errors import few
from app.floor.map_classes import MapClass
from app.floor.packed_dies import die_coordinates
from app.floor.placed_where import Placed, placed_from
from app.floor.scrapped_wafers import scraps_of
from app.floor.used_dies import dies_in
from app.ledger.cells import LostDie
from app.naming.resolve import Named
from app.receiving.die_map import DieMap
from app.receiving.wafers import map_of

View = Literal["use", "bin"]
VIEWS: dict[View, str] = {"use": "What became of its dies", "bin": "Die bins"}
STATES = ("left", "placed", "lost", "wrongly used", "failing", "scrapped")  # a die's state is its place here, from 1; 0 is no die
LEFT, PLACED, LOST, WRONG, FAILING, SCRAPPED = range(1, 7)
_STATE_LOOKS = (
    Look(looks.SKY, "ring"), Look(looks.GREEN), Look(looks.YELLOW, "slash"), Look(looks.VERMILION, "corner"), Look(looks.GREY, "hole"),
    Look(looks.PURPLE, "bars"),
)  # fmt: skip
_STATE_WORDS = (
    "passing, and still there", "passing, and on a cell", "picked, and on no cell", "on a cell though failing, not on the map or on one before",
    "failing, and never picked", "passing, and on the wafer when it was scrapped",
)  # fmt: skip
_MOST_BINS = 7  # with a look of their own
_SIDES = ("bottom", "left", "top", "right")


@dataclass(frozen=True, eq=False)
class WaferPicture:
    """`keys[row, column]` as a person sees the wafer: 0 is no die, n is classes[n - 1]. `outside`: dies used beyond the map's grid."""

    wafer: Named
    die_map: DieMap
    view: View
    frame: GridFrame
    keys: Keys
    classes: tuple[MapClass, ...]
    states: NDArray[np.uint8]  # as `keys`, by STATES
    placed: Placed
    outside: int

    @property
    def over(self) -> Over:
        return Over(notch=notch_of(self.die_map), origin=origin_of(self.die_map, self.frame))


def wafer_picture(session: Session, wafer: Named, view: View = "use") -> WaferPicture:
    die_map, placed = map_of(session, wafer.id), placed_from(session, wafer.id)
    lost = die_map.index_of(*die_coordinates(dies_in(session, LostDie, wafer.id)))
    on_cells = die_map.index_of(placed.x, placed.y)
    by_index = states_of(die_map, on_cells[on_cells >= 0], lost[lost >= 0])
    if scraps_of(session, [wafer.id]):
        by_index[by_index == LEFT] = SCRAPPED
    states = as_seen(die_map, by_index.reshape(die_map.grid.shape))
    keys, classes = (states, _states(states)) if view == "use" else _bins(die_map)
    outside = int(np.count_nonzero(on_cells < 0) + np.count_nonzero(lost < 0))
    return WaferPicture(wafer, die_map, view, frame_of(die_map), keys, classes, states, placed, outside)


def states_of(die_map: DieMap, placed: NDArray[np.int32], lost: NDArray[np.int32]) -> NDArray[np.uint8]:
    """By index of the map, from the indices of dies on cells and of lost ones. A die is in the gravest state that is true of it."""
    passes = die_map.passes()
    states = np.where(passes, LEFT, np.where(die_map.exists(), FAILING, 0)).astype(np.uint8)
    states[lost] = LOST
    states[placed] = PLACED
    times = np.bincount(placed, minlength=die_map.positions)
    states[(times > 1) | ((times > 0) & ~passes)] = WRONG
    return states


def frame_of(die_map: DieMap) -> GridFrame:
    """Where its dies lie in the picture: notch down, or as the file draws them where that was stated."""
    right, down = die_map.axis.endswith("Right"), die_map.axis.startswith("Down")
    return GridFrame(
        die_map.width, die_map.height, die_map.x_min if right else die_map.x_max, die_map.y_min if down else die_map.y_max,
        1 if right else -1, 1 if down else -1, pitch_for(die_map.width, die_map.height),
    )  # fmt: skip


def _states(states: NDArray[np.uint8]) -> tuple[MapClass, ...]:
    counts = np.bincount(states.ravel(), minlength=len(STATES) + 1)[1:].tolist()
    keys = [name.replace(" ", "-") for name in STATES]
    classes = tuple(MapClass(*one) for one in zip(keys, STATES, _STATE_WORDS, _STATE_LOOKS, counts, strict=True))
    return classes if counts[SCRAPPED - 1] else classes[: SCRAPPED - 1]  # of few wafers


def _bins(die_map: DieMap) -> tuple[Keys, tuple[MapClass, ...]]:
    """The most frequent bins each with a look of its own, the others together. A passing bin is full or has its middle cut out."""
    order = sorted(range(1, len(die_map.table)), key=lambda number: -die_map.table[number].count)
    own, rest = (order, []) if len(order) <= _MOST_BINS else (order[: _MOST_BINS - 1], order[_MOST_BINS - 1 :])
    number = np.zeros(len(die_map.table), dtype=np.uint8)
    number[own] = np.arange(1, len(own) + 1)
    number[rest] = len(own) + 1
    classes = []
    for place, one in enumerate(own):
        entry = die_map.table[one]
        look = Look(looks.COLOURS[place % len(looks.COLOURS)], looks.PATTERNS[place])
        classes.append(MapClass(f"bin-{entry.code}", f"bin {entry.code}", _quality(entry.quality, entry.description), look, entry.count))
    if rest:
        codes = few((die_map.table[one].code for one in rest), 20)
        count = sum(die_map.table[one].count for one in rest)
        classes.append(MapClass("other", "other bins", codes, Look(looks.GREY, looks.PATTERNS[_MOST_BINS]), count))
    return as_seen(die_map, number[die_map.grid]), tuple(classes)


def _quality(quality: str, description: str) -> str:
    said = {"pass": "passes", "fail": "fails"}.get(quality, quality)
    return f"{said}: {description}" if description and description.lower() not in (quality, said) else said


def as_seen(die_map: DieMap, by_row: NDArray[np.uint8]) -> Keys:
    rows = by_row if die_map.axis.startswith("Down") else by_row[::-1]
    return rows if die_map.axis.endswith("Right") else rows[:, ::-1]


def notch_of(die_map: DieMap) -> str | None:
    """The side of the picture that the notch is on; None where the file says nothing of how the wafer lies (a CSV)."""
    if die_map.origin is None:
        return None
    return _SIDES[die_map.orientation // 90] if die_map.as_drawn else "bottom"


def origin_of(die_map: DieMap, frame: GridFrame) -> tuple[int, int] | None:
    if die_map.origin is None:
        return None
    if die_map.origin == "Center":
        return frame.at(frame.columns // 2, frame.rows // 2)
    return frame.at(0 if die_map.origin.endswith("Left") else frame.columns - 1, 0 if die_map.origin.startswith("Upper") else frame.rows - 1)
