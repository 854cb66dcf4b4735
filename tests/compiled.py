"""Statements compiled once for all houses of a run, and databases asked once what they can: each house has engines of its own, to which all is new.

A server has one house and compiles what it asks once; compiled anew for every test it took a seventh of what the tests compute. The engines of
`app.db` are alike for one database (`app.db` alone says how they write a statement), so what was compiled for one serves all.
"""

from functools import cache
from typing import Any

from sqlalchemy import Connection, Engine, create_engine
from sqlalchemy.engine import Dialect
from sqlalchemy.util import LRUCache

import app.db

_STATEMENTS = 5000  # of each database


def once() -> None:
    """From here on, in this process."""
    app.db.create_engine = _alike  # type: ignore[attr-defined]


def _alike(url: str, **how: Any) -> Engine:
    engine = create_engine(url, **how)
    engine.dialect.__class__ = _equal(type(engine.dialect))  # the keys of what is compiled name the dialect, the mappers' own too
    engine._compiled_cache = _compiled(type(engine.dialect))
    return engine


@cache
def _equal(dialect: type[Dialect]) -> type[Dialect]:
    """Its kind whose instances are equal: all of them are made by `app.db`."""

    def is_equal(self: Dialect, other: object) -> bool:
        return type(self) is type(other)

    def initialize(self: Dialect, connection: Connection) -> None:
        if not learnt:
            before = dict(vars(self))
            dialect.initialize(self, connection)
            learnt.update({name: value for name, value in vars(self).items() if name not in before or before[name] is not value})
        vars(self).update(learnt)

    learnt: dict[str, Any] = {}
    own = {"__eq__": is_equal, "__hash__": lambda self: hash(type(self)), "supports_statement_cache": dialect.supports_statement_cache}
    return type(dialect.__name__, (dialect,), own | {"initialize": initialize})


@cache
def _compiled(_dialect: type[Dialect]) -> "LRUCache[Any, Any]":
    return LRUCache(_STATEMENTS)
