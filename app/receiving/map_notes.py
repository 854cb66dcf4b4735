"""What stands around a map as lines `key: value`: whose it is, which code means no die, which bins pass, how many dies there are.

Keys (letter case, spaces and underscores do not count): wafer, lot, product, rows, columns, origin, axis, orientation (or notch), null,
FNLOC (it is asked what it means), passing bins, failing bins, `bin X` (pass or fail, and a number of dies), gross, passing, failing.
Others are passed over.
"""

import re
from dataclasses import dataclass, field

from app.errors import bad_input
from app.receiving.map_check import Definition

_BIN = re.compile(r"bin\s*(\S+)", re.IGNORECASE)
_QUALITY = re.compile(r"\b(?:(pass|good)|fail|bad)\b", re.IGNORECASE)
_NUMBER = re.compile(r"(?<![\w.-])\d{1,9}(?![\w.]| ?[%\u00b0]| ?(?:[nu\u00b5\u03bcm]?m|m?cd|m?lm|[um]?[AVW]|K|deg)\b)", re.ASCII)  # not 450 nm
_NOT = r"(?:not|no|non|never|nor|without|cannot|\w+n['\u2019]t)\b"
_KEYS = {
    word: key
    for key, words in {
        "wafer": "wafer waferid substrateid",
        "lot": "lot lotid",
        "product": "product productid part",
        "rows": "rows rowct",
        "columns": "columns cols colct",
        "origin": "origin originlocation",
        "axis": "axis axisdirection",
        "orientation": "orientation notch flat",
        "fnloc": "fnloc",
        "null": "null nullbin nodie",
        "passing bins": "passingbins passbins goodbins bcequ",
        "failing bins": "failingbins failbins badbins rejectbins rejectedbins",
        "gross": "gross grossdies grossdie total totaldies totaldie dies diecount numberofdies",
        "passing": "passing pass passed good passingdies passdies passdie gooddies gooddie",
        "failing": "failing fail failed bad failingdies faildies faildie baddies baddie",
    }.items()
    for word in words.split()
}


@dataclass(frozen=True)
class Note:
    value: str
    line: int
    words: str  # the key as written


@dataclass
class Notes:
    """The notes of one wafer, while they are being gathered."""

    notes: dict[str, Note] = field(default_factory=dict)
    bins: list[Note] = field(default_factory=list)
    unknown: list[tuple[int, str]] = field(default_factory=list)

    def value(self, key: str) -> str | None:
        return self.notes[key].value if key in self.notes else None

    def where(self, key: str) -> str:
        note = self.notes[key]
        return f"line {note.line}, {note.words}"

    def keep(self, words: str, value: str, line: int, whole: str, what: str) -> None:
        key = key_of(words)
        if key is None and _BIN.fullmatch(words):
            self.bins.append(Note(value.strip(), line, words))
        elif key is None:
            self.unknown.append((line, whole))
        elif key in self.notes:
            raise bad_input(what, f"line {line}, {words}", f"This was already said on line {self.notes[key].line}.", "Keep one of the two.")
        elif value.strip() or key == "null":
            self.notes[key] = Note(value.strip(), line, words)

    def null(self, what: str) -> str | None:
        value = self.value("null")
        if value == "":
            why = "The null code is empty."
            raise bad_input(what, self.where("null"), why, "Write space for a space, and none if every position is a die.")
        return null_code(value)

    def number(self, key: str, what: str) -> int | None:
        value = self.value(key)
        if value is None:
            return None
        if not re.fullmatch(r"\d{1,9}", value, re.ASCII):
            raise bad_input(what, self.where(key), f"{value!r} is not a whole number.", "Expected a number.")
        return int(value)

    def passing_bins(self) -> tuple[str, ...]:
        return self._listed("passing bins")

    def _listed(self, key: str) -> tuple[str, ...]:
        return tuple(re.findall(r"[^\s,;]+", self.value(key) or ""))

    def codes_named(self) -> list[str]:
        return [*(code[1] for note in self.bins if (code := _BIN.fullmatch(note.words))), *self.passing_bins()]

    def definitions(self) -> tuple[Definition, ...]:
        failing = (Definition(code, self.where("failing bins"), "fail") for code in self._listed("failing bins"))
        return (*(_definition(note) for note in self.bins), *failing)

    def totals(self, what: str) -> tuple[tuple[str, int, str], ...]:
        kinds = [kind for kind in ("gross", "passing", "failing") if kind in self.notes]
        return tuple((kind, self.number(kind, what) or 0, self.where(kind)) for kind in kinds)


def null_code(words: str | None) -> str | None:
    """The code that means no die, as people write it: a word for what can't be seen, quotes for a code that is such a word; "": no code does."""
    if not words:
        return None
    if len(words) >= 3 and words[0] == words[-1] and words[0] in "'\"":
        return words[1:-1]
    return {"space": " ", "none": ""}.get(words.lower(), words)


def key_of(words: str) -> str | None:
    return _KEYS.get(re.sub(r"[ _-]", "", words.lower()))


def _definition(note: Note) -> Definition:
    """`bin 01: pass, 8 picked dies`: quality and number may each be left out, the rest is a description."""
    code = _BIN.fullmatch(note.words)
    count = _NUMBER.search(note.value)
    assert code is not None
    return Definition(code[1], f"line {note.line}, {note.words}", _quality(note.value), note.value, int(count[0]) if count else None)


def _quality(words: str) -> str | None:
    """The word that says it; all of the words where they say both, or deny it: `not good` is no pass, and is refused as neither."""
    found = list(_QUALITY.finditer(words))
    if not found:
        return None
    before, after = words[: found[0].start()], words[found[0].end() :]
    denied = re.search(rf"\b{_NOT}", before, re.IGNORECASE) or re.fullmatch(r"[\s:=-]*(?:no|not)\W*", after, re.IGNORECASE)
    both = len({each[1] is None for each in found}) > 1
    return words if denied or both else found[0][0]
