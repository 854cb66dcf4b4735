"""PostgreSQL's driver, with fewer journeys: what nobody waits for goes with what is asked next, or with the commit; so does BEGIN.

And with less work for each statement: one that has its places as the database names them ($1) is asked without a cursor, in half of its processor
time. The driver's own list says which are prepared, from the sixth time on, and its pipeline hands answers over; neither is promised to stay as it
is, so its version has an upper limit, and `tests/test_journeys.py` compares with its cursors.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Self

import psycopg
from psycopg import errors
from psycopg._preparing import Prepare
from psycopg.adapt import PyFormat, Transformer
from psycopg.pq import ConnStatus, ExecStatus, TransactionStatus
from psycopg.pq.abc import PGresult


class Answer:
    """What the database answered to one statement. In a journey it is there when that ends: the driver hands it over, as it does to a cursor."""

    __slots__ = ("_conn", "_result")

    def __init__(self, connection: "Connection") -> None:
        self._conn = connection
        self._result: PGresult  # none before it came: what is not known is no empty list

    def rows(self) -> list[tuple[Any, ...]]:
        if not self._result.ntuples:
            return []
        transformer = self._conn.transformer
        transformer.set_pgresult(self._result)
        rows: list[tuple[Any, ...]] = transformer.load_rows(0, self._result.ntuples, tuple)
        transformer.set_pgresult(None)  # or an idle connection would keep the whole answer until it is asked again
        return rows

    def names(self) -> list[str]:
        """Of its columns."""
        return [(self._result.fname(n) or b"").decode() for n in range(self._result.nfields)]

    def _check_results(self, results: Sequence[PGresult]) -> None:
        for result in results:
            if result.status == ExecStatus.PIPELINE_ABORTED:
                raise errors.PipelineAborted("pipeline aborted")
            if result.status not in (ExecStatus.TUPLES_OK, ExecStatus.COMMAND_OK):
                if self._conn.pgconn.status == ConnStatus.BAD:
                    raise psycopg.OperationalError(result.get_error_message())
                raise errors.error_from_result(result)

    def _set_results(self, results: Sequence[PGresult]) -> None:
        (self._result,) = results


Told = Callable[[Answer], Any]


@dataclass(frozen=True, slots=True)
class _Bound:
    """A statement and its values as the driver sends them; by the first two it knows what is prepared."""

    query: bytes
    types: tuple[int, ...]
    values: Sequence[Any]
    formats: Sequence[Any]


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
        self._said: list[tuple[bytes, Sequence[Any], Told | None]] = []
        self._transformer: Any = None  # the driver brings no type of it

    @property
    def transformer(self) -> Any:
        """Values to what is sent, and back; by what whoever connected has registered since."""
        if self._transformer is None:
            self._transformer = Transformer(self)
        return self._transformer

    def cursor(self, name: str = "", **how: Any) -> Any:
        """One with a name, of the server's, sends by itself what it is asked."""
        if name:
            self.hear()
        return super().cursor(name, **how)

    def ask(self, query: bytes, values: Sequence[Any]) -> Answer:
        if self.has_more_to_send():
            (answer,) = self.ask_all([(query, values)])
            return answer
        return self._ask_alone(self._bound(query, values))

    def ask_all(self, asked: Sequence[tuple[bytes, Sequence[Any]]]) -> list[Answer]:
        """In one journey."""
        with self.journey():
            return [self._ask_on_the_way(query, values) for query, values in asked]

    def say(self, query: bytes, values: Sequence[Any], told: Told | None = None) -> None:
        """`told` is called with its answer as soon as something is asked, before the commit in any case; it may refuse what is asked."""
        self._said.append((query, values, told))

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
        try:
            with self.pipeline():
                if begins:
                    self._send(self._get_tx_start_command())
                answers = [(self._ask_on_the_way(query, values), told) for query, values, told in said]
                yield
        finally:
            if self._pipeline is None and self.pgconn.pipeline_status:  # the database hung up, or memory ran out: answers are left
                self.close()
        for answer, told in answers:
            if told is not None:
                told(answer)

    def commit(self) -> None:
        """One that fails ends the transaction too: so does the database's own, and who asked for it lends the connection to the next."""
        try:
            self._commit()
        except BaseException:
            self._give_up()
            raise

    def _commit(self) -> None:
        if any(told is not None for _, _, told in self._said):
            self.hear()
        if not self._said:
            super().commit()
            return
        with self.journey():
            self._send(b"commit")

    def _give_up(self) -> None:
        try:
            self.rollback()
        except psycopg.Error:
            self.close()

    def rollback(self) -> None:
        """What is prepared stays, as it does in the database: the driver would have it prepared anew, in case that tables came or went."""
        self._said = []
        if self.pgconn.transaction_status == TransactionStatus.INTRANS:
            with self.pipeline():
                self._send(b"rollback")
        else:  # after a mishap, what was to be prepared behind it is not
            super().rollback()

    def _send(self, command: bytes) -> None:
        self.pgconn.send_query_params(command, None)
        self._awaited(None)

    def _awaited(self, answer: Any) -> None:
        """In a journey answers are looked at in their order, those of the driver's own commands too; nobody else reads one of None."""
        assert self._pipeline is not None
        self._pipeline.result_queue.append(answer)

    def _bound(self, query: bytes, values: Sequence[Any]) -> _Bound:
        sent = self.transformer.dump_sequence(values, [PyFormat.AUTO] * len(values))
        return _Bound(query, self.transformer.types or (), sent, self.transformer.formats or ())

    def _ask_alone(self, bound: _Bound) -> Answer:
        answer = Answer(self)
        how, name = self._prepared.get(bound, None)  # type: ignore[arg-type]  # it asks nothing but these two of a query
        if how is Prepare.SHOULD:
            answer._check_results([self.pgconn.prepare(name, bound.query, bound.types)])
        if how is Prepare.NO:
            result = self.pgconn.exec_params(bound.query, bound.values, bound.types, bound.formats)
        else:
            result = self.pgconn.exec_prepared(name, bound.values, bound.formats)
        key = self._prepared.maybe_add_to_cache(bound, how, name)  # type: ignore[arg-type]
        if key is not None:
            self._prepared.validate(key, how, name, [result])
        answer._check_results([result])
        answer._set_results([result])
        if key is not None:
            self.wait(self._prepared.maintain_gen(self))
        return answer

    def _ask_on_the_way(self, query: bytes, values: Sequence[Any]) -> Answer:
        """Sent at once, so that the database works while the next is made ready."""
        answer, bound = Answer(self), self._bound(query, values)
        how, name = self._prepared.get(bound, None)  # type: ignore[arg-type]
        if how is Prepare.SHOULD:
            self.pgconn.send_prepare(name, query, bound.types)
            # after an error before it in the journey it is not prepared, and must not stand in the list as if it were
            self._awaited((Answer(self), ((bound.query, bound.types), how, name)))
        if how is Prepare.NO:
            self.pgconn.send_query_params(query, bound.values, bound.types, bound.formats)
        else:
            self.pgconn.send_query_prepared(name, bound.values, bound.formats)
        key = self._prepared.maybe_add_to_cache(bound, how, name)  # type: ignore[arg-type]
        self._awaited((answer, (key, how, name) if key is not None else None))
        self.pgconn.flush()
        return answer

    def _begins(self) -> bool:
        """Is the next statement the first of a transaction? The driver would send BEGIN, and wait, before it sends anything else."""
        return not self._autocommit and self.pgconn.transaction_status == TransactionStatus.IDLE
