"""The classes of places that a map shows: all of them, or one alone among the others."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.drawing import looks
from app.drawing.grid_picture import Keys
from app.drawing.looks import Look
from app.errors import bad_input


@dataclass(frozen=True)
class MapClass:
    """Its key in addresses, its name, what that means, its look, how many places are in it."""

    key: str
    name: str
    words: str
    look: Look
    count: int


def number_of(classes: Sequence[MapClass], only: str | None) -> int | None:
    """The number of the class with this key, counted from 1; None for all."""
    if not only:
        return None
    for number, one in enumerate(classes, 1):
        if one.key == only:
            return number
    known = ", ".join(one.key for one in classes)
    raise bad_input("The map has no such class.", "only", f"{only!r} is not one of: {known}.", "Choose one from the legend.")


def highlighted(keys: Keys, classes: Sequence[MapClass], only: str | None) -> tuple[Keys, list[Look]]:
    """The keys and looks to paint: all classes, or one of them among places that are only there."""
    every = [one.look for one in classes]
    number = number_of(classes, only)
    if number is None:
        return keys, every
    return np.where(keys == number, 1, np.where(keys > 0, 2, 0)).astype(np.uint8), [every[number - 1], Look(looks.PALE, "ring")]
