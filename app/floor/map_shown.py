"""A map of places ready for its page: picture, what lies over it, legend with numbers and links, and where to ask for more."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from app.drawing.grid_frame import GridFrame
from app.drawing.grid_picture import Over, overlay
from app.drawing.looks import LEAST_PITCH, swatch
from app.floor.map_classes import MapClass

CLOSE_UP = (25, 15, 16)  # columns, rows, pixels a place: fits a small screen, and a finger


@dataclass(frozen=True)
class Asked:
    """What the address asks of a map: a view, one class only, and a chosen place in the map's own numbers."""

    view: str
    only: str
    x: int | None
    y: int | None
    names: tuple[str, str] = ("x", "y")  # what x and y are called in addresses

    @property
    def chosen(self) -> tuple[int, int] | None:
        return None if self.x is None or self.y is None else (self.x, self.y)

    def query(self, **changes: object) -> str:
        """As an address says it, with changes; what is empty or the default is left out."""
        said = {"view": self.view, "only": self.only, self.names[0]: self.x, self.names[1]: self.y} | changes
        text = urlencode({name: value for name, value in said.items() if value not in (None, "")})
        return f"?{text}" if text else ""

    def at(self, place: tuple[int, int]) -> str:
        return self.query(**dict(zip(self.names, place, strict=True)))


@dataclass(frozen=True)
class Shown:
    """`field`: the name under which the form says which pixel was touched."""

    image: str
    over: str
    frame: GridFrame
    field: str


@dataclass(frozen=True)
class Legend:
    swatch: str
    name: str
    words: str
    count: int
    link: str
    is_chosen: bool


def whole(path: str, asked: Asked, frame: GridFrame, over: Over) -> Shown:
    image = path + "/map.png" + asked.query(**dict.fromkeys(asked.names))
    return Shown(image, overlay(frame, replace(over, chosen=asked.chosen)), frame, "at")


def close_up(path: str, asked: Asked, frame: GridFrame, over: Over) -> Shown | None:
    """About the chosen place, where the whole is too fine to show patterns or to be touched."""
    part = close_up_frame(asked, frame)
    if part is None:
        return None
    drawn = overlay(part, replace(over, chosen=asked.chosen, notch=None))
    return Shown(path + "/map.png" + asked.query(close="up"), drawn, part, "near")


def close_up_frame(asked: Asked, frame: GridFrame) -> GridFrame | None:
    return frame.around(*asked.chosen, *CLOSE_UP) if asked.chosen and frame.pitch < LEAST_PITCH else None


def legend(classes: Sequence[MapClass], asked: Asked) -> list[Legend]:
    return [
        Legend(swatch(one.look), one.name, one.words, one.count, asked.query(only=one.key), asked.only == one.key) for one in classes
    ]  # fmt: skip


def neighbours(asked: Asked, frame: GridFrame) -> list[tuple[str, str]]:
    """The places beside the chosen one as a person sees them: words and link."""
    if asked.chosen is None or (here := frame.column_row(*asked.chosen)) is None:
        return []
    steps = (("left", -1, 0), ("right", 1, 0), ("above", 0, -1), ("below", 0, 1))
    found = [(words, (here[0] + right, here[1] + down)) for words, right, down in steps]
    return [(words, asked.at(frame.at(*place))) for words, place in found if frame.column_row(*frame.at(*place))]
