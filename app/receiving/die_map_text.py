"""Reads die maps from a plain text grid: a line for every row of dies, from the top; around it lines `key: value`.

Keys (letter case, spaces and underscores do not count): wafer, lot, product, rows, columns, origin, axis, orientation
(or notch), null, passing bins, `bin X` (pass or fail, and a number of dies), gross, passing, failing. Others are passed
over. `wafer` after a grid begins the next wafer; what stands before the first `wafer` holds for all. Codes are one
character each, or as long as the null code, or stand apart by spaces.
"""

import re
from dataclasses import dataclass, field

import numpy as np

from app.errors import BadInput, bad_input
from app.receiving.die_map import DieMap, Stated
from app.receiving.map_check import Definition, Found, Size, check_map
from app.receiving.map_codes import Drawn, Rows, read_rows, read_separated_rows
from app.receiving.map_frame import Told

_NOTE = re.compile(r"\s*([A-Za-z][A-Za-z0-9 _./()#%-]+?)\s*[:=](.*)")
_BIN = re.compile(r"bin\s*(\S+)", re.IGNORECASE)
_KEYS = {
    word: key
    for key, words in {
        "wafer": "wafer waferid substrateid",
        "lot": "lot lotid",
        "product": "product productid part",
        "rows": "rows",
        "columns": "columns cols",
        "origin": "origin originlocation",
        "axis": "axis axisdirection",
        "orientation": "orientation notch flat",
        "null": "null nullbin nodie",
        "passing bins": "passingbins passbins goodbins",
        "gross": "gross grossdies",
        "passing": "passing pass good passingdies gooddies",
        "failing": "failing fail bad failingdies baddies",
    }.items()
    for word in words.split()
}


@dataclass(frozen=True)
class _Line:
    text: str
    line: int

    @property
    def where(self) -> str:
        return f"line {self.line}"


@dataclass(frozen=True)
class _Note:
    value: str
    line: int
    words: str  # the key as written


@dataclass
class _Section:
    """One wafer's part of the file, while it is being gathered."""

    notes: dict[str, _Note] = field(default_factory=dict)
    bins: list[_Note] = field(default_factory=list)
    unknown: list[tuple[int, str]] = field(default_factory=list)
    rows: list[_Line] = field(default_factory=list)
    closed: bool = False  # a note came after the grid

    def value(self, key: str) -> str | None:
        return self.notes[key].value if key in self.notes else None

    def where(self, key: str) -> str:
        note = self.notes[key]
        return f"line {note.line}, {note.words}"


def read_text_maps(text: str, what: str, stated: Stated) -> list[DieMap]:
    """A map for every grid in the text."""
    sections = _sections(text.split("\n"), what)
    return [check_map(_found(section, what, stated), stated) for section in sections]


def _sections(lines: list[str], what: str) -> list[_Section]:
    common, sections = _Section(), [_Section()]
    for number, line in enumerate(lines, start=1):
        note = _NOTE.fullmatch(line)
        section = sections[-1]
        if note is None:
            if line.strip() and section.closed:
                raise bad_input(
                    what,
                    f"line {number}",
                    "A second grid begins here without naming its wafer.",
                    "Begin it with a line wafer: ...",
                )
            section.rows.append(_Line(line, number))
            continue
        if _key(note[1]) == "wafer":
            if "wafer" in section.notes or _has_grid(section):
                sections.append(section := _Section())
            else:
                common = _Section(dict(section.notes), list(section.bins))
        _keep(section, note[1].strip(), note[2], number, line, what)
        section.closed = _has_grid(section)
    return [_with_common(section, common) for section in sections]


def _key(words: str) -> str | None:
    return _KEYS.get(re.sub(r"[ _-]", "", words.lower()))


def _has_grid(section: _Section) -> bool:
    return any(row.text.strip() for row in section.rows)


def _keep(section: _Section, words: str, value: str, line: int, whole: str, what: str) -> None:
    key = _key(words)
    if key is None and _BIN.fullmatch(words):
        section.bins.append(_Note(value.strip(), line, words))
    elif key is None:
        section.unknown.append((line, whole))
    elif key in section.notes:
        raise bad_input(what, f"line {line}, {words}", f"This was already said on line {section.notes[key].line}.", "Keep one of the two.")
    elif value.strip() or key == "null":
        section.notes[key] = _Note(value.strip(), line, words)


def _with_common(section: _Section, common: _Section) -> _Section:
    section.notes = {**common.notes, **section.notes}
    own = {note.words for note in section.bins}
    section.bins = [*(note for note in common.bins if note.words not in own), *section.bins]
    return section


def _found(section: _Section, what: str, stated: Stated) -> Found:
    wafer = section.value("wafer")
    name = f"{what}, wafer {wafer}" if wafer else what
    null = _null(section, name)
    drawn, rows = _grid(section, name, null if null is not None else stated.null, stated)
    return Found(
        what=name,
        format="text grid",
        where=rows[0].where,
        drawn=drawn,
        wafer=wafer,
        lot=section.value("lot"),
        product=section.value("product"),
        told=Told("the lines before the grid", section.value("origin"), section.value("axis"), section.value("orientation")),
        null=null,
        definitions=tuple(_definition(note, name) for note in section.bins),
        passing=tuple(re.findall(r"[^\s,;]+", section.value("passing bins") or "")),
        sizes=_sizes(section, name),
        totals=_totals(section, name),
    )


def _sizes(section: _Section, what: str) -> tuple[Size, ...]:
    rows = ((None, _number(section, "rows", what), section.where("rows")),) if "rows" in section.notes else ()
    columns = ((_number(section, "columns", what), None, section.where("columns")),) if "columns" in section.notes else ()
    return (*rows, *columns)


def _totals(section: _Section, what: str) -> tuple[tuple[str, int, str], ...]:
    kinds = [kind for kind in ("gross", "passing", "failing") if kind in section.notes]
    return tuple((kind, _number(section, kind, what) or 0, section.where(kind)) for kind in kinds)


def _null(section: _Section, what: str) -> str | None:
    value = section.value("null")
    if value is None:
        return None
    if len(value) >= 3 and value[0] == value[-1] and value[0] in "'\"":
        return value[1:-1]
    if value.lower() == "space":
        return " "
    if not value:
        why = "The null code is empty."
        raise bad_input(what, section.where("null"), why, "Write space for a space; leave the line out if every position is a die.")
    return value


def _number(section: _Section, key: str, what: str) -> int | None:
    value = section.value(key)
    if value is None:
        return None
    if not re.fullmatch(r"\d{1,9}", value, re.ASCII):
        raise bad_input(what, section.where(key), f"{value!r} is not a whole number.", "Expected a number.")
    return int(value)


def _definition(note: _Note, what: str) -> Definition:
    """`bin 01: pass, 8 picked dies`: quality and number may each be left out, the rest is a description."""
    code = _BIN.fullmatch(note.words)
    quality = re.search(r"\b(pass|fail|good|bad)\b", note.value, re.IGNORECASE)
    count = re.search(r"(?<![\w.-])\d{1,9}(?![\w.])", note.value, re.ASCII)
    assert code is not None
    return Definition(code[1], f"line {note.line}, {note.words}", quality and quality[1], note.value, int(count[0]) if count else None)


def _grid(section: _Section, what: str, null: str | None, stated: Stated) -> tuple[Drawn, list[_Line]]:
    if null is None:
        first = next((row.where for row in section.rows if row.text.strip()), "the grid")
        why = "The file does not say which code means that there is no die."
        raise bad_input(
            what,
            first,
            why,
            "State the null code, or an empty one if every position is a die; or add a line null: ... before the grid.",
        )
    if null == " ":
        rows = _spaced_rows(section, what, stated)
        _refuse_table(rows, what, null)
        drawn = read_rows(what, _as_rows(rows), 1)
    else:
        rows = [_Line(row.text.strip(), row.line) for row in _block(section, what)]
        _refuse_table(rows, what, null)
        spaced = any(" " in row.text or "\t" in row.text for row in rows)
        likely = [null, *_codes_named(section)]
        drawn = read_separated_rows(what, _as_rows(rows)) if spaced else read_rows(what, _as_rows(rows), max(len(null), 1), likely=likely)
    _refuse_headings(section, rows, drawn, what, stated)
    _refuse_note_like_rows(section, rows, what)
    return drawn, rows


def _refuse_table(rows: list[_Line], what: str, null: str) -> None:
    """Tables and notes are made of these marks; taken for codes, each of them would be a die."""
    for row in rows:
        if mark := next((mark for mark in ",;:" if mark in row.text and mark not in null), None):
            why = f"This row has {mark!r}: it looks like a table or a note and not like a grid of codes."
            raise bad_input(what, row.where, why, "Put a header x, y, bin over a table; in a grid write spaces between the codes, or nothing.")


def _codes_named(section: _Section) -> list[str]:
    defined = [code[1] for note in section.bins if (code := _BIN.fullmatch(note.words))]
    return [*defined, *re.findall(r"[^\s,;]+", section.value("passing bins") or "")]


def _as_rows(lines: list[_Line]) -> Rows:
    return Rows([each.text for each in lines], lambda n: lines[n].where)


def _block(section: _Section, what: str) -> list[_Line]:
    """The rows without blank lines around them; none may be within."""
    filled = [n for n, row in enumerate(section.rows) if row.text.strip()]
    if not filled:
        raise bad_input(
            what,
            f"line {section.rows[-1].line if section.rows else 1}",
            "There is no grid.",
            "Expected a line of codes a row of dies.",
        )
    block = section.rows[filled[0] : filled[-1] + 1]
    blank = next((row for row in block if not row.text.strip()), None)
    if blank is not None:
        raise bad_input(what, f"line {blank.line}", "There is a blank line within the grid.", "Write the null code where there is no die.")
    _refuse_controls(block, what)
    return block


def _refuse_controls(rows: list[_Line], what: str) -> None:
    for row in rows:
        if not row.text.replace("\t", " ").isprintable():
            raise bad_input(what, row.where, "This row has control characters.", "Expected codes only: is this a text file?")


def _spaced_rows(section: _Section, what: str, stated: Stated) -> list[_Line]:
    """Rows where a space means no die: which blank lines and cut ends belong to the grid must be certain."""
    if not _has_grid(section):
        return _block(section, what)
    filled = [n for n, row in enumerate(section.rows) if row.text]
    block = section.rows[filled[0] : filled[-1] + 1]
    _refuse_controls(block, what)
    tab = next((row for row in block if "\t" in row.text), None)
    if tab is not None:
        raise bad_input(what, tab.where, "This row has a tab, and a space means no die.", "Write spaces instead of tabs.")
    length = _length(section, block, what, stated)
    loose = next((row for row in (block[0], block[-1]) if not row.text.strip() and len(row.text) != length), None)
    known = "rows" in section.notes or stated.rows is not None
    if loose is not None or (not known and _blank_touches(section, filled)):
        why = "A space means no die, so the blank lines around the grid may be rows of it."
        raise bad_input(what, (loose or block[0]).where, why, "Remove them, or state the number of rows, or add a line rows: ...")
    return [_Line(row.text.ljust(length), row.line) for row in block]


def _length(section: _Section, block: list[_Line], what: str, stated: Stated) -> int:
    columns = _number(section, "columns", what) or stated.columns
    length = columns or max(len(row.text) for row in block)
    uneven = next((row for row in block if len(row.text) != length), None)
    if uneven is not None and columns is None:
        why = "A space means no die, and the rows differ in length: spaces at the end were cut off."
        raise bad_input(what, uneven.where, why, "State the number of columns, or add a line columns: ...")
    return length


def _blank_touches(section: _Section, filled: list[int]) -> bool:
    """Empty lines beside the grid; the newline that ends a file is none."""
    return filled[0] > 0 or len(section.rows) - 1 - filled[-1] > 1


def _refuse_headings(section: _Section, rows: list[_Line], drawn: Drawn, what: str, stated: Stated) -> None:
    """A first or last row with codes that no row within has is more likely a heading or a rule than dies."""
    if len(rows) < 4 or "rows" in section.notes or stated.rows is not None:
        return
    within = set(np.unique(drawn.keys[1:-1]).tolist())
    for row, codes in ((rows[0], drawn.keys[0]), (rows[-1], drawn.keys[-1])):
        if not within & set(codes.tolist()):
            why = "This line has only codes that no other row has: is it a heading?"
            raise bad_input(what, row.where, why, "Remove it, or state the number of rows.")


def _refuse_note_like_rows(section: _Section, rows: list[_Line], what: str) -> None:
    """A line `key: value` with an unknown key that is as long as the rows and touches them may be a row."""
    for line, whole in section.unknown:
        if line in (rows[0].line - 1, rows[-1].line + 1) and len(whole.strip()) == len(rows[0].text):
            raise _row_or_note(what, line)


def _row_or_note(what: str, line: int) -> BadInput:
    return bad_input(what, f"line {line}", "This line may be a row of the grid or a note.", "Put a blank line between notes and grid.")
