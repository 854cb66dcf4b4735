"""Statements as texts, asked of the driver; a list of ids in one is one parameter, however long. JSON on SQLite, an array on PostgreSQL.

With a parameter an id SQLite ends at 32,766 of them and PostgreSQL at 65,535, and every length is another statement to prepare.
"""

import json
import re
from collections import namedtuple
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, Select, String, TextClause, TextualSelect, bindparam
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.engine import Dialect
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeDecorator, TypeEngine

_IN = {"sqlite": "{} in (select value from json_each({}))", "postgresql": "{} = any({})"}


def listed(statement: str, *lists: str, **single: TypeEngine[Any]) -> TextClause:
    """A statement in which `x in :name` asks whether x is in the list `name`. Other values are single, each of its type."""
    types: dict[str, TypeEngine[Any]] = dict.fromkeys(lists, _IDS) | single
    return _Listed(statement).bindparams(*(bindparam(name, type_=kind) for name, kind in types.items()))


def among(column: Any, ids: Iterable[int] | str) -> ColumnElement[Any]:
    """`column` is in the list; a text is the name under which the list is given when the statement is executed."""
    return _Among(column, bindparam(ids, type_=Ids()) if isinstance(ids, str) else bindparam(None, list(ids), type_=Ids()))


def ask(session: Session, statement: Any, **values: Any) -> list[Any]:
    """The rows of a statement that wants something of every list: none where one is empty, and then nothing is asked.

    A `listed` statement is asked as in `tuples`; its rows have names, and the types that it names.
    """
    given = _given(values)
    if [] in given.values():
        return []
    asked, types = _listed_in(statement)
    if asked is None:
        return list(session.execute(statement, given).all())
    rows, described, dialect = _answered(session, asked, given)
    row_of, typed = _told_as(asked, types, described, dialect)
    return [row_of(_converted(row, typed)) for row in rows] if typed else list(map(row_of, rows))


def tuples(session: Session, statement: TextClause, **values: Any) -> list[Any]:
    """As `ask`, for a `listed` statement without types: rows as the driver gives them, in a third of the time."""
    given = _given(values)
    return [] if [] in given.values() else _answered(session, statement, given)[0]


def gathered(session: Session, statement: TextClause, **values: Any) -> list[Any]:
    """As `tuples`, for a statement that asks several things at once, each of a list that may be empty."""
    return _answered(session, statement, _given(values))[0]


def _given(values: Mapping[str, Any]) -> dict[str, Any]:
    """Lists of ids, whatever they came in; single values as they are."""
    return {name: one if one is None or isinstance(one, (int, str, datetime)) else list(one) for name, one in values.items()}


def blocks(session: Session, query: Select[*tuple[Any, ...]], at_once: int = 2000) -> Iterator[list[Any]]:
    """All rows of a query without parameters as the driver gives them, `at_once` at a time."""
    connection = session.connection()
    cursor: Any = connection.connection.cursor() if connection.dialect.name == "sqlite" else connection.connection.cursor("blocks")
    try:
        cursor.execute(str(query.compile(dialect=connection.dialect)))
        while rows := cursor.fetchmany(at_once):
            yield rows
    finally:
        cursor.close()


def _answered(session: Session, statement: TextClause, given: Mapping[str, Any]) -> tuple[list[Any], Sequence[Any], Dialect]:
    """Rows as the driver gives them, and its description of their columns, each with the name first.

    The driver's cursor is asked itself, unless somebody listens to statements. What it refuses is asked again by way of SQLAlchemy, in whose
    errors the doors know what is away.
    """
    if session.autoflush:  # what the session wrote is seen, as by any statement of its own
        session.flush()
    connection = session.connection()
    dialect = connection.dialect
    asked, names, sent = _as_asked(statement, dialect)
    values: Any = {name: sent[name](one) if name in sent else one for name, one in given.items()}
    if names:
        values = tuple(values[name] for name in names)
    if not connection.dispatch.before_cursor_execute:
        cursor = connection.connection.cursor()
        try:
            cursor.execute(asked, values)
            return list(cursor.fetchall()), cursor.description, dialect
        except dialect.loaded_dbapi.Error:
            pass
        finally:
            cursor.close()
    found = connection.exec_driver_sql(asked, values)
    return [tuple(row) for row in found.all()], [(name,) for name in found.keys()], dialect  # noqa: SIM118  # a result, no mapping


def _as_asked(statement: TextClause, dialect: Dialect) -> tuple[str, tuple[str, ...], dict[str, Callable[[Any], Any]]]:
    """The text for the driver, the names of its parameters where these go by their place, and for each that has to be converted, how.

    Statements are made at import and stay.
    """
    key = statement, dialect.name
    if key not in _ASKED:
        compiled = statement.compile(dialect=dialect)
        ways = {name: one.type.dialect_impl(dialect).bind_processor(dialect) for name, one in statement._bindparams.items()}
        _ASKED[key] = compiled.string, tuple(compiled.positiontup or ()), {name: way for name, way in ways.items() if way is not None}
    return _ASKED[key]


_ASKED: dict[tuple[TextClause, str], tuple[str, tuple[str, ...], dict[str, Callable[[Any], Any]]]] = {}


def _listed_in(statement: Any) -> tuple[TextClause | None, dict[str, TypeEngine[Any]]]:
    """The `listed` text of a statement and the types of its columns; none in another kind of statement."""
    if isinstance(statement, _Listed):
        return statement, {}
    if isinstance(statement, TextualSelect) and isinstance(statement.element, _Listed):
        return statement.element, {column.name: column.type for column in statement.column_args}
    return None, {}


def _told_as(
    statement: TextClause, types: dict[str, TypeEngine[Any]], described: Sequence[Any], dialect: Dialect
) -> tuple[Callable[[Any], Any], list[tuple[int, Callable[[Any], Any]]]]:
    """What makes a named row of one that the driver gives; and for each column that has to be converted, its place and how."""
    key = statement, dialect.name
    if key not in _TOLD_AS:
        names = [column[0] for column in described]
        converters = [(names.index(name), kind.dialect_impl(dialect).result_processor(dialect, None)) for name, kind in types.items()]
        row: Any = namedtuple("Row", names, rename=True)  # type: ignore[misc]  # its names are the statement's
        _TOLD_AS[key] = row._make, [(place, convert) for place, convert in converters if convert is not None]
    return _TOLD_AS[key]


_TOLD_AS: dict[tuple[TextClause, str], tuple[Callable[[Any], Any], list[tuple[int, Callable[[Any], Any]]]]] = {}


def _converted(row: Sequence[Any], typed: list[tuple[int, Callable[[Any], Any]]]) -> list[Any]:
    values = list(row)
    for place, convert in typed:
        values[place] = convert(values[place])
    return values


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
