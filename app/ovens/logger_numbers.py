"""What the fields of a logger's columns say: a number, nothing, that a reading is missing, that a sensor is broken, or other words.

The decimal mark is the file's: all its numbers together show it, or it is asked for.
"""

import re
from collections.abc import Sequence
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from app.errors import bad_input
from app.ovens.trace import Floats

States = NDArray[np.int8]


class Said(IntEnum):
    """By a field; `States` hold it."""

    NUMBER = 0
    NOTHING = 1
    MISSING = 2
    BROKEN = 3
    WORDS = 4


_PLAIN = frozenset("0123456789.,-+")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,2})?", re.ASCII)
_LONGEST = 32  # characters of a number
_MISSING_WORDS = {"-", "--", "---", "nan", "n/a", "na", "#n/a", "null", "none"}
_BROKEN_WORDS = {
    "inf", "+inf", "-inf", "infinity", "-infinity", "open", "ol", "o.l.", "over", "+over", "-over", "overrange", "over range", "under", "underrange",
    "under range", "burnout", "b.out", "burn out", "err", "error", "fault", "fail", "short", "invalid", "bad", "----", "-----", "******", "#num!",
    "#value!", "#div/0!",
}  # fmt: skip


class Numbers:
    """Reads columns of a file, a block of rows at a time, and remembers which decimal marks it met."""

    def __init__(self, delimiter: str) -> None:
        self.delimiter = delimiter
        self.marks: dict[str, int] = {}  # decimal mark -> first line with it
        self._only_thousands = True  # every number with a mark has three digits after it
        self._whole_line = 0  # first line with a number without a mark

    def column(self, texts: Sequence[str], lines: list[int]) -> tuple[Floats, States]:
        """Values (NaN where there is none) and states; the quick way for plain numbers with one decimal mark."""
        letters = set("".join(texts))
        comma = "," in letters
        if letters <= _PLAIN and not (comma and ("." in letters or self.delimiter == ",")):
            try:
                values = np.array([float(text) for text in (_with_points(texts) if comma else texts)])
            except ValueError:
                pass
            else:
                self._note_marks(texts, lines, letters)
                return values, np.full(len(texts), Said.NUMBER, dtype=np.int8)
        return self._one_by_one(texts, lines)

    def check_marks(self, what: str, stated: str | None) -> None:
        """When the whole file was read: one mark, the stated one if one was, and none that may separate thousands."""
        if len(self.marks) == 2:
            line = max(self.marks.values())
            why = "The file has numbers with a comma and numbers with a point, so one of them may separate thousands."
            raise bad_input(what, f"line {line}", why, "Export it without separators of thousands.")
        for mark, line in self.marks.items():
            if stated is not None and mark != stated:
                why = f"A number has the mark {mark!r}, but {stated!r} was stated as decimal mark."
                raise bad_input(what, f"line {line}", why, "Correct what was stated.")
            if stated is None and self._only_thousands and self._whole_line and self.delimiter != ",":
                why = f"The mark {mark!r} may be a decimal mark or separate thousands."
                raise bad_input(what, f"line {line}", why, "State the decimal mark.")

    def _one_by_one(self, texts: Sequence[str], lines: list[int]) -> tuple[Floats, States]:
        values, states = np.full(len(texts), np.nan), np.full(len(texts), Said.NOTHING, dtype=np.int8)
        for n, text in enumerate(texts):
            states[n] = self._said(text.strip())
            if states[n] == Said.NUMBER:
                values[n] = float(text.replace(",", "."))
        read = np.flatnonzero(states == Said.NUMBER).tolist()
        numbers = [texts[n].strip() for n in read]
        self._note_marks(numbers, [lines[n] for n in read], set("".join(numbers)))
        return values, states

    def _said(self, text: str) -> Said:
        if not text:
            return Said.NOTHING
        if len(text) <= _LONGEST and _NUMBER.fullmatch(text) and not ("," in text and self.delimiter == ","):
            return Said.NUMBER
        word = text.lower()
        return Said.MISSING if word in _MISSING_WORDS else Said.BROKEN if word in _BROKEN_WORDS else Said.WORDS

    def _note_marks(self, texts: Sequence[str], lines: list[int], letters: set[str]) -> None:
        if letters & {".", ","} <= set(self.marks) and self.marks and not self._only_thousands:
            return  # nothing new to learn, as in nearly every block
        for text, line in zip(texts, lines, strict=True):
            mark = "," if "," in text else "." if "." in text else ""
            if mark:
                self.marks.setdefault(mark, line)
                self._only_thousands &= len(re.split(r"[.,]", text)[1]) == 3
            else:
                self._whole_line = self._whole_line or line


def _with_points(texts: Sequence[str]) -> list[str]:
    return [text.replace(",", ".") for text in texts]
