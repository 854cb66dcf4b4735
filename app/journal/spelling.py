"""One spelling of a row's values, the same on both databases: digests are made of it, so it may never change.

It is `canonical_json` of the table's name and its values by column, with times in UTC, bytes as their SHA-256, and numbers and flags as the
column has them. `check` spells every row of the record: so the spelling of a table is compiled once, and spells rows by the thousand, either of
Python's values or as the database's driver has them stored.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from functools import cache, lru_cache
from json.encoder import encode_basestring
from math import isfinite
from types import NoneType
from typing import Any

from sqlalchemy import JSON, Boolean, Float, Integer, LargeBinary, String, Table, Text, cast

from app.db import Moment, canonical_json

Rows = Iterable[Sequence[Any]]
Spell = Callable[[Rows], list[str]]


@cache
def speller(table: Table, names: tuple[str, ...], before: str = "", *, stored: bool = False) -> Spell:
    """Spells these columns of rows that are given as the values of all columns, in the table's order.

    `before` is put before each. `stored`: values as the driver has them of `stored_columns`.
    """
    places = {column.name: n for n, column in enumerate(table.columns)}
    pieces = ",".join(f"{_literal(canonical_json(name))}:{{{_spelled(table.c[name].type, f'v{places[name]}', stored)}}}" for name in sorted(names))
    text = f"{_literal(f'{before}[{canonical_json(table.name)},{{')}{pieces}{_literal('}]')}"
    values = ", ".join(f"v{n}" for n in range(len(table.columns)))
    return eval(f"lambda rows: [f{text!r} for {values}, in rows]", dict(_SPELLS))  # type: ignore[no-any-return]  # of our own tables' names


def whole(table: Table, rows: Rows, *, stored: bool = False) -> list[str]:
    """All columns."""
    return speller(table, tuple(column.name for column in table.columns), stored=stored)(rows)


def stored_columns(table: Table) -> list[Any]:
    """What to ask the driver for: JSON as its text, of which most come again and again."""
    return [cast(column, Text) if isinstance(column.type, JSON) else column for column in table.columns]


def _literal(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


def _spelled(kind: Any, value: str, stored: bool) -> str:
    """The expression that spells a value of a column: what nearly all its values are is asked first, without a call."""
    if isinstance(kind, Float):
        return f"as_float({value})"
    if isinstance(kind, Boolean):
        return f"as_flag({value})"
    if isinstance(kind, Integer):
        return f"{value} if {value}.__class__ is int else by_type({value})"
    if isinstance(kind, String):
        return f"quoted({value}) if {value}.__class__ is str else by_type({value})"
    if isinstance(kind, LargeBinary):
        return f"as_digest({value}) if {value}.__class__ is bytes else by_type({value})"
    if stored and isinstance(kind, Moment):
        return f"stored_moment({value})"
    if stored and isinstance(kind, JSON):
        return f"stored_json({value}) if {value}.__class__ is str else by_type({value})"
    return f"by_type({value})"


def _by_type(value: Any) -> str:
    return _BY_TYPE.get(type(value), canonical_json)(value)


def _as_float(value: Any) -> str:
    if not isinstance(value, int | float):
        return _by_type(value)
    number = float(value)
    return float.__repr__(number) if isfinite(number) else canonical_json(number)


def _as_flag(value: Any) -> str:
    return "true" if value == 1 else "false" if value == 0 else _by_type(value)


def _as_moment(value: datetime) -> str:
    utc = value if value.tzinfo is UTC else value.astimezone(UTC)
    return f'"{utc.isoformat(timespec="microseconds")}"'


def _stored_moment(value: Any) -> str:
    """SQLite has 2026-03-02 06:00:00.000000, in UTC; of PostgreSQL the driver makes a datetime."""
    return f'"{value.replace(" ", "T")}+00:00"' if type(value) is str else _by_type(value)


@lru_cache(10_000)
def _stored_json(value: str) -> str:
    """Whoever wrote it: a text with blanks between is the same value."""
    try:
        return canonical_json(json.loads(value))
    except ValueError:
        return _by_type(value)


def _as_digest(value: bytes) -> str:
    return f'"{hashlib.sha256(value).hexdigest()}"'


_BY_TYPE: dict[type, Callable[[Any], str]] = {
    int: int.__repr__, str: encode_basestring, NoneType: lambda _: "null", datetime: _as_moment, bytes: _as_digest,
}  # fmt: skip
_SPELLS: dict[str, Any] = {
    "by_type": _by_type, "as_float": _as_float, "as_flag": _as_flag, "quoted": encode_basestring, "as_digest": _as_digest,
    "stored_moment": _stored_moment, "stored_json": _stored_json,
}  # fmt: skip
