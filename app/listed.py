"""Lists of ids in a statement: each is one parameter, however long. JSON on SQLite, an array on PostgreSQL.

With a parameter an id SQLite ends at 32,766 of them and PostgreSQL at 65,535, and every length is another statement to prepare.
"""

import json
import re
from collections.abc import Iterable
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, String, TextClause, bindparam
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.engine import Dialect
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeDecorator, TypeEngine

_IN = {"sqlite": "{} in (select value from json_each({}))", "postgresql": "{} = any({})"}


def listed(statement: str, *lists: str) -> TextClause:
    """A statement in which `x in :name` asks whether x is in the list `name`."""
    return _Listed(statement).bindparams(*(bindparam(name, type_=Ids()) for name in lists))


def among(column: Any, ids: Iterable[int] | str) -> ColumnElement[Any]:
    """`column` is in the list; a text is the name under which the list is given when the statement is executed."""
    return _Among(column, bindparam(ids, type_=Ids()) if isinstance(ids, str) else bindparam(None, list(ids), type_=Ids()))


def ask(session: Session, statement: Any, **lists: Iterable[int]) -> list[Any]:
    """The rows of a statement that wants something of every list: none where one is empty, and then nothing is asked."""
    given = {name: list(ids) for name, ids in lists.items()}
    return list(session.execute(statement, given).all()) if all(given.values()) else []


def tuples(session: Session, statement: TextClause, **lists: Iterable[int]) -> list[Any]:
    """As `ask`, for a `listed` statement without types: rows as the driver gives them, in a third of the time.

    The driver's cursor is asked itself, unless somebody listens to statements. What it refuses is asked again by way of SQLAlchemy, in whose
    errors the doors know what is away.
    """
    given = {name: list(ids) for name, ids in lists.items()}
    if not all(given.values()):
        return []
    connection = session.connection()
    asked, names = _as_asked(statement, connection.dialect)
    values: Any = {name: _IDS.process_bind_param(ids, connection.dialect) for name, ids in given.items()}
    if names:
        values = tuple(values[name] for name in names)
    if connection.dispatch.before_cursor_execute:
        return [tuple(row) for row in connection.exec_driver_sql(asked, values).all()]
    cursor = connection.connection.cursor()
    try:
        cursor.execute(asked, values)
        return list(cursor.fetchall())
    except connection.dialect.loaded_dbapi.Error:
        return [tuple(row) for row in connection.exec_driver_sql(asked, values).all()]
    finally:
        cursor.close()


def _as_asked(statement: TextClause, dialect: Dialect) -> tuple[str, tuple[str, ...]]:
    """The text for the driver, and the names of its parameters where these go by their place. Statements are made at import and stay."""
    key = statement, dialect.name
    if key not in _ASKED:
        compiled = statement.compile(dialect=dialect)
        _ASKED[key] = compiled.string, tuple(compiled.positiontup or ())
    return _ASKED[key]


_ASKED: dict[tuple[TextClause, str], tuple[str, tuple[str, ...]]] = {}


class Ids(TypeDecorator[Any]):
    """A list of ids as one value."""

    impl = String
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        return dialect.type_descriptor(ARRAY(BigInteger()) if dialect.name == "postgresql" else String())

    def process_bind_param(self, value: Any, dialect: Dialect) -> Any:
        return list(value) if dialect.name == "postgresql" else json.dumps(list(value))


_IDS = Ids()


class _Listed(TextClause):
    inherit_cache = True


@compiles(_Listed)
def _text(element: _Listed, compiler: SQLCompiler, **how: Any) -> str:
    within = _IN[compiler.dialect.name]
    statement = re.sub(r"(\S+) in (:\w+)", lambda found: within.format(found[1], found[2]), element.text)
    return str(compiler.process(TextClause(statement).bindparams(*element._bindparams.values()), **how))


class _Among(FunctionElement[Any]):
    """Of no type: a Boolean would be compared with 1 on SQLite, which no index answers."""

    inherit_cache = True
    name = "among"


@compiles(_Among)
def _condition(element: _Among, compiler: SQLCompiler, **how: Any) -> str:
    column, ids = (compiler.process(one, **how) for one in element.clauses)
    return _IN[compiler.dialect.name].format(column, ids)
