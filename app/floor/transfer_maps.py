"""Reads SEMI E142 transfer maps from wafers to panels: elements T with FX FY (die on the wafer) and TX TY (cell on the panel).

A transfer map stands in the substrate map of the panel; its coordinates there begin in that map's origin at 0. Cells become
row and column counted from 1, from the upper left. TX and TY are named from memory.
"""

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.errors import BadInput, Reason, bad_input
from app.receiving.die_map import FARTHEST
from app.receiving.map_frame import read_axis, read_origin
from app.receiving.outside_xml import Element, attributes, children, inside, local_name, of_one_namespace, place, read_xml

Ints = NDArray[np.int64]
_MOST_FAULTS = 20  # shown
_COUNT = re.compile(r"\s*\+?\d{1,5}\s*", re.ASCII)
_PLAIN = re.compile(r"[-+\d\s]*", re.ASCII)


@dataclass(frozen=True, eq=False)
class Transfers:
    wafers: tuple[str, ...]
    panels: tuple[str, ...]
    wafer: Ints
    panel: Ints
    x: Ints
    y: Ints
    row: Ints
    column: Ints
    line: Ints


@dataclass(frozen=True)
class _Panel:
    """How to come from TX and TY to row and column."""

    name: str
    column0: int
    row0: int
    right: int  # +1 or -1
    down: int


def read_transfer_maps(data: bytes, what: str) -> Transfers:
    """All transfers of the file, in its order."""
    root = read_xml(data, what)
    maps = inside(root, "TransferMap")
    if not maps:
        why = f"It has no TransferMap: its root is {root.tag!r}."
        raise bad_input(what, place(root), why, "Expected SEMI E142 transfer maps from wafers to panels.")
    layouts = {attributes(each).get("layoutid"): each for each in inside(root, "Layout")}
    wafers: dict[str, int] = {}
    panels: dict[str, int] = {}
    parts = [_read(each, layouts, wafers, panels, what) for each in maps]
    joined = [np.concatenate(columns) for columns in zip(*parts, strict=True)]
    if not len(joined[0]):
        raise bad_input(what, place(maps[0]), "Its transfer maps have no T elements.", "Expected a T for every die.")
    return Transfers(tuple(wafers), tuple(panels), *joined)


def _read(element: Element, layouts: dict[str | None, Element], wafers: dict[str, int], panels: dict[str, int], what: str) -> tuple[Ints, ...]:
    told = attributes(element)
    kind = told.get("fromsubstratetype", "Wafer").strip().lower()
    if kind not in ("wafer", "frame"):
        raise bad_input(what, place(element), f"It transfers from a {told['fromsubstratetype']}.", "Expected transfers from a Wafer.")
    wafer = told.get("fromsubstrateid", "").strip()
    if not wafer:
        raise bad_input(what, place(element), "It does not name the wafer.", "Expected FromSubstrateId.")
    panel = _panel(element, layouts, what)
    transfers = of_one_namespace(inside(element, "T"), what)
    x, y, column, row = _numbers(transfers, what)
    rows = panel.row0 + row * panel.down
    columns = panel.column0 + column * panel.right
    line = np.array([each.sourceline for each in transfers], dtype=np.int64)
    which = np.full(len(line), wafers.setdefault(wafer, len(wafers))), np.full(len(line), panels.setdefault(panel.name, len(panels)))
    return which[0].astype(np.int64), which[1].astype(np.int64), x, y, rows, columns, line


def _numbers(transfers: list[Element], what: str) -> list[Ints]:
    """FX, FY, TX, TY of every T."""
    try:
        texts = [[each.attrib[name] for each in transfers] for name in ("FX", "FY", "TX", "TY")]
        if not all(_PLAIN.fullmatch("".join(column)) for column in texts):
            raise _faults(transfers, what)  # int() takes 1_0 for ten, and figures of every script
        columns = [np.array(list(map(int, column)), dtype=np.int64) for column in texts]
    except (KeyError, ValueError, OverflowError):
        raise _faults(transfers, what) from None
    if any(len(column) and int(np.abs(column).max()) > FARTHEST for column in columns):
        raise _faults(transfers, what)
    return columns


def _faults(transfers: list[Element], what: str) -> BadInput:
    reasons = []
    for each in transfers:
        for name in ("FX", "FY", "TX", "TY"):
            text = each.get(name)
            if text is None or not re.fullmatch(r"\s*[+-]?\d{1,5}\s*", text, re.ASCII) or abs(int(text)) > FARTHEST:
                now = f"Expected whole numbers FX, FY, TX and TY, none beyond {FARTHEST}."
                reasons.append(Reason("bad_input", f"{name} is {text!r}.", now, f"{place(each)}, {name}"))
        if len(reasons) >= _MOST_FAULTS:
            break
    return BadInput(what, *reasons)


def _panel(element: Element, layouts: dict[str | None, Element], what: str) -> _Panel:
    """The panel of the substrate map around a transfer map, and its frame."""
    around = element.getparent()
    while around is not None and local_name(around) != "SubstrateMap":
        around = around.getparent()
    if around is None:
        raise bad_input(what, place(element), "It stands in no SubstrateMap.", "Expected it in the SubstrateMap of the panel.")
    told = attributes(around)
    name = (attributes(element).get("tosubstrateid") or told.get("substrateid", "")).strip()
    if not name or told.get("substratetype", "").strip().lower() == "wafer":
        raise bad_input(what, place(around), "It does not name the panel.", "Expected the SubstrateMap of the panel, with its SubstrateId.")
    origin = read_origin(told.get("originlocation", ""), numbers=False)
    if origin is None or origin == "Center":
        why = f"OriginLocation is {told.get('originlocation')!r}."
        raise bad_input(what, place(around), why, "Expected UpperLeft, UpperRight, LowerLeft or LowerRight.")
    if told.get("orientation", "0").strip() not in ("0", "0.0", "360", ""):
        raise bad_input(what, place(around), f"Orientation is {told['orientation']!r}.", "Expected a panel that is not turned.")
    axis = _axis(told.get("axisdirection"), origin, around, what)
    columns, rows = _size(layouts.get(told.get("layoutspecifier", "").split("/")[-1]), origin, around, what)
    return _Panel(
        name,
        1 if origin.endswith("Left") else columns,
        1 if origin.startswith("Upper") else rows,
        1 if axis.endswith("Right") else -1,
        1 if axis.startswith("Down") else -1,
    )


def _axis(text: str | None, origin: str, around: Element, what: str) -> str:
    """As the file says; away from the corner where it says nothing."""
    if text is None or not text.strip():
        return ("Down" if origin.startswith("Upper") else "Up") + ("Right" if origin.endswith("Left") else "Left")
    axis = read_axis(text)
    if axis is None:
        raise bad_input(what, place(around), f"AxisDirection is {text!r}.", "Expected DownRight, UpRight, DownLeft or UpLeft.")
    return axis


def _size(layout: Element | None, origin: str, around: Element, what: str) -> tuple[int, int]:
    """Columns and rows of the panel: only an origin away from the upper left needs them."""
    dimensions = [] if layout is None else children(layout, "Dimension")
    if not dimensions:
        if origin != "UpperLeft":
            why = "Its cells are not counted from the upper left, and no layout says how many there are."
            raise bad_input(what, place(around), why, "Expected LayoutSpecifier and a Layout with its Dimension.")
        return 1, 1
    told = attributes(dimensions[0])
    texts = [told.get(axis, "") for axis in ("x", "y")]
    if not all(_COUNT.fullmatch(text) and 1 <= int(text) <= FARTHEST for text in texts):
        why = f"Its X and Y are {texts[0][:20]!r} and {texts[1][:20]!r}."
        raise bad_input(what, place(dimensions[0]), why, f"Expected columns and rows, whole numbers from 1 to {FARTHEST}.")
    return int(texts[0]), int(texts[1])
