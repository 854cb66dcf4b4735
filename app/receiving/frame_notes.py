"""Notes around a text grid that say how it lies, in other words than those that are read: passed over, each die would be another.

Words as we think that machines write them, no source. What is read stands in `map_notes.py`.
"""

import re
from collections.abc import Iterable, Iterator

from app.errors import Reason
from app.receiving.map_frame import read_orientation

_THING = "(?:wafer|map|grid|substrate)?"
_NOTCH = "(?:notch|(?:primary|major|orientation)?flat)"
_TURNED = re.compile(
    rf"{_THING}{_NOTCH}(?:position|pos|location|loc|side|angle|direction|dir|orientation|degrees|deg)?|"
    rf"{_THING}(?:orientation|rotation|rotated|rotate|turned)(?:angle|degrees|deg)?"
)
_MIRRORED = re.compile(rf"{_THING}(?:(?:mirror|flip)(?:ed|ped|ing)?[xy]?|view(?:ed)?(?:from|side)?|seenfrom|side)")
_AXES = re.compile(r"[xy](?:axis)?(?:direction|dir|increases|grows)|[xy]axis|(?:axis|direction|dir)[xy]")
_FIRST = re.compile(r"(?:first|start|min|minimum)(?:die)?(?:[xy]|col|column|row)|[xy](?:first|start|min|minimum)")
_A_DIE = re.compile(r"(?:first|start|starting|reference|ref)die(?:xy|position|pos|location|coordinates?|index|at)?")
_NO = {"", "no", "none", "off", "false", "0", "n", "top", "front", "above", "topside", "frontside", "fromtop", "fromabove"}
_WHOLE = re.compile(r"[-+]?\d{1,5}", re.ASCII)


def open_notes(notes: Iterable[tuple[int, str, str]], is_turned: bool, has_axis: bool) -> Iterator[Reason]:
    """Of notes that are not read: line, key and value. `is_turned`, `has_axis`: whether orientation and axis are known otherwise."""
    for line, words, value in notes:
        key, said = re.sub(r"[ _-]", "", words.lower()), re.sub(r"[ _-]", "", value.lower())
        now = None
        if _TURNED.fullmatch(key) and not is_turned and said not in _NO and read_orientation(value) != "0":
            now = "State the orientation: where the notch is as the grid is drawn."
        elif _MIRRORED.fullmatch(key) and said not in _NO:
            now = "Send the map as seen from the top and not mirrored, without this line."
        elif _AXES.fullmatch(key) and not has_axis:
            now = "State the axis direction, or write it as a line axis: DownRight."
        elif _FIRST.fullmatch(key) and _WHOLE.fullmatch(value.strip()) and int(value):
            now = "Send a list of dies with their x and y; or leave the line out, where the die at the origin is 0, 0."
        elif _A_DIE.fullmatch(key) and re.search(r"[1-9]", value):
            now = "Send a list of dies with their x and y; or leave the line out, where the grid is read from the corner that was stated."
        if now:
            why = f"It says {value.strip()!r}, which is not read, and may make every die another."
            yield Reason("bad_input", why, now, f"line {line}, {words.strip()}")
