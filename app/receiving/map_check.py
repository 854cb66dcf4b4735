"""From a grid as drawn to a die map: frame, null code, passing bins, and the counts that the file declares.

Right numbers or a clear refusal: what the file leaves open must be stated, what it contradicts is refused.
"""

import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from app.errors import BadInput, Reason, bad_input, few
from app.receiving.die_map import NO_DIE, Bin, Cells, DieMap, Stated, kind_of_cells
from app.receiving.look_alikes import looks_like
from app.receiving.map_codes import Drawn
from app.receiving.map_frame import Told, open_frame, place, settle_frame

_PASS = {"pass", "passed", "good", "p", "g", "accept", "accepted", "true", "ok"}
_FAIL = {"fail", "failed", "bad", "f", "b", "reject", "rejected", "false", "ng", "nok"}
# In a list of bins; a code of the map that is such a word is one all the same.
_NO_CODES = {"to", "through", "thru", "bis", "all", "except", "but", "not", "without", "other", "others", "-", "\u2013", "\u2014", "..", "..."}
Size = tuple[int | None, int | None, str]  # columns, rows, where


@dataclass(frozen=True)
class Definition:
    """What a file says of one bin code."""

    code: str
    where: str
    quality: str | None = None
    description: str = ""
    count: int | None = None


@dataclass(frozen=True)
class Found:
    """What a reader found of one wafer, before it is checked."""

    what: str  # names the file and wafer in refusals
    format: str
    where: str  # of the map in the file
    drawn: Drawn
    told: Told | None  # None: `corner` says it, the grid goes by rising y and x
    corner: tuple[int, int] = (0, 0)
    wafer: str | None = None
    lot: str | None = None
    product: str | None = None
    null: str | None = None
    definitions: tuple[Definition, ...] = ()
    passing: tuple[str, ...] = ()  # a list in the file itself
    sizes: tuple[Size, ...] = ()  # as declared
    totals: tuple[tuple[str, int, str], ...] = ()  # gross, passing or failing; declared number; where
    same: Callable[[str], str] = field(default=str)  # normal form of a code: equal codes have the same


def check_map(found: Found, stated: Stated) -> DieMap:
    """The die map, or the refusal that says where the file and what was expected differ."""
    _check_sizes(found, stated)
    _refuse_other_letters(found)
    null = _null_code(found, stated)
    numbers, table = _bins(found, stated, null)
    table = _count(found, numbers, table)
    _check_counts(found, table)
    die_map = _place(found, stated, found.drawn.numbered(numbers), table, null)
    _check_totals(found, die_map)
    return die_map


def _check_sizes(found: Found, stated: Stated) -> None:
    rows, columns = found.drawn.keys.shape
    for declared_columns, declared_rows, where in (*found.sizes, (stated.columns, stated.rows, "stated size")):
        for name, declared, counted in (("columns", declared_columns, columns), ("rows", declared_rows, rows)):
            if declared is not None and declared != counted:
                why = f"{declared} {name} are declared, but the grid has {counted}."
                raise bad_input(found.what, where, why, "Have the file sent again, or put right by its supplier.")


def _refuse_other_letters(found: Found) -> None:
    """A Cyrillic A is no A: it would be a bin of its own, and fail."""
    for code in (*found.drawn.codes, *found.passing):
        if (like := looks_like(code)) is not None:
            named = ", ".join(unicodedata.name(letter, f"U+{ord(letter):04X}") for letter in code if not letter.isascii())
            why = f"The code {code!r} looks like {like!r}, and is {named}."
            raise bad_input(found.what, f"{found.where}, bin codes", why, "Write it in the letters and figures of ASCII.")


def _null_code(found: Found, stated: Stated) -> str | None:
    """The code that means no die; None where every position drawn is a die."""
    if found.null is not None and stated.null is not None and found.same(found.null) != found.same(stated.null):
        why = f"The file says that {found.null!r} means no die, but {stated.null!r} was stated."
        raise bad_input(found.what, f"{found.where}, null code", why, "Leave the statement out, or have the file put right.")
    null = stated.null if found.null is None else found.null
    if found.null is None and null and found.told is not None and found.same(null) not in map(found.same, found.drawn.codes):
        why = f"{null!r} was stated to mean no die, but the grid has only {_listed(found.drawn.codes)}."
        raise bad_input(found.what, "stated null code", why, "State the code that the file uses, or none if every position is a die.")
    if null is None and found.told is not None:
        defined = {found.same(entry.code) for entry in found.definitions}
        open_codes = [code for code in found.drawn.codes if found.same(code) not in defined]
        if open_codes:
            why = f"The file does not say which code means that there is no die; it has {_listed(found.drawn.codes)}."
            now = "State the null code, or none if every position is a die."
            raise BadInput(found.what, Reason("bad_input", why, now, f"{found.where}, null code"), *open_frame(found.told, stated))
    return null or None


def _bins(found: Found, stated: Stated, null: str | None) -> tuple[list[int], tuple[Bin, ...]]:
    """For each drawn code its number in the table, and the table: no die first, then by code."""
    definitions = _defined_once(found)
    null_form = None if null is None else found.same(null)
    drawn_codes = {found.same(code): code for code in found.drawn.codes}
    forms = [form for form in {**drawn_codes, **definitions} if form not in (null_form, "")]  # "": not in a CSV
    texts = {form: definitions[form].code if form in definitions else drawn_codes[form] for form in forms}
    forms.sort(key=lambda form: texts[form])
    qualities = _Qualities(found, stated, definitions)
    no_die = definitions.get(null_form) if null_form is not None else None
    table = [Bin(null or "", "none", declared=None if no_die is None else no_die.count)]
    for form in forms:
        entry = definitions.get(form)
        quality = qualities.of(form, texts[form], form in drawn_codes)
        table.append(Bin(texts[form], quality, entry.description if entry else "", 0, entry.count if entry else None))
    number = {form: n for n, form in enumerate(forms, start=1)}
    numbers = [number.get(found.same(code), NO_DIE) for code in found.drawn.codes]
    qualities.refuse_open()
    return numbers, tuple(table)


def _defined_once(found: Found) -> dict[str, Definition]:
    definitions: dict[str, Definition] = {}
    for entry in found.definitions:
        form = found.same(entry.code)
        if form in definitions:
            why = f"The bin {entry.code!r} is defined twice, first at {definitions[form].where}."
            raise bad_input(found.what, entry.where, why, "Keep one definition.")
        definitions[form] = entry
    return definitions


class _Qualities:
    """Which bins pass: the file's word, else the file's list, else the list stated for the wafer's part."""

    def __init__(self, found: Found, stated: Stated, definitions: dict[str, Definition]) -> None:
        self.found, self.said, self.definitions = found, stated, definitions
        self.in_file = {found.same(code) for code in found.passing}
        self.stated = {found.same(code) for code in stated.passing}
        self.open: list[str] = []
        self._refuse_strange_list(found.passing or stated.passing)
        self._refuse_several_in_one()

    def _refuse_strange_list(self, codes: tuple[str, ...]) -> None:
        """A list that names no code of this map was written for another kind of map."""
        drawn = {self.found.same(code) for code in self.found.drawn.codes}
        silent = not any(entry.quality for entry in self.found.definitions)
        if codes and silent and not drawn & {self.found.same(code) for code in codes}:
            why = f"The passing bins are given as {_listed(codes)}, but the map has only {_listed(self.found.drawn.codes)}."
            raise bad_input(self.found.what, f"{self.found.where}, passing bins", why, "Write the codes as the file does; letter case counts.")

    def _refuse_several_in_one(self) -> None:
        """3-5, (2) or all except 9: taken for codes of their own, they would turn bins that pass into bins that fail, or the other way round."""
        drawn, lists = {self.found.same(code) for code in self.found.drawn.codes}, {*self.found.passing, *self.said.passing}
        for code in (*lists, *(entry.code for entry in self.found.definitions)):
            parts = {self.found.same(part) for part in re.split(r"[^\w]+", code) if part}
            is_word = code.lower() in _NO_CODES and (code in lists or code.isalpha())  # a sign that is defined may be a code
            if self.found.same(code) not in drawn and (is_word or parts & drawn):
                why = f"{code!r} among the bins that pass or fail is no code of this map: does it mean several, or others than those beside it?"
                raise bad_input(self.found.what, f"{self.found.where}, passing bins", why, "Write each code by itself, with commas between.")

    def of(self, form: str, code: str, occurs: bool) -> str:
        entry = self.definitions.get(form)
        if entry is not None and entry.quality is not None:
            said = self._read(entry)
            if self.in_file and (said == "pass") != (form in self.in_file):
                why = f"The bin {code!r} is given as {entry.quality}, but the file's list of passing bins says otherwise."
                raise bad_input(self.found.what, entry.where, why, "Have the file put right.")
            return said
        listed = self.in_file or self.stated
        if not listed and occurs:
            self.open.append(code)
        if listed and occurs and form not in listed:
            self._refuse_other_spelling(code, listed)
        return "pass" if form in listed else "fail"

    def _refuse_other_spelling(self, code: str, listed: set[str]) -> None:
        """01, 1 and 1.0 are one bin to whoever wrote the list."""
        other = next((one for one in sorted(listed) if _as_number(code) == _as_number(one) is not None), None)
        if other is not None:
            why = f"The passing bins have {other!r}, and the map has {code!r}: is that the same bin?"
            raise bad_input(self.found.what, f"{self.found.where}, passing bins", why, "Write the codes of the list as the map has them.")

    def _read(self, entry: Definition) -> str:
        plain = (entry.quality or "").strip().lower()
        if plain not in _PASS | _FAIL:
            why = f"The quality of bin {entry.code!r} is {entry.quality!r}."
            raise bad_input(self.found.what, entry.where, why, "Expected Pass or Fail.")
        return "pass" if plain in _PASS else "fail"

    def refuse_open(self) -> None:
        if self.open:
            why = f"The file does not say whether these bins pass: {_listed(self.open)} (letter case counts)."
            raise BadInput(self.found.what, open_bins(self.found.where, why), *open_frame(self.found.told, self.said))


def open_bins(where: str, why: str) -> Reason:
    return Reason("bad_input", why, "State the passing bins, or set them on the wafer's part.", f"{where}, passing bins")


def _as_number(code: str) -> str | None:
    """Without zeros in front or after a point."""
    return code.partition(".")[0].lstrip("0") if re.fullmatch(r"\d+(\.0*)?", code, re.ASCII) else None


def _count(found: Found, numbers: list[int], table: tuple[Bin, ...]) -> tuple[Bin, ...]:
    counts = [0] * len(table)
    for number, count in zip(numbers, found.drawn.counts, strict=True):
        counts[number] += count
    return tuple(replace(entry, count=count) for entry, count in zip(table, counts, strict=True))


def _check_counts(found: Found, table: tuple[Bin, ...]) -> None:
    places = {found.same(entry.code): entry.where for entry in found.definitions}
    wrong = [entry for entry in table if entry.declared is not None and entry.declared != entry.count]
    if wrong:
        raise BadInput(found.what, *(_miscounted(entry, places[found.same(entry.code)]) for entry in wrong))
    if not sum(entry.count for entry in table[1:]):
        raise bad_input(found.what, found.where, "There is no die in this map.", "Check the null code.")


def _miscounted(entry: Bin, where: str) -> Reason:
    why = f"Bin {entry.code!r} is declared with {entry.declared} dies, but the grid has {entry.count}."
    return Reason("bad_input", why, "Have the file sent again, or put right by its supplier.", where)


def _place(found: Found, stated: Stated, grid: Cells, table: tuple[Bin, ...], null: str | None) -> DieMap:
    wafer = _wafer(found, stated)
    head = (found.format, wafer, found.lot, found.product)
    grid = grid.astype(kind_of_cells(table), copy=False)
    if found.told is None:
        return DieMap(*head, None, "UpRight", 0, True, null, table, grid, *found.corner)
    frame = settle_frame(found.what, found.told, stated)
    placed, x_min, y_min = place(grid, frame, found.what, found.told.where)
    return DieMap(*head, frame.origin, frame.axis, frame.orientation, frame.as_drawn, null, table, placed, x_min, y_min)


def _wafer(found: Found, stated: Stated) -> str | None:
    if found.wafer and stated.wafer and found.wafer != stated.wafer:
        why = f"The file is for wafer {found.wafer!r}, but {stated.wafer!r} was stated."
        raise bad_input(found.what, f"{found.where}, wafer", why, "Check that this is the right file.")
    return found.wafer or stated.wafer or None


def _check_totals(found: Found, die_map: DieMap) -> None:
    counted = {"gross": die_map.gross, "passing": die_map.passing, "failing": die_map.failing}
    for name, declared, where in found.totals:
        if declared != counted[name]:
            why = f"{declared} {name} dies are declared, but the grid has {counted[name]}."
            raise bad_input(found.what, where, why, "Have the file sent again, or put right by its supplier.")


def _listed(codes: Sequence[str]) -> str:
    return few(map(repr, codes), 12)
