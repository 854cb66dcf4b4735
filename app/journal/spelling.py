"""One spelling of a row's values, the same on both databases: digests are made of it, so it may never change.

It is `canonical_json` of the table's name and its values by column, with times in UTC, bytes as their SHA-256, and numbers and flags as the
column has them. Written out by column, for `check` spells every row of the record.
"""

import hashlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import cache
from json.encoder import encode_basestring
from math import isfinite
from types import NoneType
from typing import Any

from sqlalchemy import Boolean, Float, Table

from app.db import canonical_json

Spell = Callable[[Sequence[Any]], str]


@cache
def speller(table: Table, names: tuple[str, ...]) -> Spell:
    """Spells these columns of a row that is given as the values of all its columns, in the table's order."""
    places = {column.name: n for n, column in enumerate(table.columns)}
    pieces = [(places[name], f"{canonical_json(name)}:", _spell_of(table.c[name].type)) for name in sorted(names)]
    begin = f"[{canonical_json(table.name)},{{"

    def spelled(values: Sequence[Any]) -> str:
        return begin + ",".join([name + spell(values[n]) for n, name, spell in pieces]) + "}]"

    return spelled


def whole(table: Table, values: Sequence[Any]) -> str:
    """All columns."""
    return _of_all(table)(values)


@cache
def _of_all(table: Table) -> Spell:
    return speller(table, tuple(column.name for column in table.columns))


def _spell_of(kind: Any) -> Callable[[Any], str]:
    if isinstance(kind, Float):
        return _as_float
    if isinstance(kind, Boolean):
        return _as_flag
    return _by_type


def _by_type(value: Any) -> str:
    return _BY_TYPE.get(type(value), canonical_json)(value)


def _as_float(value: Any) -> str:
    if value is None:
        return "null"
    number = float(value)
    return float.__repr__(number) if isfinite(number) else canonical_json(number)


def _as_flag(value: Any) -> str:
    return "null" if value is None else "true" if value else "false"


def _as_moment(value: datetime) -> str:
    utc = value if value.tzinfo is UTC else value.astimezone(UTC)
    return f'"{utc.isoformat(timespec="microseconds")}"'


def _as_digest(value: bytes) -> str:
    return f'"{hashlib.sha256(value).hexdigest()}"'


_BY_TYPE: dict[type, Callable[[Any], str]] = {
    int: int.__repr__, str: encode_basestring, NoneType: lambda _: "null", datetime: _as_moment, bytes: _as_digest,
}  # fmt: skip
