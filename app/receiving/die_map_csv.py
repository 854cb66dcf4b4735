"""Reads die maps from CSV: a header with x, y and die bin (wafer, lot, product, quality where there are), then a die a line.

Coordinates are taken as the file has them. Comma, semicolon, tab or |. Lines `key: value` before the header count (`map_notes.py`), but for those
of a frame. Further columns of numbers (a wavelength, an intensity) are kept as values of the dies, under their title in small letters without spaces.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.errors import bad_input, few
from app.receiving.delimited import (
    CUT_SHORT,
    LONGEST_NAME,
    Fields,
    Header,
    column,
    find_header,
    is_by_a_spreadsheet,
    may_be_cut,
    refuse_lines_before_header,
    split_fields,
)  # fmt: skip
from app.receiving.die_map import FARTHEST, DieMap, Stated
from app.receiving.map_check import Definition, Found, check_map
from app.receiving.map_codes import MOST_CHARACTERS, MOST_CODES, MOST_POSITIONS, of_numbers
from app.receiving.map_notes import Notes

X = ("x", "diex", "xcoord", "diexcoord")
Y = ("y", "diey", "ycoord", "dieycoord")
BIN = ("diebin", "bin", "bincode", "diebincode")
TESTED_BIN = ("hardbin", "hbin", "hb", "softbin", "sbin", "sb")  # where there is no other: of a hard and a soft one it is asked which is meant
WAFER = ("wafer", "waferid", "substrateid")
LOT = ("lot", "lotid", "waferlot")
PRODUCT = ("product", "productid", "part")
QUALITY = ("quality", "binquality", "passfail", "pass/fail", "passorfail", "p/f", "pf", "passed")
_KNOWN = {*X, *Y, *BIN, *WAFER, *LOT, *PRODUCT, *QUALITY}
_MOST_VALUES = 12
_MANY, _HARDLY_ANY = 10_000, 100  # positions from where on it tells, and one die in so many of them
_A_SQUARE = 4  # rows and columns from where on corners say something
_NOTE = re.compile(r"\s*([^\W\d][^:=,;|\t]*?)\s*[:=,;|\t](.*)")
_FAILS, _PASSES = {"fail", "failed", "f", "ng", "nok", "bad", "reject", "rejected"}, {"pass", "passed", "p", "ok", "good", "accept", "accepted"}
_YES, _NO = {"1", "y", "yes", "true"}, {"0", "n", "no", "false"}
_IS_GOOD = {"pass", "good", "ok", "accept", "accepted", "isgood", "ispass", "gooddie"}  # titles that yes and no, or 1 and 0, answer
_IS_BAD = {"fail", "failed", "bad", "reject", "rejected", "ink", "inked", "isbad", "baddie"}


@dataclass(frozen=True)
class _Dies:
    x: NDArray[np.int64]
    y: NDArray[np.int64]
    code: NDArray[np.int64]
    codes: list[str]
    line: NDArray[np.int64]


def find_map_header(text: str) -> tuple[int, Header] | None:
    """The line (from 1) of the header, if this text has one with x, y and a bin."""
    return find_header(text, X, Y, (*BIN, *TESTED_BIN))


def read_csv_maps(data: bytes, what: str, stated: Stated, header_line: int, header: Header) -> list[DieMap]:
    """A map for every wafer named in the file. `data` is UTF-8 with newlines."""
    refuse_lines_before_header(data.decode(), header_line, what)
    body = b"".join(data.split(b"\n", header_line)[header_line:])
    if may_be_cut(body, header.delimiter):
        raise bad_input(what, f"line {header_line + 1 + body.count(10)}", *CUT_SHORT)
    fields = split_fields(body if body.endswith(b"\n") or not body else body + b"\n", header, header_line + 1)
    for number, why in fields.bad[:1]:
        raise bad_input(what, f"line {number}", why, "Expected one die per line, with a field for each column of the header.")
    if not len(fields.line):
        raise bad_input(what, f"line {header_line}", "There are no dies after the header.", "Expected one die per line.")
    dies = _dies(fields, header, what, header_line)
    values = _values(fields, header, what)
    notes = _notes(data.decode(), header_line, what)
    wafers = _wafers(fields, column(header, what, header_line, *WAFER), notes, what)
    found = [(_found(fields, header, what, header_line, dies, wafer, rows, notes), rows) for wafer, rows in wafers]
    for one, _ in found:
        _refuse_square_wafer(one, stated)
        _refuse_lengths(one)
    if len(found) == 1:
        found = [(replace(one, totals=notes.totals(what)), rows) for one, rows in found]
    maps = [(_valued(check_map(one, stated), dies, values, rows, what), rows) for one, rows in found]
    _refuse_failed_otherwise(fields, header, dies, _passing(dies, maps), what)
    return [one for one, _ in maps]


def _notes(text: str, header_line: int, what: str) -> Notes:
    notes = Notes()
    for number, line in enumerate(text.split("\n", header_line)[: header_line - 1], start=1):
        if not line.startswith("#") and (note := _NOTE.fullmatch(line)):
            notes.keep(note[1], note[2].strip(" ,;\t"), number, line, what)
    return notes


def _values(fields: Fields, header: Header, what: str) -> dict[str, NDArray[np.float64]]:
    """The further columns that have numbers throughout, some of them at least, by name; a name that appears twice is passed over."""
    found: dict[str, NDArray[np.float64]] = {}
    for place, name in enumerate(header.names):
        if not name or name in _KNOWN or header.names.count(name) > 1 or len(found) == _MOST_VALUES:
            continue
        numbers = fields.numbers(place)
        if numbers is None and header.delimiter != ",":
            numbers = fields.numbers(place, comma=True)
        if numbers is not None and np.isfinite(numbers).any() and not np.isinf(numbers).any():
            if header.delimiter != "," and (row := fields.thousands_or_not(place)) is not None:
                why = f"In {fields.text(row, place)!r} the mark may be a decimal mark or separate thousands: other lines have none."
                raise bad_input(what, f"line {fields.line[row]}, column {name}", why, "Export it without separators of thousands.")
            found[name[:LONGEST_NAME]] = numbers
    return found


def _valued(die_map: DieMap, dies: _Dies, values: dict[str, NDArray[np.float64]], rows: NDArray[np.bool_], what: str) -> DieMap:
    """The map with the values of its dies. A die that appears twice must have the same."""
    if not values:
        return die_map
    place = die_map.index_of(dies.x[rows], dies.y[rows])[::-1]
    found = {}
    for name, numbers in values.items():
        of_dies = np.full(die_map.positions, np.nan, dtype=np.float32)
        given = numbers[rows][::-1].astype(np.float32)
        of_dies[place[place >= 0]] = given[place >= 0]
        kept = of_dies[place]
        other = (place >= 0) & (kept != given) & ~(np.isnan(kept) & np.isnan(given))
        if other.any():
            n = int(np.flatnonzero(rows)[::-1][np.argmax(other)])
            why = f"The die x {dies.x[n]}, y {dies.y[n]} appears twice with different values of {name}."
            raise bad_input(what, f"line {dies.line[n]}, column {name}", why, "Keep the line that counts.")
        found[name] = of_dies
    return replace(die_map, values=found)


def _dies(fields: Fields, header: Header, what: str, header_line: int) -> _Dies:
    numbers = []
    for names in (X, Y):
        place = column(header, what, header_line, *names)
        assert place is not None  # find_header saw it
        values, good = fields.integers(place)
        good &= np.abs(values) <= FARTHEST
        _refuse_first(fields, place, good, what, names[0], f"a whole number from -{FARTHEST} to {FARTHEST}")
        numbers.append(values)
    place = column(header, what, header_line, *BIN)
    place = column(header, what, header_line, *TESTED_BIN) if place is None else place
    assert place is not None
    code, codes, good = _codes(fields, place)
    _refuse_first(fields, place, good, what, "die bin", f"a bin code of 1 to {MOST_CHARACTERS} characters")
    _refuse_spreadsheet(fields, code, codes, what, "die bin")
    if len(codes) > MOST_CODES:
        why = f"It has {len(codes)} different codes; a map has at most {MOST_CODES}."
        raise bad_input(what, f"line {header_line}, column die bin", why, "Check that this is the column of die bins.")
    return _Dies(numbers[0], numbers[1], code, codes, fields.line)


def _codes(fields: Fields, place: int) -> tuple[NDArray[np.int64], list[str], NDArray[np.bool_]]:
    code, codes, good = fields.names(place)
    usable = np.array([0 < len(text) <= MOST_CHARACTERS for text in codes], dtype=bool)
    return code, codes, good & usable[code]


def _refuse_first(fields: Fields, place: int, good: NDArray[np.bool_], what: str, name: str, expected: str) -> None:
    if not good.all():
        row = int(np.argmin(good))
        why = f"{fields.text(row, place)[:40]!r} is not {expected}."
        now = "Correct this line, or remove it if it is of no die: headings come once, and sums stand above the table."
        raise bad_input(what, f"line {fields.line[row]}, column {name}", why, now)


def _refuse_spreadsheet(fields: Fields, number: NDArray[np.int64], texts: list[str], what: str, name: str) -> None:
    spoilt = next((n for n, text in enumerate(texts) if is_by_a_spreadsheet(text)), None)
    if spoilt is not None:
        line = int(fields.line[np.argmax(number == spoilt)])
        why = f"{texts[spoilt]!r} is what a spreadsheet makes of a longer number or of another code: which, it no longer says."
        raise bad_input(what, f"line {line}, column {name}", why, "Send the file as the machine wrote it, not saved from a spreadsheet.")


def _wafers(fields: Fields, place: int | None, notes: Notes, what: str) -> list[tuple[str | None, NDArray[np.bool_]]]:
    """Each wafer with its lines; one group of all lines where there is no such column."""
    noted = notes.value("wafer")
    if place is None:
        return [(noted, np.ones(len(fields.line), dtype=bool))]
    number, texts, good = fields.names(place)
    _refuse_first(fields, place, good, what, "wafer", "the name of a wafer")
    _refuse_spreadsheet(fields, number, texts, what, "wafer")
    _refuse_comment(fields, number, texts, what)
    named = [text for text in texts if text]
    if named and len(named) < len(texts):
        row = int(np.flatnonzero(number == texts.index(""))[0])
        why = "It names no wafer, and other lines do."
        raise bad_input(what, f"line {fields.line[row]}, column wafer", why, "Write the wafer on every line.")
    if noted and named and named != [noted]:
        why = f"The file is said to be of wafer {noted!r}, and its column says {few(named)}."
        raise bad_input(what, notes.where("wafer"), why, "Keep what is right.")
    return [(text or noted, number == n) for n, text in enumerate(texts)]


def _refuse_comment(fields: Fields, number: NDArray[np.int64], texts: list[str], what: str) -> None:
    """A die behind a # among others without: of a wafer #7, or of none because it was taken out?"""
    marked = [text.startswith("#") for text in texts]
    if any(marked) and not all(marked):
        row = int(np.argmax(np.array(marked)[number]))
        why = "It begins with #, and others do not: is it a comment?"
        raise bad_input(what, f"line {fields.line[row]}, column wafer", why, "Remove the line, or the mark.")


def _passing(dies: _Dies, maps: Sequence[tuple[DieMap, NDArray[np.bool_]]]) -> NDArray[np.bool_]:
    """The lines of dies that pass by their bins, of all wafers; each map with its lines."""
    passes = np.zeros(len(dies.line), dtype=bool)
    for die_map, rows in maps:
        codes = {entry.code for entry in die_map.table[1:] if entry.quality == "pass"}
        passes |= rows & np.array([code in codes for code in dies.codes], dtype=bool)[dies.code]
    return passes


def _refuse_failed_otherwise(fields: Fields, header: Header, dies: _Dies, passes: NDArray[np.bool_], what: str) -> None:
    """A column that is not read, of an inspection say, may fail dies whose bin passes. That it passes others makes their bins no better.

    Its first line tells most others from such a column, before hundreds of thousands of wavelengths are looked at as words.
    """
    for place, name in enumerate(header.names):
        bad, good = _words_of(name)
        if name in _KNOWN or fields.text(0, place).lower() not in {"", *bad, *good}:
            continue
        number, texts, _ = fields.names(place)
        words = {text.lower() for text in texts} - {""}
        is_told = bool(words & good) or name in _IS_GOOD or name in _IS_BAD  # under other titles F alone, or 0, may mean something else
        if not words & bad or not is_told or words - bad - good:
            continue
        fails = passes & np.array([text.lower() in bad for text in texts], dtype=bool)[number]
        if fails.any():
            row = int(np.argmax(fails))
            why = f"It says {texts[number[row]]!r}, and bin {dies.codes[dies.code[row]]!r} of this die passes."
            now = "State the bins that pass; give what fails here a bin of its own; or leave the column out, if it counts for nothing."
            raise bad_input(what, f"line {fields.line[row]}, column {name}", why, now)


def _words_of(title: str) -> tuple[set[str], set[str]]:
    """What says under this title that a die is bad, and what that it is good."""
    if title in _IS_GOOD:
        return _FAILS | _NO, _PASSES | _YES
    return (_FAILS | _YES, _PASSES | _NO) if title in _IS_BAD else (_FAILS, _PASSES)


def _found(
    fields: Fields, header: Header, what: str, header_line: int, dies: _Dies, wafer: str | None, rows: NDArray[np.bool_], notes: Notes
) -> Found:  # fmt: skip
    name = f"{what}, wafer {wafer}" if wafer else what
    part = _Dies(dies.x[rows], dies.y[rows], dies.code[rows], dies.codes, dies.line[rows])
    corner, grid = _grid(part, name)
    present = np.flatnonzero(np.bincount(part.code, minlength=len(dies.codes)))
    return Found(
        what=name, format="CSV", where=f"line {part.line[0]}", told=None, corner=corner, wafer=wafer,
        drawn=of_numbers(grid, ("", *dies.codes)),
        lot=_only(fields, column(header, what, header_line, *LOT), rows, name, "lot") or notes.value("lot"),
        product=_only(fields, column(header, what, header_line, *PRODUCT), rows, name, "product") or notes.value("product"),
        null=notes.null(name), passing=notes.passing_bins(),
        definitions=_qualities(fields, column(header, what, header_line, *QUALITY), rows, part, present, name) or notes.definitions(),
    )  # fmt: skip


def _grid(dies: _Dies, what: str) -> tuple[tuple[int, int], NDArray[np.uint16]]:
    """The grid by rising y and x; 0 where the file has no die. The same die twice must say the same."""
    x_min, y_min = int(dies.x.min()), int(dies.y.min())
    width, height = int(dies.x.max()) - x_min + 1, int(dies.y.max()) - y_min + 1
    if width * height > MOST_POSITIONS:
        why = f"x goes over {width} and y over {height} positions, more than {MOST_POSITIONS} in all."
        raise bad_input(what, f"line {dies.line[np.argmax(np.abs(dies.x) + np.abs(dies.y))]}", why, "Check the coordinates.")
    place = (dies.y - y_min) * width + (dies.x - x_min)
    grid = np.zeros(width * height, dtype=np.uint16)
    grid[place[::-1]] = dies.code[::-1] + 1  # the first line of a die stands
    other = grid[place] != dies.code + 1
    if other.any():
        n = int(np.argmax(other))
        why = f"The die x {dies.x[n]}, y {dies.y[n]} appears twice with different bins."
        raise bad_input(what, f"line {dies.line[n]}", why, "Keep the line that is right.")
    return (x_min, y_min), grid.reshape(height, width)


def _refuse_square_wafer(found: Found, stated: Stated) -> None:
    """Wafers are round: a table that fills a rectangle, with one bin in all its corners that does not pass, lists what is no die as well."""
    keys, codes = found.drawn.keys, dict(zip(found.drawn.values, found.drawn.codes, strict=True))
    corners = {codes[int(keys[y, x])] for y in (0, -1) for x in (0, -1)}
    if found.null is not None or stated.null is not None or min(keys.shape) < _A_SQUARE or "" in codes.values() or len(corners) > 1:
        return
    (corner,) = corners
    if corner not in (found.passing or stated.passing) and not any(entry.code == corner and entry.quality for entry in found.definitions):
        why = f"It has a line for every position of a rectangle, and {corner!r} in all four corners: does that mean that there is no die?"
        now = "State it as the null code, or none if every position is a die."
        raise bad_input(found.what, f"{found.where}, null code", why, now)


def _refuse_lengths(found: Found) -> None:
    """Columns and rows count on from die to die; what leaves nearly every place between its dies free are micrometres, or the like."""
    grid = found.drawn.keys
    there = sum(count for code, count in zip(found.drawn.codes, found.drawn.counts, strict=True) if code)
    if grid.size >= _MANY and there * _HARDLY_ANY < grid.size:
        why = f"Its {there} dies lie among {grid.shape[1]} by {grid.shape[0]} positions: are its x and y lengths?"
        raise bad_input(found.what, f"{found.where}, x and y", why, "Write x and y as numbers of columns and rows of dies.")


def _only(fields: Fields, place: int | None, rows: NDArray[np.bool_], what: str, name: str) -> str | None:
    if place is None:
        return None
    number, texts, good = fields.names(place)
    _refuse_first(fields, place, good, what, name, "a name")
    used = np.unique(number[rows])
    if len(used) > 1:
        row = int(np.flatnonzero(rows & (number != used[0]))[0])
        raise bad_input(what, f"line {fields.line[row]}, column {name}", f"One wafer has several: {texts[used[0]]!r} and others.", "Keep one.")
    return texts[used[0]] or None


def _qualities(
    fields: Fields, place: int | None, rows: NDArray[np.bool_], dies: _Dies, present: NDArray[np.int64], what: str
) -> tuple[Definition, ...]:  # fmt: skip
    """What the quality column says of each bin: it must say the same on every line."""
    if place is None:
        return ()
    number, texts, good = fields.names(place)
    _refuse_first(fields, place, good, what, "quality", "pass or fail")
    number = number[rows]
    said = np.zeros(len(dies.codes), dtype=np.int64)
    said[dies.code] = number
    other = said[dies.code] != number
    if other.any():
        n = int(np.argmax(other))
        why = f"The bin {dies.codes[dies.code[n]]!r} passes on some lines and fails on others."
        raise bad_input(what, f"line {dies.line[n]}, column quality", why, "A bin either passes or fails.")
    first = {int(code): int(dies.line[np.argmax(dies.code == code)]) for code in present}
    return tuple(Definition(dies.codes[c], f"line {first[c]}, column quality", texts[said[c]] or None) for c in first)
