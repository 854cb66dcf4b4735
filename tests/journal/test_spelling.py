"""The spelling of rows is that of canonical JSON (RFC 8785 has the idea, not these numbers), whatever the values."""

import hashlib
import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import JSON, Boolean, Column, Float, Integer, LargeBinary, MetaData, String, Table

from app.db import Moment, canonical_json
from app.journal.spelling import speller, whole

TABLE = Table(
    'odd "name"', MetaData(), Column("n", Integer), Column("words", String), Column("at", Moment()), Column("raw", LargeBinary),
    Column("value", Float), Column("flag", Boolean), Column("more", JSON),
)  # fmt: skip
zones = st.builds(lambda minutes: timezone(timedelta(minutes=minutes)), st.integers(-600, 600))
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(), lambda some: st.lists(some) | st.dictionaries(st.text(), some)
)
rows = st.tuples(
    st.none() | st.integers(), st.none() | st.text(), st.none() | st.datetimes(datetime(1900, 1, 2), datetime(2200, 1, 1), timezones=zones),
    st.none() | st.binary(), st.none() | st.floats() | st.integers(-(2**53), 2**53), st.none() | st.booleans() | st.sampled_from([0, 1]), json_values,
)  # fmt: skip


def plainly(values: tuple[Any, ...]) -> dict[str, Any]:
    n, words, at, raw, value, flag, more = values
    return {
        "n": n, "words": words, "at": at and at.astimezone(UTC).isoformat(timespec="microseconds"),
        "raw": None if raw is None else hashlib.sha256(raw).hexdigest(), "value": None if value is None else float(value),
        "flag": None if flag is None else bool(flag), "more": more,
    }  # fmt: skip


@given(rows)
def test_a_row_is_spelled_as_canonical_json(values: tuple[Any, ...]) -> None:
    assert whole(TABLE, [values]) == [ canonical_json([TABLE.name, plainly(values)])]


@given(rows, st.sets(st.sampled_from([column.name for column in TABLE.columns]), min_size=1))
def test_so_are_some_of_its_columns(values: tuple[Any, ...], names: set[str]) -> None:
    some = {name: value for name, value in plainly(values).items() if name in names}
    assert speller(TABLE, tuple(names))([values]) == [canonical_json([TABLE.name, some])]


@given(rows)
def test_a_row_as_sqlite_has_it_stored_is_spelled_alike(values: tuple[Any, ...]) -> None:
    n, words, at, raw, value, flag, more = values
    text = at and at.astimezone(UTC).replace(tzinfo=None).isoformat(" ", timespec="microseconds")
    assert whole(TABLE, [(n, words, text, raw, value, flag, json.dumps(more))], stored=True) == whole(TABLE, [values])
