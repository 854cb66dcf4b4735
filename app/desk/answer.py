"""A list as a page, as CSV and as JSON: the same rows at the same address, with `format=csv` or `format=json`; all its rows with `format=all_csv`."""

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import Response

from app.db import House
from app.desk.listing import Asked, Cell, Linked, Listing, Shown, State, asked_of, onward, show
from app.errors import bad_input, short
from app.web.downloads import csv_file, safe
from app.web.installation import house_of
from app.web.late_routes import told_often
from app.web.rendering import render
from app.web.said import OF_WHAT_IS_SAID

FORMATS = ("html", "csv", "json", "all_csv")
MOST = 100_000  # rows of a list as one file: no spreadsheet takes many more


def answer(request: Request, listing: Listing, **more: Any) -> Response:
    form = request.query_params.get("format", "html")
    if form not in FORMATS:
        raise bad_input("A list has no such form.", "format", f"It is not one of: {', '.join(FORMATS)}.", "Choose one of them.")
    for name in told_often(request.query_params, dict.fromkeys(OF_WHAT_IS_SAID, True)):
        why = "It stands in the address several times, and which of them counts is left open."
        raise bad_input("A list is asked by each word once.", short(name), why, "Give it once.")
    asked = asked_of(listing, request.query_params)
    if form == "all_csv":
        asked = replace(asked, after=None)
    house = house_of(request)
    shown = _page(house, listing, asked)
    if form == "all_csv":
        return csv_file(listing.name, [column.name for column in listing.columns], _every_row(house, shown))
    if form == "csv":
        return _file(listing, as_csv(shown), "text/csv; charset=utf-8", "csv")
    if form == "json":
        return _file(listing, as_json(shown), "application/json", "json")
    links = _Links(request, shown)
    return render(request, listing.template, reads_all=True, shown=shown, listing=listing, asked=asked, links=links, plain=_plain, **more)


def _page(house: House, listing: Listing, asked: Asked) -> Shown:
    with house.reading() as session, house.walking() as look_ups:
        return show(session, listing, asked, look_ups)


def _every_row(house: House, shown: Shown) -> Iterator[list[Any]]:
    """Of what was asked, beginning with the page that is here. A list that is longer says so in its last row."""
    told = 0
    while True:
        yield from ([_flat(cell) for cell in row] for row in shown.rows)
        told += len(shown.rows)
        if (asked := onward(shown)) is None:
            return
        if told >= MOST:
            yield [f"There are more than these {told:,} rows: narrow the list, and take it in parts."]
            return
        shown = _page(house, shown.listing, asked)


def as_csv(shown: Shown) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([column.name for column in shown.listing.columns])
    for row in shown.rows:
        writer.writerow([safe(_flat(cell)) for cell in row])
    return out.getvalue()


def as_json(shown: Shown) -> str:
    names = [column.name for column in shown.listing.columns]
    rows = [dict(zip(names, map(_plain, row), strict=True)) for row in shown.rows]
    return json.dumps({shown.listing.name: rows, "next": shown.following}, ensure_ascii=False)


class _Links:
    """Addresses of this list otherwise asked: what is not named stays as it is."""

    def __init__(self, request: Request, shown: Shown) -> None:
        asked = shown.asked
        self.path = request.url.path
        first = shown.listing.sorts[0].name
        self.kept = {"q": asked.q, **asked.filters, "sort": asked.sort.name if asked.sort.name != first else ""}
        self.kept |= {"rows": request.query_params.get("rows", ""), "look": "all" if asked.looks_at_all else ""}
        self.after, self.following = request.query_params.get("after", ""), shown.following

    def beginning(self) -> str:
        return self._to({})

    def next(self) -> str:
        return self._to({"after": self.following or ""})

    def all(self) -> str:
        return self._to({"after": self.after, "look": "all"})

    def as_file(self, form: str) -> str:
        return self._to({"after": self.after, "format": form})

    def as_whole_file(self) -> str:
        return self._to({"format": "all_csv"})

    def _to(self, more: dict[str, str]) -> str:
        values = {name: value for name, value in (self.kept | more).items() if value}
        return f"{self.path}?{urlencode(values)}" if values else self.path


def _plain(cell: Cell) -> Any:
    """A cell as JSON has it."""
    if isinstance(cell, tuple):
        return [_plain(one) for one in cell]
    if isinstance(cell, datetime | date):
        return cell.isoformat()
    return str(cell) if isinstance(cell, Linked | State) else cell


def _flat(cell: Cell) -> Any:
    plain = _plain(cell)
    return ", ".join(_texts(plain)) if isinstance(plain, list) else plain


def _texts(cells: list[Any]) -> Iterator[str]:
    for cell in cells:
        yield ", ".join(_texts(cell)) if isinstance(cell, list) else str(cell)


def _file(listing: Listing, text: str, media: str, ending: str) -> Response:
    return Response(text, media_type=media, headers={"Content-Disposition": f'inline; filename="{listing.name}.{ending}"'})
