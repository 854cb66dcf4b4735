"""How a map's rows become die coordinates: origin corner, axis directions, quarter turns of the notch.

Names as SEMI E142 has them; numbers of corners as SEMI G85 and SECS-II have them (from memory): 0 centre, 1 upper right,
2 upper left, 3 lower left, 4 lower right. Orientation is the place of the notch, clockwise from the bottom (from memory:
SECS-II's flat/notch location): 0 bottom, 90 left, 180 top, 270 right. Rows are drawn from the top, columns from the left.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import BadInput, Reason, bad_input
from app.receiving.die_map import Cells, Stated

ORIGINS = ("UpperLeft", "UpperRight", "LowerLeft", "LowerRight", "Center")
AXES = ("DownRight", "UpRight", "DownLeft", "UpLeft")
Reader = Callable[[str], str | None]
_NUMBERS = {"0": "Center", "1": "UpperRight", "2": "UpperLeft", "3": "LowerLeft", "4": "LowerRight"}
_SIDES = {"bottom": 0, "down": 0, "left": 90, "top": 180, "up": 180, "right": 270}
_AWAY = {"UpperLeft": "DownRight", "UpperRight": "DownLeft", "LowerLeft": "UpRight", "LowerRight": "UpLeft"}
_SHORT = {"ul": "UpperLeft", "ur": "UpperRight", "ll": "LowerLeft", "lr": "LowerRight"}


@dataclass(frozen=True)
class Told:
    """What a file says of its frame, word for word; None where it says nothing."""

    where: str
    origin: str | None = None
    axis: str | None = None
    orientation: str | None = None
    numbers: bool = True  # may corners be given as SEMI numbers? Not in E142: files that do so mean various things


@dataclass(frozen=True)
class Frame:
    origin: str
    axis: str
    orientation: int
    as_drawn: bool
    first: int


def settle_frame(what: str, told: Told, stated: Stated) -> Frame:
    """The frame from the file and the statement; refuses what neither says, or what they say differently."""
    origin = _agree(what, told.where, "origin", told.origin, stated.origin, lambda text: read_origin(text, told.numbers), read_origin)
    axis = _agree(what, told.where, "axis direction", told.axis, stated.axis, read_axis, read_axis) or _AWAY.get(origin or "")
    if origin is None or axis is None:
        raise BadInput(what, *open_frame(told, stated))
    turn = _agree(what, told.where, "orientation", told.orientation, stated.orientation, read_orientation, read_orientation)
    return Frame(origin, axis, int(turn or 0), stated.as_drawn, stated.first)


def open_frame(told: Told | None, stated: Stated) -> list[Reason]:
    """What neither the file nor the statement says of the frame, for one answer with all else that is open."""
    if told is None:
        return []
    origin, axis = _said(stated.origin, told.origin), _said(stated.axis, told.axis)
    axes = f"the axis direction: one of {', '.join(AXES)}"
    if origin is None:
        now = f"State the origin: one of {', '.join(ORIGINS)}, or a SEMI number 0 to 4." + ("" if axis else f" With Center also {axes}.")
        return [Reason("bad_input", "The file does not say in which corner its coordinates begin.", now, f"{told.where}, origin")]
    if axis is None and read_origin(origin, told.numbers or origin == stated.origin) == "Center":
        return [Reason("bad_input", "An origin in the centre does not say where x and y grow.", f"State {axes}.", f"{told.where}, axis direction")]
    return []


def _said(*texts: str | None) -> str | None:
    return next((text for text in texts if text and text.strip()), None)


def _agree(
    what: str, where: str, name: str, told: str | None, stated: str | None, read: Reader, read_stated: Reader
) -> str | None:  # fmt: skip
    """One value from two sources. A file's word that cannot be understood may be replaced by a statement."""
    said = read_stated(stated) if stated and stated.strip() else None
    if stated and stated.strip() and said is None:
        raise bad_input(what, f"stated {name}", f"{stated!r} is not understood.", _EXPECTED[name])
    if not told or not told.strip():
        return said
    found = read(told)
    if found is None and said is None:
        raise bad_input(what, f"{where}, {name}", f"The file says {told!r}, which is not understood.", f"{_EXPECTED[name]} Or state it.")
    if found is not None and said is not None and found != said:
        why = f"The file says {told!r}, but {stated!r} was stated."
        raise bad_input(what, f"{where}, {name}", why, "Leave the statement out, or have the file put right.")
    return said if found is None else found


_EXPECTED = {
    "origin": f"Expected one of {', '.join(ORIGINS)}.",
    "axis direction": f"Expected one of {', '.join(AXES)}.",
    "orientation": "Expected degrees in quarter turns: 0, 90, 180 or 270.",
}


@cache
def read_origin(text: str, numbers: bool = True) -> str | None:
    """UpperLeft, upper left, top-left, UL; 2 where SEMI's numbers are understood."""
    plain = re.sub("[ _-]", "", text.strip().lower())
    if numbers and plain in _NUMBERS:
        return _NUMBERS[plain]
    plain = plain.replace("top", "upper").replace("bottom", "lower").replace("centre", "center")
    return _SHORT.get(plain) or next((name for name in ORIGINS if plain in _both_ways(name)), None)


@cache
def read_axis(text: str) -> str | None:
    plain = re.sub("[ _-]", "", text.strip().lower())
    return next((name for name in AXES if plain in _both_ways(name)), None)


def _both_ways(name: str) -> tuple[str, str]:
    """downright and rightdown."""
    words = re.findall("[A-Z][a-z]+", name)
    return "".join(words).lower(), "".join(reversed(words)).lower()


def read_orientation(text: str) -> str | None:
    """Degrees from 0 to 270, as text."""
    plain = text.strip().lower()
    if plain in _SIDES:
        return str(_SIDES[plain])
    if not re.fullmatch(r"[+-]?\d{1,4}(\.0+)?", plain, re.ASCII):
        return None
    degrees = int(float(plain)) % 360
    return str(degrees) if degrees % 90 == 0 else None


def place(drawn: Cells, frame: Frame, what: str, where: str) -> tuple[Cells, int, int]:
    """The grid by rising y and x, with the least x and y. Rows are drawn from the top."""
    turns = 0 if frame.as_drawn else frame.orientation // 90
    grid: NDArray[Any] = np.rot90(drawn, turns)  # against the clock: the notch at the left goes to the bottom
    rows, columns = grid.shape
    row, column = _origin_cell(frame.origin, rows, columns, what, where)
    rightward, downward = frame.axis.endswith("Right"), frame.axis.startswith("Down")
    x_min = -column if rightward else column - (columns - 1)
    y_min = -row if downward else row - (rows - 1)
    grid = grid[:: 1 if downward else -1, :: 1 if rightward else -1]
    return np.ascontiguousarray(grid), x_min + frame.first, y_min + frame.first


def _origin_cell(origin: str, rows: int, columns: int, what: str, where: str) -> tuple[int, int]:
    if origin != "Center":
        return (0 if origin.startswith("Upper") else rows - 1), (0 if origin.endswith("Left") else columns - 1)
    if rows % 2 == 0 or columns % 2 == 0:
        raise _no_centre(what, where, rows, columns)
    return rows // 2, columns // 2


def _no_centre(what: str, where: str, rows: int, columns: int) -> BadInput:
    why = f"The origin is the centre, but {columns} columns by {rows} rows have no middle die."
    return bad_input(what, f"{where}, origin", why, "Ask the supplier for a map with its origin in a corner.")
