"""Delimited text as spans in a buffer of bytes: columns become arrays without a loop over lines, and every line keeps its number.

Not a general CSV reader: one record a line, a quote never reaches past its own line, so that a stray one can spoil one line only.
"""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.errors import bad_input

DELIMITERS = (",", ";", "\t", "|")
UTF_16 = (b"\xff\xfe", b"\xfe\xff")  # how such a file begins
LONGEST_NAME = 64
_LINES_BEFORE = 50
_LONGEST_NUMBER = 32
_OF_NUMBERS = np.frombuffer(b"\0+-.0123456789eE", dtype=np.uint8)
_OF_NUMBERS_COMMA = np.frombuffer(b"\0+-,0123456789eE", dtype=np.uint8)
_NOTE = re.compile(r"\s*[^\W\d][^:=,;|\t]*[:=,;|\t].*")
TAIL = 1 << 16  # bytes that tell how lines end
_BY_A_SPREADSHEET = re.compile(r"\d(?:[.,]\d+)?E\+\d{2,3}", re.ASCII)
_WITH_MARK = re.compile(r"[-+]?\d*[.,](\d+)", re.ASCII)
CUT_SHORT = ("The last line has no end and may be cut short.", "Send the whole file; if this is all of it, end its last line with a line break.")
_UNIT = "\x1f"  # between fields where quotes were taken off
Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]


@dataclass(frozen=True)
class Header:
    names: tuple[str, ...]  # in small letters, without spaces and underscores
    delimiter: str


@dataclass(frozen=True)
class Fields:
    """Spans [start, end) of every field of the lines that have as many fields as the header."""

    buffer: Bytes
    start: Places  # [line, column]
    end: Places
    line: Places  # number of the line in the file, from 1
    bad: tuple[tuple[int, str], ...]  # lines with another number of fields, and why

    def integers(self, column: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Values, and which of them are whole numbers of at most nine digits."""
        start, end = self._trimmed(column)
        sign = self.buffer[np.minimum(start, len(self.buffer) - 1)]
        signed = (start < end) & ((sign == ord("-")) | (sign == ord("+")))
        first = start + signed
        length = end - first
        good = (length >= 1) & (length <= 9)
        value = np.zeros(len(start), dtype=np.int64)
        for place in range(int(length[good].max(initial=0))):
            here = good & (place < length)
            digit = self.buffer[np.where(here, first + place, 0)].astype(np.int64) - ord("0")
            good &= ~here | ((digit >= 0) & (digit <= 9))
            value = np.where(here, value * 10 + digit, value)
        return np.where(signed & (sign == ord("-")), -value, value), good

    def numbers(self, column: int, comma: bool = False) -> NDArray[np.float64] | None:
        """Values, NaN where the field is empty; None where some field is no plain decimal number. `comma`: it is the decimal mark."""
        letters, good = self.letters(column, _LONGEST_NUMBER)
        if not good.all() or not np.isin(letters, _OF_NUMBERS_COMMA if comma else _OF_NUMBERS).all():
            return None
        if comma:
            letters = np.where(letters == ord(","), ord("."), letters).astype(np.uint8)
        text = np.ascontiguousarray(letters).view(f"S{letters.shape[1]}").ravel()
        try:
            return np.where(text == b"", b"nan", text).astype(np.float64)
        except ValueError:
            return None

    def thousands_or_not(self, column: int) -> int | None:
        """A row whose mark may separate thousands: three figures follow it, as with all that have a mark, and other rows have none."""
        letters, _ = self.letters(column, _LONGEST_NUMBER)
        is_mark, length = (letters == ord(".")) | (letters == ord(",")), (letters != 0).sum(axis=1)
        marked, place = is_mark.any(axis=1), is_mark.argmax(axis=1)
        whole = letters[marked, 0] == ord("0")
        if not marked.any() or not ((length > 0) & ~marked).any() or whole.any() or (length - place != 4)[marked].any():
            return None
        return int(np.argmax(marked))

    def empty(self, column: int) -> NDArray[np.bool_]:
        start, end = self._trimmed(column)
        blank: NDArray[np.bool_] = start == end
        return blank

    def names(self, column: int) -> tuple[NDArray[np.int64], list[str], NDArray[np.bool_]]:
        """A number for each distinct text, the texts, and which are usable: not too long, no control characters."""
        letters, good = self.letters(column, LONGEST_NAME)
        if not len(letters):
            return np.zeros(0, dtype=np.int64), [], good
        changed = np.flatnonzero(np.r_[True, (letters[1:] != letters[:-1]).any(axis=1)])  # names come in long spells
        packed = np.ascontiguousarray(letters[changed]).view(f"S{letters.shape[1]}").ravel()
        found, inverse = np.unique(packed, return_inverse=True)
        texts = [raw.decode() for raw in found.tolist()]
        usable = np.array([text.isprintable() for text in texts])
        spell = np.repeat(np.arange(len(changed)), np.diff(np.r_[changed, len(letters)]))
        number = inverse.reshape(-1)[spell]
        return number.astype(np.int64), texts, good & usable[number]

    def letters(self, column: int, longest: int) -> tuple[Bytes, NDArray[np.bool_]]:
        """The bytes of each field as [line, letter], filled up with zeros; too long ones are cut and not good."""
        start, end = self._trimmed(column)
        length = end - start
        good = length <= longest
        width = max(int(np.minimum(length, longest).max(initial=0)), 1)
        where = start[:, None] + np.arange(width)
        inside = where < end[:, None]
        letters = np.where(inside, self.buffer[np.where(inside, where, 0)], 0).astype(np.uint8)
        if not good.all():
            letters[~good] = 0  # a cut name is no name, and may end inside a character
        return letters, good

    def text(self, row: int, column: int) -> str:
        return self.buffer[self.start[row, column] : self.end[row, column]].tobytes().decode(errors="replace").strip(" ")

    def _trimmed(self, column: int) -> tuple[Places, Places]:
        """Spans without the spaces around."""
        start, end = self.start[:, column].copy(), self.end[:, column].copy()
        for _ in range(LONGEST_NAME):
            spaced = (start < end) & (self.buffer[np.minimum(start, len(self.buffer) - 1)] == ord(" "))
            if not spaced.any():
                break
            start += spaced
        for _ in range(LONGEST_NAME):
            spaced = (start < end) & (self.buffer[end - 1] == ord(" "))
            if not spaced.any():
                break
            end -= spaced
        return start, end


def begins_as_xml(data: bytes) -> bool:
    return re.match(rb"[\s\0\xef\xbb\xbf\xff\xfe]*<", data) is not None  # zero bytes: UTF-16


def as_utf8(data: bytes, what: str, first_line: int = 1) -> bytes:
    """The bytes as UTF-8 with newlines only; refuses what is not text, and says at which line."""
    if data[:2] in UTF_16:
        try:
            data = data.decode("utf-16").encode()
        except UnicodeError:
            raise bad_input(what, "the whole file", "It begins as UTF-16 text, but is not.", "Save it as UTF-8.") from None
    refuse_zeros_at_end(data, what, first_line)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    data = _without_marks(data)
    nul = data.find(b"\0")
    if nul >= 0:
        line = data.count(b"\n", 0, nul) + first_line
        raise bad_input(what, f"line {line}", "This is not text: it has zero bytes.", "Send the map or log itself, as text saved in UTF-8.")
    try:
        data.decode()
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + first_line
        why = f"The byte {data[error.start]:#04x} is not UTF-8."
        raise bad_input(what, f"line {line}", why, "Save the file as UTF-8.") from None
    return data


def _without_marks(data: bytes) -> bytes:
    """Without marks of byte order: each program that saves a file may add one, and others stand where files were put behind each other."""
    data = re.sub(rb"\A(?:\xef\xbb\xbf)+", b"", data)
    return re.sub(rb"\n(?:\xef\xbb\xbf)+", b"\n", data) if b"\n\xef\xbb\xbf" in data else data


def refuse_zeros_at_end(data: bytes, what: str, first_line: int = 1) -> None:
    """A power loss leaves the room that a machine had taken for what it was to write next."""
    if not data.endswith(b"\0\0"):
        return
    text = data.rstrip(b"\0")
    if b"\0" not in text:
        why = f"From here on it has nothing but zero bytes ({len(data) - len(text)}), as after a power loss: what was to stand there is lost."
        now = "Get the file from the machine again; if it has no more, save the lines before this one as text, and send these."
        raise bad_input(what, f"line {text.count(10) + first_line}", why, now)


def may_be_cut(data: bytes, delimiter: str) -> bool:
    """Whether the last line has no end and may be half of one: its last field could be the beginning of a longer one.

    It is whole where it is as long as any in the lines before, with as many figures after the mark, or where a line before has that very field
    and none has one that only begins so. Where lines before end blank, so may the last: few cuts fall right behind a delimiter.
    """
    if not data.strip() or data.endswith(b"\n"):
        return False
    lines = data[-TAIL:].decode(errors="replace").split("\n")
    if len(data) > TAIL:
        lines = lines[1:]  # the first may be half of one
    if len(lines) < 2:  # there is no line to compare it with; one that is longer than all that is looked at is none either
        return True
    last, *before = [line.rpartition(delimiter)[2].strip().strip('"') for line in reversed(lines)]
    if last in before and not (last and any(field != last and field.startswith(last) for field in before)):
        return False
    marked = [len(match[1]) if (match := _WITH_MARK.fullmatch(field)) else 0 for field in (last, *before)]
    return marked[0] < max(marked) or (not marked[0] and len(last) < max(map(len, before)))


def find_header(text: str, *needed: Sequence[str]) -> tuple[int, Header] | None:
    """The line (from 1) of the header near the beginning: it has a column for each of the needed ones, under any of its names."""
    for number, line in enumerate(text.split("\n", _LINES_BEFORE)[:_LINES_BEFORE], start=1):
        header = read_header(line)
        if header and all(set(names) & set(header.names) for names in needed):
            return number, header
    return None


def refuse_lines_before_header(text: str, header_line: int, what: str) -> None:
    """Only blank lines, comments and `key: value` may stand there; anything else may be data."""
    for number, line in enumerate(text.split("\n", header_line)[: header_line - 1], start=1):
        if line.strip() and not line.startswith("#") and not _NOTE.fullmatch(line):
            why = "Before the header only lines of the form key: value may stand."
            raise bad_input(what, f"line {number}", why, "Remove this line.")


def read_header(line: str) -> Header | None:
    """Names of the columns, by the delimiter that occurs most; None where there is none."""
    delimiter = max(DELIMITERS, key=line.count)
    if not line.count(delimiter):
        return None
    fields = _unquote(line, delimiter) or []
    return Header(tuple(plain_name(field) for field in fields), delimiter)


def plain_name(text: str) -> str:
    return re.sub(r"[ _\-]", "", text.strip().strip('"').lower())


def is_by_a_spreadsheet(text: str) -> bool:
    """Whether this is what a spreadsheet makes of a long number or of a code like 12E5: 1.23457E+11. Several things would have it."""
    return _BY_A_SPREADSHEET.fullmatch(text) is not None


def column(header: Header, what: str, line: int, *names: str) -> int | None:
    """The place of the column that has one of these names; two such columns are refused."""
    places = [place for place, name in enumerate(header.names) if name in names]
    if len(places) > 1:
        why = f"Two columns could be {names[0]!r}."
        raise bad_input(what, f"line {line}, column {places[1] + 1}", why, "Keep one of them, or rename the other.")
    return places[0] if places else None


def split_fields(data: bytes, header: Header, first_line: int) -> Fields:
    """Fields of lines of UTF-8 text that end in a newline each. Blank lines, and comments after a #, are passed over, but counted."""
    if b'"' in data:
        data, quoted_bad = _take_off_quotes(data, header, first_line)
        delimiter = _UNIT
    else:
        quoted_bad, delimiter = {}, header.delimiter
    buffer = np.frombuffer(data, dtype=np.uint8)
    line_end = np.flatnonzero(buffer == 10)
    line_start = np.r_[0, line_end[:-1] + 1] if len(line_end) else line_end
    between = np.flatnonzero(buffer == ord(delimiter))
    first = np.searchsorted(between, line_start)
    count = np.searchsorted(between, line_end) - first
    number = np.arange(len(line_end)) + first_line
    right = count == len(header.names) - 1
    others = np.flatnonzero(~right & ~_blank(data, line_start, line_end, ~right))
    bad = [(int(number[n]), quoted_bad.get(int(number[n])) or _miscounted(int(count[n]) + 1, header)) for n in others]
    inner = between[first[right][:, None] + np.arange(len(header.names) - 1)]
    start = np.c_[line_start[right], inner + 1]
    end = np.c_[inner, line_end[right]]
    return Fields(buffer, start, end, number[right], tuple(bad))


def _blank(data: bytes, start: Places, end: Places, asked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    blank = np.zeros(len(start), dtype=bool)
    for n in np.flatnonzero(asked):
        line = data[start[n] : end[n]].strip()
        blank[n] = not line or line.startswith(b"#")
    return blank


def _miscounted(fields: int, header: Header) -> str:
    return f"It has {fields} fields; the header has {len(header.names)}."


def _take_off_quotes(data: bytes, header: Header, first_line: int) -> tuple[bytes, dict[int, str]]:
    """The same lines with the unit separator between fields, and the lines whose quotes do not pair."""
    lines, bad = [], {}
    for n, line in enumerate(data.decode().split("\n")[:-1], start=first_line):
        fields = _unquote(line, header.delimiter) if _UNIT not in line else None
        if fields is None:
            bad[n] = "Its quotes do not pair."
        lines.append("?" if fields is None else _UNIT.join(fields))
    return ("\n".join(lines) + "\n").encode(), bad


def _unquote(line: str, delimiter: str) -> list[str] | None:
    """None, too, where a line ends within its quotes."""
    fields = fields_of_line(line, delimiter)
    return None if fields and '"' in line and any(re.search(r"[\n\r]", field) for field in fields) else fields


def fields_of_line(line: str, delimiter: str) -> list[str] | None:
    """None where its quotes do not pair."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        rows = list(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return rows[0] if len(rows) == 1 else None
