"""Every key of a text has its line: for what the standard reader accepts, in every way of writing it."""

import tomllib
from collections.abc import Iterator
from typing import Any

import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from app.catalogue.toml_lines import Path, lines_of

TRICKY = '''\
# a comment with [brackets] and "quotes"
"a.b" = 1
c.d . "e" = 2
'lit#eral' = 'C:\\no\\escape'

[t] # a comment
s = """first
second with "" two and # no comment
third\\""" not yet"""
l = \'\'\'one
''two\'\'\'
list = [ # comment ] here
  1, [2,
  3],
  { x = "}", y = [
    "]" ] },
]
after = 1979-05-27T07:32:00Z

[[t.rows]]
n = 1
[t.rows.deep]
m = 1
[[t.rows]]
n = 2
[[t.rows.more]]
k = "\\u00e9\\"#"
'''


def paths_of(value: Any, path: Path = ()) -> Iterator[Path]:
    if path:
        yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from paths_of(inner, (*path, i))


def test_lines_in_a_text_that_uses_every_way_of_writing() -> None:
    lines = lines_of(TRICKY)
    assert set(paths_of(tomllib.loads(TRICKY))) <= set(lines)
    rows = TRICKY.splitlines()

    def row(*path: str | int) -> str:
        return rows[lines[path] - 1].strip()

    assert row("a.b") == '"a.b" = 1'
    assert row("c", "d", "e").startswith("c.d")
    assert row("t") == "[t] # a comment"
    assert row("t", "s").startswith('s = """first')
    assert row("t", "l").startswith("l =")
    assert row("t", "list", 1) == "1, [2,"
    assert row("t", "list", 1, 1) == "3],"
    assert row("t", "list", 2, "y", 0) == '"]" ] },'
    assert row("t", "after").startswith("after")
    assert (lines["t", "rows", 0], lines["t", "rows", 1]) == (20, 24)
    assert row("t", "rows", 0, "deep", "m") == "m = 1"
    assert row("t", "rows", 1, "n") == "n = 2"
    assert row("t", "rows", 1, "more", 0, "k").startswith("k =")


scalars = st.one_of(
    st.integers(-(2**63), 2**63 - 1), st.booleans(), st.text(max_size=12), st.floats(allow_nan=False), st.dates(), st.datetimes(), st.times()
)
values = st.recursive(scalars, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4), max_leaves=20)


@given(st.dictionaries(st.text(max_size=6), values, max_size=5), st.booleans())
def test_every_path_of_any_document_has_its_line(data: dict[str, Any], multiline: bool) -> None:
    text = tomli_w.dumps(data, multiline_strings=multiline)
    lines = lines_of(text)
    assert set(paths_of(tomllib.loads(text))) <= set(lines)
    count = text.count("\n") + 1
    assert all(1 <= line <= count for line in lines.values())
