"""Engines and sessions for the two databases, the column types that both store alike, and the one naming convention."""

import json
import math
import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, ClassVar

from sqlalchemy import JSON, BigInteger, DateTime, Engine, ExceptionContext, Integer, LargeBinary, MetaData, String, create_engine, event
from sqlalchemy.exc import InvalidatePoolError
from sqlalchemy.orm import DeclarativeBase, Session
from sqlalchemy.sql.compiler import InsertmanyvaluesSentinelOpts
from sqlalchemy.types import TypeDecorator

from app.garbage import look_seldom
from app.settings import Settings

_LEFT, _IDLE_SECONDS = "left", 1.0
REMEMBERED = "remembered"  # of a session: what its house keeps from one session to the next (`House.remembered`)
BigId = BigInteger().with_variant(Integer, "sqlite")  # SQLite numbers rows by itself only in a column called INTEGER


class Moment(TypeDecorator[datetime]):
    """A time in UTC with zone. SQLite would give it back without the zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        if value is not None and value.tzinfo is None:
            raise ValueError("a time without a zone")
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)

    def result_processor(self, dialect: Any, coltype: object) -> Any:
        """On SQLite in one step from its text, which a trace does hundreds of times."""
        return _from_text if dialect.name == "sqlite" else super().result_processor(dialect, coltype)


@lru_cache(4096)  # the lines of a run have its times
def _from_text(value: str | None) -> datetime | None:
    return None if value is None else datetime.fromisoformat(value + "+00:00")


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {
        int: BigId,
        str: String(),
        datetime: Moment(),
        bytes: LargeBinary(),
        dict[str, Any]: JSON(),
        list[Any]: JSON(),
    }

    # what the program does with rows that stand, and so may on PostgreSQL (`rights.py`): it updates these columns; it deletes rows
    updates: ClassVar[tuple[str, ...]] = ()
    deletes: ClassVar[bool] = False


class RecordSession(Session):
    """A session that may write on the record: `journal/record.py` listens to it and digests what it writes."""


@dataclass
class _Pools:
    """`broke_at`: when one of a house's connections was last found dead, on the monotonic clock. All that were left before it are asked."""

    broke_at: float = -math.inf

    def broke(self) -> None:
        self.broke_at = time.monotonic()

    def may_be_dead(self, left: float) -> bool:
        return left < max(self.broke_at, time.monotonic() - _IDLE_SECONDS)


class House:
    """One installation: its database, its data folder, and the one lock that SQLite's writers share."""

    def __init__(self, settings: Settings) -> None:
        look_seldom(after="the first house")
        self.settings = settings
        self.data_dir: Path = settings.data_dir
        self.kind = "sqlite" if settings.url.startswith("sqlite") else "postgresql"
        self.remembered: dict[str, Any] = {}  # by rooms, of committed rows that do not change; each says how it knows that they have not
        self._info = {REMEMBERED: self.remembered}
        self.write_lock = threading.Lock()  # fairer than SQLite's own waiting: worst scan of 32 clients 90 ms, not 740
        if self.kind == "sqlite":
            self.data_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.write_engine = _sqlite_engine(settings.url)
            self.read_engine = self.walk_engine = self.owner_engine = self.write_engine
        else:
            # who reads from a standby must find there what was answered: an act ends when its standby shows it
            acts = f"{_LOOK_UPS} -c synchronous_commit=remote_apply" if settings.read_url else _LOOK_UPS
            read_url, pools = settings.read_url or settings.url, _Pools()
            self.write_engine = _postgres_engine(settings.url, acts, pools, prepared=_PREPARED, pool_size=24)
            self.owner_engine = _postgres_engine(settings.owner_url, acts, pools, pool_size=1) if settings.owner_url else self.write_engine
            self.read_engine = _postgres_engine(read_url, _NO_JIT, pools, isolation_level="AUTOCOMMIT", pool_size=16)
            self.walk_engine = _postgres_engine(read_url, _WALKS, pools, isolation_level="AUTOCOMMIT", pool_size=8)
        self._act_engine = self.write_engine.execution_options(sqlite_begin="IMMEDIATE")  # else two could read before either writes

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that reads. What it is asked to write is thrown away."""
        with Session(self.read_engine, autoflush=False, info=self._info) as session:
            yield session

    @contextmanager
    def walking(self) -> Iterator[Session]:
        """A session that reads, for traces: PostgreSQL is kept to index look-ups."""
        with Session(self.walk_engine, autoflush=False, info=self._info) as session:
            yield session

    @contextmanager
    def snapshot(self) -> Iterator[Session]:
        """A session that reads one state of the record from beginning to end, whatever is committed meanwhile."""
        engine = self.write_engine
        if self.kind == "postgresql":
            engine = engine.execution_options(isolation_level="REPEATABLE READ")
        with Session(engine, autoflush=False, info=self._info) as session:
            yield session

    @contextmanager
    def writing(self, *, as_owner: bool = False) -> Iterator[RecordSession]:
        """A transaction that may write; committed when the block ends well. On the record only `journal.act` opens it.

        `as_owner`: with all rights of who owns the tables, which only a restore needs.
        """
        if self.kind == "sqlite":
            with self.write_lock, RecordSession(self._act_engine, info=self._info) as session:
                yield session
                session.commit()
        else:
            with RecordSession(self.owner_engine if as_owner else self._act_engine, info=self._info) as session:
                yield session
                session.commit()

    def dispose(self) -> None:
        self.write_engine.dispose()
        self.read_engine.dispose()
        self.walk_engine.dispose()
        self.owner_engine.dispose()


def canonical_json(value: Any) -> str:
    """JSON with one spelling for one value, the same on both databases."""
    return _CANONICAL.encode(value)


_CANONICAL = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False)


_POOLED, _OVER = 24, 16  # connections that are kept, and more under load
# of pages, in KiB for each connection, 256 MiB together: with ten times as much a trace or exposure over 36 days took as long
_CACHE = f"cache_size=-{256 * 1024 // (_POOLED + _OVER)}"


def _sqlite_engine(url: str) -> Engine:
    # a record asks two hundred statements: 128 prepared ones, the driver's own measure, would drop each before it comes again
    connect = {"cached_statements": 1000, "factory": _SqliteConnection}
    engine = create_engine(url, pool_size=_POOLED, max_overflow=_OVER, json_serializer=canonical_json, hide_parameters=True, connect_args=connect)
    # many rows in one INSERT: SQLite numbers them in the order of VALUES, each one above the highest, so its ids come back in their order
    engine.dialect.insertmanyvalues_implicit_sentinel = InsertmanyvaluesSentinelOpts.ANY_AUTOINCREMENT

    @event.listens_for(engine, "connect")
    def _(raw: Any, _record: Any) -> None:
        _keep_private(Path(engine.url.database or ""))
        raw.isolation_level = None  # the driver's own transactions off: a savepoint would leak
        for pragma in ("foreign_keys=on", "journal_mode=wal", "synchronous=full", "busy_timeout=5000", _CACHE):
            raw.execute(f"pragma {pragma}")

    @event.listens_for(engine, "begin")
    def _(connection: Any) -> None:
        connection.exec_driver_sql("BEGIN " + connection.get_execution_options().get("sqlite_begin", ""))

    return engine


class _SqliteConnection(sqlite3.Connection):
    def commit(self) -> None:
        """One that fails ends the transaction: SQLAlchemy takes it for ended, and lends the connection to the next."""
        try:
            super().commit()
        except sqlite3.Error:
            self.rollback()
            raise


def _keep_private(database: Path) -> None:
    """A new database is its owner's alone, whatever the folder allows; its journal files get the rights of the database from SQLite."""
    if not database.exists():
        os.close(os.open(database, os.O_RDWR | os.O_CREAT, 0o600))
    elif database.is_file() and database.stat().st_size == 0:
        database.chmod(0o600)


# PostgreSQL expects millions of rows from a recursion and would hash-join whole tables: hundreds of ms, growing with history; and it would
# compile a statement for so many, 20 to 40 ms for one that takes less than one. A walk's statements have one sensible plan whatever the ids, yet it
# would plan most of them anew each time, a third of the work of a wafer's exposure
_NO_JIT = "-c jit=off"
_LOOK_UPS = f"{_NO_JIT} -c enable_hashjoin=off -c enable_mergejoin=off -c enable_memoize=off"
_WALKS = f"{_LOOK_UPS} -c enable_seqscan=off -c plan_cache_mode=force_generic_plan -c work_mem=4MB"  # no list may be chosen with these


_PREPARED = 300  # statements, of some 20 KiB: a day's acts say 250 again and again, and of the driver's own 100 each would be dropped before it comes


def _postgres_engine(url: str, options: str, pools: _Pools, prepared: int = 100, **how: Any) -> Engine:
    """Readers are in autocommit: BEGIN and ROLLBACK cost 0.4 to 1 ms a read."""
    connect = {"options": options} if options else {}
    engine = create_engine(url, max_overflow=16, json_serializer=canonical_json, hide_parameters=True, connect_args=connect, **how)

    @event.listens_for(engine, "do_connect")
    def _(_dialect: Any, _record: Any, given: list[Any], how: dict[str, Any]) -> Any:
        from app.journeys import Connection  # the driver, which SQLite has no use for

        made = Connection.connect(*given, **how)
        made.prepared_max = prepared
        return made

    @event.listens_for(engine, "checkin")
    def _(_raw: Any, record: Any) -> None:
        record.info[_LEFT] = time.monotonic()

    @event.listens_for(engine, "checkout")
    def _(raw: Any, record: Any, _fairy: Any) -> None:
        """Who has lain idle, or was left before an outage, is asked whether it still lives: a journey that the others are spared."""
        if pools.may_be_dead(record.info.get(_LEFT, math.inf)) and not engine.dialect._do_ping_w_event(raw):
            pools.broke()
            raise InvalidatePoolError

    @event.listens_for(engine, "handle_error")
    def _(context: ExceptionContext) -> None:
        """What broke one connection mostly broke those of the other pools too."""
        if context.is_disconnect:
            pools.broke()
        _leave_out_details(context)

    return engine


def _leave_out_details(context: ExceptionContext) -> None:
    """Below what went wrong PostgreSQL tells the row that it went wrong with, hash of a password and all: a trace in the log shall not."""
    error: BaseException | None = context.original_exception
    if getattr(error, "pgresult", None) is None:  # no statement's: nothing was connected, or broke, and each line may help
        return
    if context.sqlalchemy_exception is not None:
        _keep_first_line(context.sqlalchemy_exception)
    while error is not None:
        _keep_first_line(error)
        error = error.__cause__ or error.__context__


def _keep_first_line(error: BaseException) -> None:
    error.args = tuple(one.partition("\n")[0] if isinstance(one, str) else one for one in error.args)
