"""Units of measurement that a file of unit results names above its header. Numbers are binned as they stand: in another unit, each would be another.

In which unit the bin table takes a column, only its name can say: iv_mcd. Words as we think that testers write them, no source.
"""

import re
from collections.abc import Iterable

from app.catalogue.definitions import BinTableBody
from app.errors import bad_input
from app.final_test.bins import needed_columns
from app.final_test.result_columns import REFUSED

_LONG = {"candela": "cd", "lumen": "lm", "watt": "w", "meter": "m", "metre": "m", "volt": "v", "ampere": "a", "amp": "a"}
_UNITS = {  # of what, and the power of ten
    f"{part}{word}": (base, power)
    for words, parts in (
        ({base: base for base in _LONG.values()}, {"n": -9, "u": -6, "\u00b5": -6, "\u03bc": -6, "m": -3, "": 0, "k": 3}),
        (_LONG | {f"{word}s": base for word, base in _LONG.items()}, {"nano": -9, "micro": -6, "milli": -3, "": 0, "kilo": 3}),
    )
    for word, base in words.items()
    for part, power in parts.items()
} | {"micron": ("m", -6), "microns": ("m", -6)}  # fmt: skip
_WORDS = {
    "cd": "iv intensity", "lm": "flux", "w": "power", "m": "wavelength wl wd wp wld wlp lambda", "v": "vf vr voltage", "a": "if ir current",
}  # fmt: skip
_QUANTITIES = {word: base for base, words in _WORDS.items() for word in words.split()}
_OF_UNITS = {"unit", "units", "einheit", "einheiten"}
_WORD = re.compile(r"[^\W\d_]+")


def refuse_other_units(lines: Iterable[str], table: BinTableBody) -> None:
    """`lines`: those above the header."""
    for number, line in enumerate(lines, start=1):
        for column in needed_columns(table):
            taken, said = _taken(column), _said(line, column)
            if not said or (taken and all(_UNITS.get(unit) == _UNITS[taken] for unit in said)):
                continue
            why = f"It names the unit {' and '.join(said)}, and bin table {table.name} takes {column} in {taken}."
            now = f"Export it in {taken}."
            if taken is None:
                why = f"It names the unit {' and '.join(said)}, and bin table {table.name} does not say in which unit it takes {column}."
                now = "Leave this line out if that is the unit; or end the name of the column in its unit, as iv_mcd does, here and in the bin table."
            raise bad_input(REFUSED, f"line {number}", why, now)


def _taken(column: str) -> str | None:
    """The unit behind a column's name. A single letter is one only where it fits what stands before it: in vf_v, but not in u_v."""
    words = _words(column)
    last = words[-1] if len(words) > 1 else ""
    return last if last in _UNITS and (len(last) > 1 or _QUANTITIES.get(words[0]) == _UNITS[last][0]) else None


def _said(line: str, column: str) -> list[str]:
    """The units that a line names for a column: units of what it measures, or the only one where the column itself is named."""
    head, _, value = re.sub(r"[:=,;|\t]", "\0", line, count=1).partition("\0")
    units = [word for word in _words(value or head) if word in _UNITS]
    others = {word for word in _words(line) if word not in units}
    first, taken = (_words(column) or [""])[0], _taken(column)
    base = _UNITS[taken][0] if taken else _QUANTITIES.get(first)
    is_named = first in others or base in {_QUANTITIES.get(word, "") for word in others}
    is_unit_alone = not re.search(r"\d", value) and ("in" in others or set(_words(value)) == set(units))
    if not (_OF_UNITS & others or (is_named and is_unit_alone)):
        return []
    said = [unit for unit in units if _UNITS[unit][0] == base] or (units if first in others and len(units) == 1 else [])
    return [scaled[0] if (scaled := re.search(rf"\d[\d.,]*\s*[x*]?\s*{unit}\b", value, re.I)) else unit for unit in said]


def _words(text: str) -> list[str]:
    return [word.lower() for word in _WORD.findall(text)]
