"""A file of unit results in UTF-16, with carriage returns or with quotes around its fields becomes one without them, line by line.

What cannot be written without quotes stays as it is, and is refused where it is read.
"""

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from app.errors import bad_input
from app.final_test.result_columns import REFUSED, delimiter_of
from app.final_test.survey import Survey

_HEAD = 1 << 18


def plain_copy(source: Path, survey: Survey, copy: Path) -> Path:
    """The source itself where it is plain already; else its copy, with the same lines. The copy is read in pieces, whatever its size."""
    if survey.is_plain:
        return source
    encoding = "utf-16" if survey.is_utf_16 else "utf-8"
    keep = "strict" if survey.is_utf_16 else "surrogateescape"  # what is no UTF-8 is refused by the line, when it is read
    try:
        with source.open(encoding=encoding, errors=keep) as lines:
            delimiter = delimiter_of(lines.read(_HEAD))
        with source.open(encoding=encoding, errors=keep) as lines, copy.open("w", encoding="utf-8", errors=keep, newline="") as plain:
            plain.writelines(_without_quotes(lines, delimiter) if delimiter else lines)
    except UnicodeError:
        raise bad_input(REFUSED, "the whole file", "It begins as UTF-16 text, but is not.", "Save it as CSV in UTF-8.") from None
    return copy


def _without_quotes(lines: TextIO, delimiter: str) -> Iterator[str]:
    for line in lines:
        fields = _fields(line.rstrip("\n"), delimiter) if '"' in line else None
        yield line if fields is None else delimiter.join(fields) + ("\n" if line.endswith("\n") else "")


def _fields(line: str, delimiter: str) -> list[str] | None:
    """None where its quotes do not pair, or are needed."""
    try:
        (fields,) = csv.reader([line], delimiter=delimiter, strict=True)
    except (csv.Error, ValueError):
        return None
    return None if any(delimiter in field or '"' in field for field in fields) else fields
