"""Databases of PostgreSQL for one test after another, emptied in between: each finds what a new copy of the template would have.

To copy one for each test, to drop it, and to connect to it three times over took more than half of what PostgreSQL computed for a short test. Only
rows and sequences are put back: where anything else is not as it was made, or somebody is still connected, the database is dropped.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Any

import psycopg
from psycopg.conninfo import conninfo_to_dict
from psycopg.pq import ExecStatus, PGconn, TransactionStatus
from psycopg.sql import SQL, Identifier

import app.journeys
from tests import postgres

# rows of the catalog, and how they changed: all that only an owner can change. From 16384 on PostgreSQL numbers what it did not bring itself
_MADE = " union all ".join(
    f"select count(*), sum(xmin::text::bigint) from {rows}"
    for rows in (
        "pg_class where oid >= 16384", "pg_attribute where attrelid >= 16384", "pg_proc where oid >= 16384", "pg_attrdef", "pg_constraint",
        "pg_trigger", "pg_rewrite", "pg_namespace", "pg_db_role_setting", "alembic_version",
    )
)  # fmt: skip
_WRITTEN = """
select relname from pg_class
where relkind = 'r' and relnamespace = 'public'::regnamespace and relname <> 'alembic_version' and pg_relation_size(oid) > 0
"""
_BEGIN_ANEW = "select setval(seqrelid, seqstart, false) from pg_sequence where pg_sequence_last_value(seqrelid) is not null"
_OTHERS = "select count(*) from pg_stat_activity where datname = current_database() and backend_type = 'client backend' and pid <> pg_backend_pid()"


class Databases:
    """Those of a worker. A property test has one at a time, and a file's own stands beside its tests'."""

    def __init__(self, owner: postgres.Owner, template: str) -> None:
        self._owner, self._template = owner, template
        self._spare: list[_Database] = []

    @contextmanager
    def one(self) -> Iterator[str]:
        """Its URL."""
        used = self._spare.pop() if self._spare else _Database(self._owner, postgres.copied(self._owner, self._template))
        try:
            yield postgres.url(self._owner.info.host, used.name)
        finally:
            if used.is_emptied():
                self._spare.append(used)
            else:
                used.drop()


class _Database:
    def __init__(self, owner: postgres.Owner, name: str) -> None:
        self.name, self._owner = name, owner
        self._left = _left[name] = []
        how: dict[str, Any] = {"options": "-c session_replication_role=replica"}  # so that rows go in any order
        self._sweeper = psycopg.connect(host=owner.info.host, user="postgres", dbname=name, autocommit=True, **how)
        self._made = self._looks()

    def is_emptied(self) -> bool:
        try:
            is_alone = self._sweeper.execute(_OTHERS).fetchone() == (len(self._left),)
            if not is_alone or self._looks() != self._made:
                return False
            self._empty()
        except psycopg.Error:  # a test of outages cut it off too
            return False
        return True

    def _looks(self) -> list[Any]:
        return self._sweeper.execute(_MADE).fetchall()

    def _empty(self) -> None:
        written = [Identifier(name) for (name,) in self._sweeper.execute(_WRITTEN)]
        if written:
            self._sweeper.execute(SQL("; ").join(SQL("delete from {}").format(table) for table in written))
            self._sweeper.execute(SQL("vacuum {}").format(SQL(", ").join(written)))  # so that rows lie in the order in which they come
        self._sweeper.execute(_BEGIN_ANEW)

    def drop(self) -> None:
        for _, connection in _left.pop(self.name):
            connection.finish()
        self._sweeper.close()
        postgres.drop(self._owner, self.name)


class Connection(app.journeys.Connection):
    """Closed, one to a database of these is left open: who connects in the same way has it, as new."""

    _asked = ""

    @classmethod
    def _connect_gen(cls, conninfo: str = "") -> Any:
        left = _left_over(conninfo)
        made = cls(left) if left else (yield from super()._connect_gen(conninfo))
        made._asked = conninfo
        return made

    def close(self) -> None:
        is_idle = self.pgconn.transaction_status == TransactionStatus.IDLE and not self.pgconn.pipeline_status
        left = _left.get(self.pgconn.db.decode()) if is_idle else None
        if left is None or len(left) >= _MOST:
            super().close()
        else:
            kept, self.pgconn = self.pgconn, _CLOSED
            left.append((self._asked, kept))


def use() -> None:
    """From here on the program connects so, in this process."""
    app.journeys.Connection = Connection  # type: ignore[misc]


def _left_over(asked: str) -> PGconn | None:
    left = _left.get(str(conninfo_to_dict(asked).get("dbname")), [])
    with _one_takes:
        same = [one for one in left if one[0] == asked]
        left[:] = [one for one in left if one not in same[:1]]
    if not same:
        return None
    connection = same[0][1]
    if connection.exec_(b"discard all").status == ExecStatus.COMMAND_OK:
        connection.untrace()
        return connection
    connection.finish()  # a test of outages cut it off
    return _left_over(asked)


_one_takes = Lock()
_MOST = 6  # connections that a database keeps; tests of races open dozens
_left: dict[str, list[tuple[str, PGconn]]] = {}  # by database: connections that were closed, and what each was asked for with
_CLOSED = PGconn.connect_start(b"")
_CLOSED.finish()
