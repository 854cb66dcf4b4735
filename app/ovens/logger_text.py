"""The lines of a logger's file: text in an encoding that it shows or that was stated, and nothing that is another kind of file."""

import re

from app.errors import BadInput, bad_input
from app.receiving.delimited import refuse_zeros_at_end
from app.receiving.other_formats import refuse_other_formats

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_HEAD = 1000  # lines that may stand above the table


def lines_of(data: bytes, what: str, encoding: str | None, most_rows: int) -> list[str]:
    """`what` begins the words of a refusal."""
    refuse_other_formats(data, what, "Open it with its own program, and export the readings as CSV.")
    if data.count(b"\n") + data.count(b"\r") > 2 * (most_rows + _HEAD):
        raise too_many_rows(what, most_rows)
    refuse_zeros_at_end(data, what)
    text = _decoded(data, what, encoding).replace("\r\n", "\n").replace("\r", "\n")
    text = re.sub("\n\ufeff+", "\n", text.lstrip("\ufeff"))  # marks of byte order
    if control := _CONTROL.search(text):
        line = text.count("\n", 0, control.start()) + 1
        why = f"It has the control character {ord(control[0]):#04x}: this is not text."
        raise bad_input(what, f"line {line}", why, "Export the readings as CSV, as text in UTF-8.")
    if not text.strip():
        raise bad_input(what, "line 1", "It is empty.", "Export the readings again.")
    lines = text.split("\n")
    if len(lines) > most_rows + _HEAD:
        raise too_many_rows(what, most_rows)
    return lines


def too_many_rows(what: str, most_rows: int) -> BadInput:
    return bad_input(what, "the whole file", f"It has more than {most_rows} rows.", "Export a shorter time.")


def _decoded(data: bytes, what: str, encoding: str | None) -> str:
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        if wide:
            return data.decode("utf-16")
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if not wide and encoding == "latin-1":
            return data.decode("latin-1").replace("\x85", "\n")
        line = data.count(b"\n", 0, error.start) + 1
        kind = "UTF-16, as which it begins" if wide else "UTF-8"
        raise bad_input(what, f"line {line}", f"It is not {kind}.", "Save it as UTF-8; or state the encoding latin-1, if it is that.") from None
    if encoding == "latin-1" and not text.isascii():
        raise bad_input(what, "encoding", "Latin-1 was stated, but it is UTF-8.", "State no encoding.")
    return text
