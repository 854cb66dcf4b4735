"""A panel's cells as a picture: by the reasons of their marks, or by the wafer that the die of a role came from."""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.drawing import looks
from app.drawing.grid_frame import GridFrame, pitch_for
from app.drawing.grid_picture import Keys
from app.drawing.looks import Look
from app.floor import bitmaps
from app.floor.map_classes import MapClass
from app.floor.placed_where import Placed, placed_on
from app.floor.progress import progress
from app.floor.wafer_account import CellStory, dies_on, marks_on
from app.ledger.items import Panel
from app.naming.resolve import Named, codes_of

MARKS = "marks"  # the view that is not of a role
_MOST = 6  # classes with a look of their own
_ODD = Look(looks.BLUE, "corner")  # what is in two classes
_NONE = Look(looks.GREY, "hole")


@dataclass(frozen=True)
class Coverage:
    """How many cells have a die of a role, as the placement logs in force say."""

    role: str
    cells: int
    of: int


@dataclass(frozen=True, eq=False)
class PanelPicture:
    """`keys[row, column]` from the upper left: n is classes[n - 1]. `views`: marks, then the roles."""

    panel: Named
    view: str
    views: tuple[str, ...]
    frame: GridFrame
    keys: Keys
    classes: tuple[MapClass, ...]
    coverage: tuple[Coverage, ...]
    placed: Placed
    reasons: tuple[tuple[str, ...], ...]  # of each cell by its index


def panel_picture(session: Session, panel: Named, view: str = MARKS) -> PanelPicture:
    size = session.get_one(Panel, panel.id)
    placed = placed_on(session, panel.id)
    reasons = _reasons(session, panel.id, size.rows * size.columns)
    roles = list(dict.fromkeys([*_roles_wanted(session, panel.id), *placed.step_role.tolist()]))
    view = view if view in roles else MARKS
    flat, classes = _by_reason(reasons) if view == MARKS else _by_wafer(session, placed.only(placed.step_role == view), len(reasons))
    coverage = tuple(Coverage(role, len(np.unique(placed.cell[placed.step_role == role])), len(reasons)) for role in roles)
    frame = GridFrame(size.columns, size.rows, 1, 1, pitch=pitch_for(size.columns, size.rows))
    keys = flat.reshape(size.rows, size.columns)
    return PanelPicture(panel, view, (MARKS, *roles), frame, keys, classes, coverage, placed, reasons)


def cell_list(session: Session, picture: PanelPicture) -> list[CellStory]:
    """Every cell, row by row, with its dies and marks."""
    on: dict[int, list[int]] = {}
    for n, cell in enumerate(picture.placed.cell.tolist()):
        on.setdefault(cell, []).append(n)
    dies, columns = dies_on(session, picture.placed), picture.frame.columns
    return [
        CellStory(picture.panel.code, cell // columns + 1, cell % columns + 1, tuple(dies[n] for n in on.get(cell, ())), reasons)
        for cell, reasons in enumerate(picture.reasons)
    ]


def _reasons(session: Session, panel: int, cells: int) -> tuple[tuple[str, ...], ...]:
    found: list[list[str]] = [[] for _ in range(cells)]
    for mark in marks_on(session, panel):
        for cell in bitmaps.indices(bitmaps.read(mark.cells)).tolist():
            if mark.reason not in found[cell]:
                found[cell].append(mark.reason)
    return tuple(map(tuple, found))


def _roles_wanted(session: Session, panel: int) -> list[str]:
    """Of the product, while the panel is on a route; afterwards only the logs tell."""
    route = progress(session, [panel])[panel].route
    if route is None:
        return []
    return [role.role for role in catalogue.product(session, catalogue.route(session, route).body.product).body.roles]


def _by_reason(reasons: tuple[tuple[str, ...], ...]) -> tuple[NDArray[np.uint8], tuple[MapClass, ...]]:
    single = Counter(one[0] for one in reasons if len(one) == 1)
    several = sum(len(one) > 1 for one in reasons)
    own = [reason for reason, _ in single.most_common(_MOST)]
    classes = [MapClass("good", "good", "no mark", Look(looks.GREEN), sum(not one for one in reasons))]
    classes += [MapClass(reason, reason, "marked for this reason", _own_look(n), single[reason]) for n, reason in enumerate(own)]
    rest = sum(single.values()) - sum(single[reason] for reason in own)
    if rest:
        classes.append(MapClass("other", "other reasons", "marked for a rarer reason", _NONE, rest))
    if several:
        classes.append(MapClass("several", "several reasons", "marked for more than one reason", _ODD, several))
    number = {one.key: n for n, one in enumerate(classes, 1)}
    keys = [
        number["good"] if not one else number["several"] if len(one) > 1 else number[one[0]] if one[0] in own else number["other"] for one in reasons
    ]
    return np.array(keys, dtype=np.uint8), tuple(classes)


def _by_wafer(session: Session, placed: Placed, cells: int) -> tuple[NDArray[np.uint8], tuple[MapClass, ...]]:
    keys = np.zeros(cells, dtype=np.uint8)
    dies = np.bincount(placed.cell, minlength=cells)
    wafers = [wafer for wafer, _ in Counter(placed.wafer.tolist()).most_common()]
    codes = codes_of(session, "wafer", wafers)
    classes: list[MapClass] = []

    def add(key: str, name: str, words: str, look: Look, which: NDArray[np.bool_]) -> None:
        if which.any():
            classes.append(MapClass(key, name, words, look, int(np.count_nonzero(which))))
            keys[which] = len(classes)

    for n, wafer in enumerate(wafers[:_MOST]):
        add(codes[wafer], codes[wafer], "a die of this wafer", _own_look(n), _cells(placed.cell[placed.wafer == wafer], cells) & (dies == 1))
    others = _cells(placed.cell[np.isin(placed.wafer, wafers[_MOST:])], cells) & (dies == 1)
    add("other", "other wafers", "a die of a wafer with fewer dies here", _NONE, others)
    add("several", "several dies", "filled more than once", _ODD, dies > 1)
    add("none", "no die known", "no placement log in force names it", Look(looks.PALE, "ring"), dies == 0)
    return keys, tuple(classes)


def _cells(index: NDArray[np.int64], cells: int) -> NDArray[np.bool_]:
    flags = np.zeros(cells, dtype=bool)
    flags[index] = True
    return flags


def _own_look(n: int) -> Look:
    colours = [one for one in looks.COLOURS if one not in (looks.GREEN, looks.BLUE)]
    return Look(colours[n % len(colours)], looks.PATTERNS[1 + n])
