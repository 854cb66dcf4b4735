"""PostgreSQL's driver, with fewer journeys: what nobody waits for goes with what is asked next, or with the commit; so does BEGIN."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Self

import psycopg
from psycopg.pq import TransactionStatus

Told = Callable[[psycopg.Cursor[Any]], Any]


class Cursor(psycopg.Cursor[Any]):
    """Whoever executes a statement, SQLAlchemy too, has what was said before it executed before it."""

    __slots__ = ()
    _conn: "Connection"

    def execute(self, *statement: Any, **how: Any) -> Self:
        if not self._conn.has_more_to_send():
            return super().execute(*statement, **how)
        with self._conn.journey():
            return super().execute(*statement, **how)

    def executemany(self, *statement: Any, **how: Any) -> None:
        with self._conn.journey():
            super().executemany(*statement, **how)


class Connection(psycopg.Connection[Any]):
    """Statements come to the database in the order in which they were said and executed, each with its own snapshot, as without it."""

    def __init__(self, *given: Any, **how: Any) -> None:
        super().__init__(*given, **how)
        self.cursor_factory = Cursor
        self._said: list[tuple[Any, Any, Told | None]] = []

    def cursor(self, name: str = "", **how: Any) -> Any:
        """One with a name, of the server's, sends by itself what it is asked."""
        if name:
            self.hear()
        return super().cursor(name, **how)

    def say(self, statement: Any, values: Any, told: Told | None = None) -> None:
        """`told` is called with its cursor as soon as something is asked, before the commit in any case; it may refuse what is asked."""
        self._said.append((statement, values, told))

    def hear(self) -> None:
        """Sends what was said, and waits."""
        if self._said:
            with self.journey():
                pass

    def has_more_to_send(self) -> bool:
        return bool(self._said) or self._begins()

    @contextmanager
    def journey(self) -> Iterator[None]:
        """What is executed in it is sent at once, after what was said before; its answers are there when it ends."""
        begins, said, self._said = self._begins(), self._said, []
        with self.pipeline() as pipeline:
            if begins:
                self._send(b"begin", pipeline)
            answers = [(self.execute(statement, values), told) for statement, values, told in said]
            yield
        for cursor, told in answers:
            if told is not None:
                told(cursor)

    def commit(self) -> None:
        if any(told is not None for _, _, told in self._said):
            self.hear()
        if not self._said:
            super().commit()
            return
        with self.journey():
            self.execute("commit", prepare=False)

    def rollback(self) -> None:
        """What is prepared stays, as it does in the database: the driver would have it prepared anew, in case that tables came or went."""
        self._said = []
        if self.pgconn.transaction_status == TransactionStatus.INTRANS:
            with self.pipeline() as pipeline:
                self._send(b"rollback", pipeline)
        else:  # after a mishap, what was to be prepared behind it is not
            super().rollback()

    def _send(self, command: bytes, pipeline: psycopg.Pipeline) -> None:
        self.pgconn.send_query_params(command, None)
        pipeline.result_queue.append(None)  # its answer is looked at with the others, as those of the driver's own commands are

    def _begins(self) -> bool:
        """Is the next statement the first of a transaction? The driver would send BEGIN, and wait, before it sends anything else."""
        return not self._autocommit and self.isolation_level is None and self.pgconn.transaction_status == TransactionStatus.IDLE
