"""Files to take away: their names, tables as CSV, and cells that no spreadsheet takes for formulas."""

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any
from urllib.parse import quote

from fastapi.responses import Response, StreamingResponse

CSV = "text/csv; charset=utf-8"
_AT_ONCE = 5000  # rows
_BEGIN_FORMULAS = tuple("=+@\t\r\n\uff1d\uff0b\uff0d\uff20")  # the wide ones where a spreadsheet speaks Chinese, Japanese or Korean
# where the comma is the decimal mark a spreadsheet parts the cells at semicolons, and takes no notice of our quotes
_BEGIN_IN_THE_MIDDLE = re.compile(r"(?<=[;\t])(?=[=+@\-\uff1d\uff0b\uff0d\uff20])")


def csv_file(name: str, head: Sequence[str], rows: Iterable[Sequence[object]]) -> Response:
    """A table to take away: RFC 4180, with a header. It goes out in pieces, so that a long one needs no memory and begins at once."""
    return StreamingResponse(_csv_pieces(head, iter(rows)), media_type=CSV, headers=attached(f"{name}.csv"))


def csv_of(text: str, name: str = "") -> Response:
    """A table that is text already. `name`: of the file, where it is to be taken away."""
    return Response(text, media_type=CSV, headers=attached(name) if name else None)


def attached(name: str) -> dict[str, str]:
    """The header of a file to take away. Its name may be another's number, of any script, and a header takes ASCII (RFC 6266, RFC 8187)."""
    is_plain = name.isascii() and name.isprintable() and not {'"', "\\"} & set(name)
    told = f'filename="{name}"' if is_plain else f"filename*=UTF-8''{quote(name, safe='')}"
    return {"Content-Disposition": f"attachment; {told}"}


def _csv_pieces(head: Sequence[str], rows: Iterator[Sequence[object]]) -> Iterator[str]:
    piece: list[Sequence[object]] = [head]
    while piece:
        out = io.StringIO()
        csv.writer(out, lineterminator="\r\n").writerows([safe(cell) if isinstance(cell, str) else cell for cell in row] for row in piece)
        yield out.getvalue()
        piece = list(islice(rows, _AT_ONCE))


def safe(value: Any) -> str:
    """A cell as text; what a spreadsheet would take for a formula gets a quote in front (OWASP, CSV injection)."""
    if value is None:
        return ""
    text = _BEGIN_IN_THE_MIDDLE.sub("'", str(value))
    return "'" + text if text[:1] in _BEGIN_FORMULAS or (text[:1] == "-" and not isinstance(value, (int, float))) else text
