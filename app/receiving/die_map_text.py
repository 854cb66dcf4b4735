"""Reads die maps from a plain text grid: a line for every row of dies, from the top; around it lines `key: value` (`map_notes.py`).

A row may also stand behind the key `RowData`. `wafer` after a grid begins the next wafer; what stands before the first `wafer` holds for
all. Codes are one character each, or as long as the null code, or stand apart by spaces.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.errors import BadInput, Reason, bad_input
from app.receiving.die_map import DieMap, Stated
from app.receiving.frame_notes import open_notes
from app.receiving.map_check import Found, Size, check_map, open_bins
from app.receiving.map_codes import Drawn, Rows, fill_up, read_rows, read_separated_rows
from app.receiving.map_frame import Told, open_frame
from app.receiving.map_notes import Notes, key_of

_NOTE = re.compile(r"\s*([A-Za-z][A-Za-z0-9 _./()#%-]+?)\s*[:=](.*)")
_RULES = ({"-"}, {"="}, {"_"}, {"*"}, {"+"}, {"-", "+"}, {"~"})
_TO_TELL = 3  # rows or columns
_ROW = "rowdata"  # the key of a row, where each has one


@dataclass(frozen=True)
class _Line:
    text: str
    line: int

    @property
    def where(self) -> str:
        return f"line {self.line}"


@dataclass
class _Section(Notes):
    """One wafer's part of the file, while it is being gathered."""

    rows: list[_Line] = field(default_factory=list)
    closed: bool = False  # a note came after the grid


def read_text_maps(text: str, what: str, stated: Stated) -> list[DieMap]:
    """A map for every grid in the text."""
    sections = _sections(text.split("\n"), what)
    return [check_map(_found(section, what, stated), stated) for section in sections]


def _sections(lines: list[str], what: str) -> list[_Section]:
    common, sections = _Section(), [_Section()]
    for number, line in enumerate(lines, start=1):
        note = _NOTE.fullmatch(line)
        section = sections[-1]
        if note and note[1].lower() == _ROW:
            section.rows.append(_Line(note[2], number))
            continue
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
        if key_of(note[1]) == "wafer":
            if "wafer" in section.notes or _has_grid(section):
                sections.append(section := _Section())
            else:
                common = _Section(dict(section.notes), list(section.bins))
        section.keep(note[1].strip(), note[2], number, line, what)
        section.closed = _has_grid(section)
    return [_with_common(section, common) for section in sections]


def _has_grid(section: _Section) -> bool:
    return any(row.text.strip() for row in section.rows)


def _with_common(section: _Section, common: _Section) -> _Section:
    section.notes = {**common.notes, **section.notes}
    own = {note.words for note in section.bins}
    section.bins = [*(note for note in common.bins if note.words not in own), *section.bins]
    return section


def _found(section: _Section, what: str, stated: Stated) -> Found:
    wafer = section.value("wafer")
    name = f"{what}, wafer {wafer}" if wafer else what
    null = section.null(name)
    told = Told("the lines before the grid", section.value("origin"), section.value("axis"), section.value("orientation"))
    notch = [*_open_notch(section, stated), *_open_notes(section, stated)]
    if null is None and stated.null is None:
        raise _open(section, name, told, stated, notch)
    if notch:
        raise BadInput(name, *notch, *open_frame(told, stated))
    drawn, rows = _grid(section, name, null if null is not None else stated.null or "", stated)
    return Found(
        what=name,
        format="text grid",
        where=rows[0].where,
        drawn=drawn,
        wafer=wafer,
        lot=section.value("lot"),
        product=section.value("product"),
        told=told,
        null=null,
        definitions=section.definitions(),
        passing=section.passing_bins(),
        sizes=_sizes(section, name),
        totals=section.totals(name),
    )


def _open_notch(section: _Section, stated: Stated) -> list[Reason]:
    """Some count FNLOC from the bottom, some from the top."""
    said = section.value("fnloc")
    if said is None or "orientation" in section.notes or stated.orientation is not None:
        return []
    now = "State the orientation: where the notch is as the grid is drawn."
    return [Reason("bad_input", f"It says {said!r}, and not whether that counts from the bottom or from the top.", now, section.where("fnloc"))]


def _open_notes(section: _Section, stated: Stated) -> Iterator[Reason]:
    notes = [(line, note[1], note[2]) for line, whole in section.unknown if (note := _NOTE.fullmatch(whole))]
    is_turned = "orientation" in section.notes or stated.orientation is not None
    return open_notes(notes, is_turned, "axis" in section.notes or stated.axis is not None)


def _sizes(section: _Section, what: str) -> tuple[Size, ...]:
    rows = ((None, section.number("rows", what), section.where("rows")),) if "rows" in section.notes else ()
    columns = ((section.number("columns", what), None, section.where("columns")),) if "columns" in section.notes else ()
    return (*rows, *columns)


def _open(section: _Section, what: str, told: Told, stated: Stated, notch: list[Reason]) -> BadInput:
    """Without its null code no grid is read; whoever is asked for it is asked for all else that the file leaves open, too."""
    _refuse_table([row for row in section.rows if row.text.strip()], what, "")
    first = next((row.where for row in section.rows if row.text.strip()), "the grid")
    now = "State the null code, or none if every position is a die; or add a line null: ... before the grid."
    found = [Reason("bad_input", "The file does not say which code means that there is no die.", now, first)]
    if not (section.passing_bins() or stated.passing or any(entry.quality for entry in section.definitions())):
        found.append(open_bins(first, "The file does not say which bins pass."))
    return BadInput(what, *found, *notch, *open_frame(told, stated))


def _grid(section: _Section, what: str, null: str, stated: Stated) -> tuple[Drawn, list[_Line]]:
    if null == " ":
        rows = _spaced_rows(section, what, stated)
        _refuse_table(rows, what, null)
        drawn = read_rows(what, _as_rows(rows), 1)
    else:
        block = _block(section, what)
        rows = [_Line(row.text.strip(), row.line) for row in block]
        _refuse_table(rows, what, null)
        spaced = any(" " in row.text or "\t" in row.text for row in rows)
        likely = [null, *section.codes_named()]
        drawn = read_separated_rows(what, _as_rows(rows)) if spaced else read_rows(what, _as_rows(rows), max(len(null), 1), likely=likely)
        _refuse_gaps(block, what)
    _refuse_headings(section, rows, drawn, what, stated)
    _refuse_note_like_rows(section, rows, what)
    return drawn, rows


def _refuse_table(rows: list[_Line], what: str, null: str) -> None:
    """Tables and notes are made of these marks; taken for codes, each of them would be a die."""
    for row in rows:
        if mark := next((mark for mark in ",;:" if mark in row.text and mark not in null), None):
            why = f"This row has {mark!r}: it looks like a table or a note and not like a grid of codes."
            raise bad_input(what, row.where, why, "Put a header x, y, bin over a table; in a grid write spaces between the codes, or nothing.")


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
            "Expected one line of codes for each row of dies.",
        )
    block = section.rows[filled[0] : filled[-1] + 1]
    blank = next((row for row in block if not row.text.strip()), None)
    if blank is not None:
        raise bad_input(what, f"line {blank.line}", "There is a blank line within the grid.", "Write the null code where there is no die.")
    _refuse_controls(block, what)
    return block


def _refuse_gaps(rows: list[_Line], what: str) -> None:
    """A blank where no die is moves the codes behind it to other columns, though each row may have as many codes as the others."""
    texts = [row.text.rstrip() for row in rows]
    least = min(len(text) - len(text.lstrip()) for text in texts)
    texts = [text[least:] for text in texts]
    if not any(text[0].isspace() or "  " in text or "\t" in text for text in texts):
        return
    if any("\t" in text for text in texts):
        gaps = ["" in text.split("\t") for text in texts]
    else:
        codes = [[found.span() for found in re.finditer(r"\S+", text)] for text in texts]
        if len({tuple(start for start, _ in row) for row in codes}) == 1 or len({tuple(end for _, end in row) for row in codes}) == 1:
            return
        room = max(end - start for row in codes for start, end in row) + 1 if len(codes[0]) > 1 else 0
        ends = [[0, *(end for _, end in row)] for row in codes]
        gaps = [any(start - end > room for end, (start, _) in zip(before, row, strict=False)) for before, row in zip(ends, codes, strict=True)]
    odd = next((n for n, has_gap in enumerate(gaps) if has_gap), None)
    if odd is not None:
        why = "It has a blank where a code of another row stands: the codes behind it may belong further to the right."
        raise bad_input(what, rows[odd].where, why, "Write the null code where there is no die, in every row.")


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
    return [_Line(text, row.line) for text, row in zip(fill_up(what, _as_rows(block), length), block, strict=True)]


def _length(section: _Section, block: list[_Line], what: str, stated: Stated) -> int:
    columns = section.number("columns", what) or stated.columns
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
    """A first or last row with codes that no row within has is more likely a heading or a rule than dies; what counts on is numbering."""
    _refuse_numbering(section, rows, what, stated)
    _refuse_rules(rows, drawn, what)
    _refuse_sums(section, rows, drawn, what, stated)
    if len(rows) < 4 or "rows" in section.notes or stated.rows is not None:
        return
    within = set(np.unique(drawn.keys[1:-1]).tolist())
    for row, codes in ((rows[0], drawn.keys[0]), (rows[-1], drawn.keys[-1])):
        if not within & set(codes.tolist()):
            why = "This line has only codes that no other row has: is it a heading?"
            raise bad_input(what, row.where, why, "Remove it, or state the number of rows.")


def _refuse_numbering(section: _Section, rows: list[_Line], what: str, stated: Stated) -> None:
    """Numbers of columns above or below the grid, and of rows beside it: taken for codes, each of them would be a die."""
    codes = [row.text.split() for row in rows]
    spaced = len(codes[0]) > 1
    if "rows" not in section.notes and stated.rows is None:
        for row, text in ((row, row.text.split() if spaced else list(row.text)) for row in (rows[0], rows[-1])):
            if _counts_on(text):
                why = "This line counts on: it seems to number the columns."
                raise bad_input(what, row.where, why, "Remove it, or state the number of rows.")
    if "columns" not in section.notes and stated.columns is None and spaced:
        for place in (0, -1):
            if _counts_on([each[place] for each in codes]):
                why = "The codes in this column count on: they seem to number the rows."
                raise bad_input(what, f"{rows[0].where}, column {place % len(codes[0]) + 1}", why, "Remove them, or state the number of columns.")


def _refuse_rules(rows: list[_Line], drawn: Drawn, what: str) -> None:
    """A line of dashes parts the grid from something else."""
    for n, row in enumerate(rows):
        marks = set(row.text) - {" ", "\t"}
        if marks in _RULES and not (np.delete(drawn.keys, n, axis=0) == drawn.keys[n, 0]).any():
            why = f"This line has nothing but {row.text.strip()[0]!r}, and no other line has it: it parts the grid from what is none."
            raise bad_input(what, row.where, why, "Remove it, and what it parts from the grid.")


def _refuse_sums(section: _Section, rows: list[_Line], drawn: Drawn, what: str, stated: Stated) -> None:
    """How many dies a row or column has, beside or below it: taken for a code, each sum would be a die."""
    codes = dict(zip(drawn.values, drawn.codes, strict=True))
    null = section.null(what) or stated.null
    dies = ~np.isin(drawn.keys, [key for key, code in codes.items() if code == null])
    last = [codes[key] for key in drawn.keys[:, -1].tolist()]
    if "columns" not in section.notes and stated.columns is None and _are_sums(dies[:, :-1], last):
        why = "The codes in the last column say how many dies each row has: they seem to be sums."
        raise bad_input(what, f"{rows[0].where}, column {dies.shape[1]}", why, "Remove them, or state the number of columns.")
    last = [codes[key] for key in drawn.keys[-1].tolist()]
    if "rows" not in section.notes and stated.rows is None and _are_sums(dies[:-1].T, last):
        why = "The codes in this line say how many dies each column has: they seem to be sums."
        raise bad_input(what, rows[-1].where, why, "Remove it, or state the number of rows.")


def _are_sums(dies: NDArray[np.bool_], texts: list[str]) -> bool:
    """Sums that are all the same may as well be codes."""
    if len(texts) < _TO_TELL or len(set(texts)) == 1 or not all(text.isascii() and text.isdigit() for text in texts):
        return False
    return bool((dies.sum(axis=1) == [int(text[:9]) for text in texts]).all())


def _counts_on(texts: list[str]) -> bool:
    """1 2 3, 01 02 03, also downward; of single figures 8 9 0 1."""
    if len(texts) < 3 or not all(text.isascii() and text.isdigit() for text in texts):
        return False
    steps = {int(after) - int(before) for before, after in pairwise(texts)}
    if all(len(text) == 1 for text in texts):
        steps = {step % 10 for step in steps}
        return steps in ({1}, {9})
    return steps in ({1}, {-1})


def _refuse_note_like_rows(section: _Section, rows: list[_Line], what: str) -> None:
    """A line `key: value` with an unknown key that is as long as the rows and touches them may be a row."""
    for line, whole in section.unknown:
        if line in (rows[0].line - 1, rows[-1].line + 1) and len(whole.strip()) == len(rows[0].text):
            raise _row_or_note(what, line)


def _row_or_note(what: str, line: int) -> BadInput:
    return bad_input(what, f"line {line}", "This line may be a row of the grid or a note.", "Put a blank line between notes and grid.")
