"""Statements asked of the driver itself, at a tenth of what a session's cost; and lists of ids in them, each one parameter, however long.

A list is JSON on SQLite, an array on PostgreSQL: with a parameter an id SQLite ends at 32,766 of them and PostgreSQL at 65,535, and every length
is another statement to prepare.
"""

import json
import re
from collections import namedtuple
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any, Generic, TypeVar

from sqlalchemy import BigInteger, ColumnElement, Select, String, TextClause, TextualSelect, bindparam
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.engine import Connection, Dialect
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeDecorator, TypeEngine

T = TypeVar("T")
_IN = {"sqlite": "{} in (select value from json_each({}))", "postgresql": "{} = any({})"}
_GATHERED = {"sqlite": "json_group_array({})", "postgresql": "array_agg({})"}


def listed(statement: str, *lists: str, **single: TypeEngine[Any]) -> TextClause:
    """A statement in which `x in :name` asks whether x is in the list `name`. Other values are single, each of its type.

    `ids(x)` gathers the ids of a group in one value, for `ids_in`: of many rows with little else in them that is half the work.
    """
    types: dict[str, TypeEngine[Any]] = dict.fromkeys(lists, _IDS) | single
    return _Listed(statement).bindparams(*(bindparam(name, type_=kind) for name, kind in types.items()))


def ids_in(gathered: str | list[int] | None) -> list[int]:
    found: list[int] = json.loads(gathered) if isinstance(gathered, str) else gathered or []
    return found


def among(column: Any, ids: Iterable[int] | str) -> ColumnElement[Any]:
    """`column` is in the list; a text is the name under which the list is given when the statement is executed."""
    return _Among(column, bindparam(ids, type_=Ids()) if isinstance(ids, str) else bindparam(None, list(ids), type_=Ids()))


def ask(session: Session, statement: Any, **given: Any) -> list[Any]:
    """The rows of a statement that wants something of every list: none where one is empty, and then nothing is asked.

    A statement over columns that was made at import: a `listed` text, or one of SQLAlchemy's. Rows have names, and the types that it names.
    """
    return _named(*_answered(session, [(statement, given)])[0])


def tuples(session: Session, statement: Any, **given: Any) -> list[Any]:
    """As `ask`, for what needs no types: rows as the driver gives them, in a third of the time."""
    return _answered(session, [(statement, given)])[0][0]


def gathered(session: Session, statement: TextClause, **given: Any) -> list[Any]:
    """As `tuples`, for a statement that asks several things at once, each of a list that may be empty."""
    return _answered(session, [(statement, given)], wants_all=False)[0][0]


@dataclass(frozen=True)
class Question(Generic[T]):
    """A statement with its values, and what its rows tell; nothing, where nobody reads them."""

    statement: Any
    given: dict[str, Any]
    told: Callable[[list[Any]], T] | None = None


def together(session: Session, *questions: Question[Any]) -> list[Any]:
    """What the rows of each tell, as `ask` gives them. PostgreSQL is asked all of them in one journey: none may need the answer to another."""
    answers = _answered(session, [(one.statement, one.given) for one in questions])
    return [one.told(_named(*answer)) if one.told else None for one, answer in zip(questions, answers, strict=True)]


def say(session: Session, *questions: Question[Any]) -> None:
    """Statements that nobody waits for: PostgreSQL is sent them with what is asked next, or with the commit; the others are asked at once.

    What an answer tells is told when it comes, before the commit in any case.
    """
    connection = _flushed(session)
    if connection.dialect.name == "sqlite" or connection.dispatch.before_cursor_execute:
        together(session, *questions)
        return
    driver: Any = connection.connection.driver_connection
    for one in questions:
        ready = _ready(one.statement, connection.dialect)
        driver.say(ready.native, ready.placed(ready.with_lists(one.given)), one.told and partial(_tell, one.told, ready))


def _tell(told: Callable[[list[Any]], Any], ready: "_Ready", answer: Any) -> None:
    told(_named(answer.rows(), answer.names, ready))


def hear(session: Session) -> None:
    """What was said is sent now, and its answers are told. Nothing else that the session has is written."""
    connection = _connection(session)
    if connection.dialect.name == "postgresql":
        driver: Any = connection.connection.driver_connection
        try:
            driver.hear()
        except connection.dialect.loaded_dbapi.Error as error:
            connection._handle_dbapi_exception(error, None, None, None, None)


def blocks(session: Session, query: Select[*tuple[Any, ...]], at_once: int = 2000) -> Iterator[list[Any]]:
    """All rows of a query without parameters as the driver gives them, `at_once` at a time; in a transaction, as of a snapshot."""
    connection = session.connection()
    statement = _written(query, connection.dialect)
    cursor: Any = connection.connection.cursor() if connection.dialect.name == "sqlite" else connection.connection.cursor(f"blocks_{id(query)}")
    try:
        cursor.execute(statement)
        while rows := cursor.fetchmany(at_once):
            yield rows
    except connection.dialect.loaded_dbapi.Error as error:
        connection._handle_dbapi_exception(error, statement, None, None, None)
    finally:
        cursor.close()


@lru_cache(300)  # a check asks for the rows of each table: to write down the hundred statements took a third of one of a small record
def _written(query: Select[*tuple[Any, ...]], dialect: Dialect) -> str:
    return str(query.compile(dialect=dialect))


_Names = Callable[[], list[str]]
_Answer = tuple[list[Any], _Names, "_Ready"]  # rows as the driver gives them, and the names of their columns for who asks


def _answered(session: Session, asked: Sequence[tuple[Any, dict[str, Any]]], *, wants_all: bool = True) -> list[_Answer]:
    """The driver is asked itself, unless somebody listens to statements."""
    connection = _flushed(session)
    if len(asked) == 1 and not connection.dispatch.before_cursor_execute:
        return [_answered_alone(connection, *asked[0], wants_all=wants_all)]
    ready = [(one := _ready(statement, connection.dialect), one.with_lists(given)) for statement, given in asked]
    nothing = [wants_all and one.has_empty_list(given) for one, given in ready]
    sent = [one for one, none in zip(ready, nothing, strict=True) if not none]
    found = iter(_heard(connection, sent) if connection.dispatch.before_cursor_execute else _unheard(connection, sent))
    return [([], list, one) if none else (*next(found), one) for (one, _), none in zip(ready, nothing, strict=True)]


def _answered_alone(connection: Connection, statement: Any, given: dict[str, Any], *, wants_all: bool) -> _Answer:
    """Nearly all are, and a trace asks thirty times."""
    ready = _ready(statement, connection.dialect)
    given = ready.with_lists(given)
    if wants_all and ready.has_empty_list(given):
        return [], list, ready
    try:
        if connection.dialect.name == "sqlite":
            return *_asked_of_sqlite(connection.connection, ready.text, ready.values(given)), ready
        driver: Any = connection.connection.driver_connection
        answer = driver.ask(ready.native, ready.placed(given))
        return answer.rows(), answer.names, ready
    except connection.dialect.loaded_dbapi.Error as error:
        connection._handle_dbapi_exception(error, ready.text, None, None, None)


def _heard(connection: Connection, sent: Sequence[tuple["_Ready", dict[str, Any]]]) -> Iterator[tuple[list[Any], _Names]]:
    for ready, given in sent:
        found = connection.exec_driver_sql(ready.text, ready.values(given))
        rows, names = ([tuple(row) for row in found.all()], list(found.keys())) if found.returns_rows else ([], [])
        yield rows, names.copy


def _unheard(connection: Connection, sent: Sequence[tuple["_Ready", dict[str, Any]]]) -> list[tuple[list[Any], _Names]]:
    """Of what the driver refuses SQLAlchemy makes its errors, in which the doors know what is away."""
    try:
        if connection.dialect.name == "sqlite":
            return [_asked_of_sqlite(connection.connection, ready.text, ready.values(given)) for ready, given in sent]
        driver: Any = connection.connection.driver_connection
        answers = driver.ask_all([(ready.native, ready.placed(given)) for ready, given in sent])
        return [(answer.rows(), answer.names) for answer in answers]
    except connection.dialect.loaded_dbapi.Error as error:
        connection._handle_dbapi_exception(error, "; ".join(ready.text for ready, _ in sent), None, None, None)


def _asked_of_sqlite(raw: Any, statement: str, values: Any) -> tuple[list[Any], _Names]:
    cursor = raw.cursor()
    try:
        cursor.execute(statement, values)
        described = cursor.description or ()
        return cursor.fetchall() if described else [], lambda: [column[0] for column in described]
    finally:
        cursor.close()


def _named(rows: list[Any], names: _Names, ready: "_Ready") -> list[Any]:
    if not rows:
        return []
    row_of, typed = ready.told_as(names)
    return [row_of(_converted(row, typed)) for row in rows] if typed else list(map(row_of, rows))


def _flushed(session: Session) -> Connection:
    """What the session wrote is seen by what is asked now, as by any statement of its own."""
    if session.autoflush:
        session.flush()
    return _connection(session)


def _connection(session: Session) -> Connection:
    """That of the session's transaction: the session itself takes as long to say it as many a statement takes.

    A savepoint would begin with what the session itself is asked next, not with what is asked here: nobody uses one.
    """
    kept: Connection | None = session.info.get(_CONNECTION)
    if kept is None or kept.closed or not kept.in_transaction():
        kept = session.info[_CONNECTION] = session.connection()
    return kept


_CONNECTION = "connection"


class _Ready:
    """A statement as the driver takes it: its text, what a value goes through on its way in, and a row on its way out."""

    def __init__(self, statement: Any, dialect: Dialect) -> None:
        compiled: Any = statement.compile(dialect=dialect)
        given = [bind.key for bind in compiled.binds.values() if bind.required]
        whole = compiled.construct_expanded_state(dict.fromkeys(given))  # with the lists of values that it has itself
        self.text: str = whole.statement
        self._places: tuple[str, ...] = tuple(whole.positiontup or ())
        self._binds: dict[str, Callable[[Any], Any]] = {**compiled._bind_processors, **whole.processors}
        self._lists = tuple(bind.key for bind in compiled.binds.values() if bind.required and isinstance(bind.type, Ids))
        self._own = {name: self._bound(name, value) for name, value in whole.parameters.items() if name not in given}
        self._by_name = isinstance(statement, TextualSelect)  # a text may have its columns in another order
        self._columns = [(getattr(column, "name", ""), column.type) for column in getattr(statement, "exported_columns", ())]
        self._dialect = dialect
        self._told_as: tuple[Callable[[Any], Any], list[tuple[int, Callable[[Any], Any]]]] | None = None
        self.native, self._order = _native(self.text) if dialect.name == "postgresql" else (b"", [])

    def with_lists(self, given: dict[str, Any]) -> dict[str, Any]:
        """Each list may be given as any that is gone through once."""
        return given | {name: list(given[name]) for name in self._lists} if self._lists else given

    def has_empty_list(self, given: dict[str, Any]) -> bool:
        return any(not given[name] for name in self._lists)

    def placed(self, given: dict[str, Any]) -> list[Any]:
        """The values that `native` has places for."""
        values = self.values(given)
        return [values[name] for name in self._order]

    def values(self, given: dict[str, Any]) -> Any:
        """Of its parameters, as the driver takes them: by their places, or by name."""
        binds = self._binds
        found = self._own | {name: binds[name](value) if name in binds else value for name, value in given.items()}
        return tuple([found[name] for name in self._places]) if self._places else found

    def _bound(self, name: str, value: Any) -> Any:
        bind = self._binds.get(name)
        return value if bind is None else bind(value)

    def told_as(self, names_of: _Names) -> tuple[Callable[[Any], Any], list[tuple[int, Callable[[Any], Any]]]]:
        """What makes a named row of one that the driver gives; and for each column that has to be converted, its place and how."""
        if self._told_as is None:
            names = names_of()
            places = [names.index(name) for name, _ in self._columns] if self._by_name else range(len(self._columns))
            kinds = [(place, kind.dialect_impl(self._dialect)) for place, (_, kind) in zip(places, self._columns, strict=True)]
            converters = [(place, kind.result_processor(self._dialect, None)) for place, kind in kinds]
            row: Any = namedtuple("Row", names, rename=True)  # type: ignore[misc]  # its names are the statement's
            self._told_as = partial(tuple.__new__, row), [(place, convert) for place, convert in converters if convert is not None]
        return self._told_as


def _native(text: str) -> tuple[bytes, list[str]]:
    """A statement with `%(name)s` as PostgreSQL itself has it, with $1; and which name is which place."""
    order: dict[str, int] = {}

    def placed(found: re.Match[str]) -> str:
        return "%" if found[1] is None else f"${order.setdefault(found[1], len(order) + 1)}"

    return re.sub(r"%(?:%|\((.*?)\)s)", placed, text).encode(), list(order)


def _ready(statement: Any, dialect: Dialect) -> _Ready:
    """Statements are made at import and stay."""
    key = statement, dialect.name
    if key not in _READY:
        _READY[key] = _Ready(statement, dialect)
    return _READY[key]


_READY: dict[tuple[Any, str], _Ready] = {}


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
        return list(value) if dialect.name == "postgresql" else str(list(value))  # of whole numbers it is JSON, in a third of the time


_IDS = Ids()


class _Listed(TextClause):
    inherit_cache = True


@compiles(_Listed)
def _text(element: _Listed, compiler: SQLCompiler, **how: Any) -> str:
    within = _IN[compiler.dialect.name]
    statement = re.sub(r"(\S+) in (:\w+)", lambda found: within.format(found[1], found[2]), element.text)
    statement = re.sub(r"\bids\((\S+)\)", lambda found: _GATHERED[compiler.dialect.name].format(found[1]), statement)
    return str(compiler.process(TextClause(statement).bindparams(*element._bindparams.values()), **how))


class _Among(FunctionElement[Any]):
    """Of no type: a Boolean would be compared with 1 on SQLite, which no index answers."""

    inherit_cache = True
    name = "among"


@compiles(_Among)
def _condition(element: _Among, compiler: SQLCompiler, **how: Any) -> str:
    column, ids = (compiler.process(one, **how) for one in element.clauses)
    return _IN[compiler.dialect.name].format(column, ids)
