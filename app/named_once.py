"""JSON leaves open which of two keys of one name in an object counts (RFC 8259, 4): such a text is not read, and its place is named."""

import json
from collections.abc import Iterable
from typing import Any

_LONG = 80  # characters of a name that a place is told by


class NamedTwice(Exception):
    """`path` leads to the second of the two: names, and numbers in lists from 0."""

    def __init__(self, path: tuple[str | int, ...]) -> None:
        self.path = path
        super().__init__(self.where)

    @property
    def where(self) -> str:
        """things[0].name"""
        return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in self.path).removeprefix(".")


class _Members(list[tuple[str, Any]]):
    """Of an object, all of them."""


def read_json(text: str | bytes, **how: Any) -> Any:
    """As `json.loads`; raises NamedTwice besides."""
    try:
        return json.loads(text, object_pairs_hook=_once, **how)
    except _Twice:
        raise NamedTwice(_place(json.loads(text, object_pairs_hook=_Members, **how))) from None


class _Twice(Exception):
    """Where it is, is looked for only then: objects are read from within."""


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise _Twice
    return found


def _place(whole: Any) -> tuple[str | int, ...]:
    waiting: list[tuple[tuple[str | int, ...], Any]] = [((), whole)]  # no recursion: the parser goes deeper than that may
    while waiting:
        path, value = waiting.pop()
        inside: Iterable[tuple[str | int, Any]] = ()
        if isinstance(value, _Members):
            seen: set[str] = set()
            for name, _ in value:
                if name in seen:
                    return (*path, _shown(name))
                seen.add(name)
            inside = [(_shown(name), inner) for name, inner in value]
        elif isinstance(value, list):
            inside = enumerate(value)
        waiting += reversed([((*path, part), inner) for part, inner in inside])
    return ()


def _shown(name: str) -> str:
    """A name may be half a character, or as long as the text."""
    return name if name.isprintable() and len(name) <= _LONG else repr(name[:_LONG])
