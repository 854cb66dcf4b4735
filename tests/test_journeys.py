"""Journeys to PostgreSQL: what was said comes to it before whatever is asked next, and with the commit at the latest."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg.pq import Trace
from sqlalchemy import BigInteger, String, bindparam, event, insert, select, text, update
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from app import clock, tables  # noqa: F401  # every room's tables
from app.db import House
from app.errors import refuse
from app.journal.act import SYSTEM, By, Intent, act, rehearse
from app.journal.record import enter, number
from app.journeys import Answer
from app.ledger.items import Item
from app.listed import Question, blocks, hear, say, together, tuples

pytestmark = pytest.mark.only_on("postgresql")

_ADD = text("insert into item (id, kind, e) values (:item, 'panel', 1)").bindparams(bindparam("item", type_=BigInteger()))
_ALL = "select id from item order by id"


def adding(item: int, told: Callable[[list[Any]], Any] | None = None) -> Question[Any]:
    return Question(_ADD, {"item": item}, told)


def driver_of(session: Session) -> Any:
    return session.connection().connection.driver_connection


@contextmanager
def journeys(house: House, folder: Path) -> Iterator[list[list[str]]]:
    """What goes to the database, as the driver's own protocol has it: the statements of each journey, which ends with a Sync."""
    found: list[list[str]] = [[]]
    with (folder / "trace").open("w+") as trace:

        def follow(driver: Any, *_: Any) -> None:
            driver.pgconn.trace(trace.fileno())
            driver.pgconn.set_trace_flags(Trace.SUPPRESS_TIMESTAMPS)

        event.listen(house.write_engine, "checkout", follow)
        yield found
        event.remove(house.write_engine, "checkout", follow)
        trace.seek(0)
        for line in trace.read().splitlines():
            if sent := re.match(r'F\t\d+\tParse\t "\w*" "(.*?)("[ \d]*)?$', line):
                found[-1].append(sent[1])
            elif line.startswith("F") and "\tSync" in line:
                found.append([])


ASKING: dict[str, Callable[[Session], list[int]]] = {
    "the session": lambda session: list(session.scalars(text(_ALL))),
    "the session for rows": lambda session: [item.id for item in session.scalars(select(Item).order_by(Item.id))],
    "the driver": lambda session: [row[0] for row in tuples(session, text(_ALL))],
    "the driver, for two things": lambda session: [row.id for row in together(session, *[Question(text(_ALL), {}, list)] * 2)[1]],
    "a cursor": lambda session: [row[0] for row in driver_of(session).cursor().execute(_ALL).fetchall()],
    "a cursor of the server's": lambda session: [row[0] for rows in blocks(session, select(Item.id).order_by(Item.id)) for row in rows],
}


@pytest.mark.parametrize("way", ASKING)
def test_what_was_said_is_seen_by_what_is_asked_next(house: House, way: str) -> None:
    told: list[int] = []
    with house.writing() as session:
        say(session, adding(1), adding(2, lambda rows: told.append(len(rows))))
        assert told == []
        assert ASKING[way](session) == [1, 2]
        assert told == [0], "it answers no rows"
        session.rollback()


def test_writes_of_the_session_and_what_was_said_keep_their_order(house: House) -> None:
    with house.writing(as_owner=True) as session:
        session.execute(insert(Item.__table__).values(id=1, kind="lot", e=1))
        say(session, adding(2))
        session.execute(update(Item.__table__).values(kind="wafer"))
        session.execute(update(Item.__table__).where(Item.id == bindparam("of")).values(e=1), [{"of": 1}, {"of": 2}])
        say(session, adding(3))
        assert [kind for (kind,) in tuples(session, text("select kind from item order by id"))] == ["wafer", "wafer", "panel"]
        session.rollback()


@pytest.mark.parametrize("way", ASKING)
def test_what_an_answer_tells_may_refuse_what_is_asked(house: House, way: str) -> None:
    def no(_: list[Any]) -> None:
        raise LookupError

    with house.writing() as session:
        say(session, adding(1, no))
        with pytest.raises(LookupError):
            ASKING[way](session)
        session.rollback()
        assert ASKING[way](session) == []


def test_what_nobody_asked_after_may_still_refuse_the_commit(house: House) -> None:
    def no(_: list[Any]) -> None:
        raise LookupError

    with pytest.raises(LookupError), house.writing() as session:
        say(session, adding(1, no))
    with house.reading() as session:
        assert tuples(session, text(_ALL)) == []


@pytest.mark.parametrize("refused_by", ["the database", "what an answer tells"])
def test_what_refuses_a_commit_leaves_nothing_to_who_writes_next(house: House, refused_by: str) -> None:
    """Whoever asks for a commit that fails takes the transaction for ended, and lends its connection to the next."""

    def no(_: list[Any]) -> None:
        raise LookupError

    drivers: list[Any] = []

    def written() -> None:
        with house.writing() as session:
            drivers.append(driver_of(session))
            say(session, *((adding(1), adding(1)) if refused_by == "the database" else (adding(1, no),)))

    with pytest.raises((IntegrityError, LookupError)):
        written()
    with house.writing() as session:
        assert driver_of(session) is drivers[0]
        assert tuples(session, text(_ALL)) == []


def test_what_was_said_goes_with_the_transaction_that_is_given_up(house: House) -> None:
    with house.writing() as session:
        say(session, adding(1))
        session.rollback()
        hear(session)
        assert tuples(session, text(_ALL)) == []


@pytest.mark.parametrize("way", ASKING)
def test_a_snapshot_begins_with_what_is_asked_first(house: House, way: str) -> None:
    def adds(session: Session, by: By) -> dict[str, Any]:
        item = Item(kind="lot")
        number(session, by.number, item)
        enter(session, item)
        return {}

    with house.snapshot() as session:
        before = ASKING[way](session)
        act(house, SYSTEM, "start_lot", {}, adds)
        assert [again(session) for again in ASKING.values()] == [before] * len(ASKING)


def test_what_was_said_in_vain_is_told_to_who_asks_next(house: House) -> None:
    for way in (lambda session: session.scalars(text(_ALL)), hear, lambda session: together(session, adding(2), adding(3))):
        with house.writing() as session:
            say(session, adding(1), adding(1))
            with pytest.raises(IntegrityError):
                way(session)
            session.rollback()


def test_a_name_that_stands_twice_is_one_value_and_a_percent_sign_is_one(house: House) -> None:
    twice = text("select :word || '%' || :word, :number % 5, '%(word)s'").bindparams(
        bindparam("word", type_=String()), bindparam("number", type_=BigInteger())
    )
    with house.reading() as session:
        unheard = tuples(session, twice, word="x", number=12)
        event.listen(house.read_engine, "before_cursor_execute", listen := lambda *_: None)
        heard = tuples(session, twice, word="x", number=12)
        event.remove(house.read_engine, "before_cursor_execute", listen)
    assert unheard == heard == [("x%x", 2, "%(word)s")]


@pytest.mark.parametrize("value", [None, 0, -1, 32_768, 2**31, 2**62, "", "Größe", "a\nb", "%s", "$1", b"", b"\0\xff", True, 1.5, [], [1, 2**40]])
def test_values_come_back_as_by_a_cursor(house: House, value: Any) -> None:
    with house.reading() as session:
        driver = driver_of(session)
        kind = {list: "bigint[]", int: "bigint", str: "varchar", bytes: "bytea", bool: "boolean", float: "float8"}.get(type(value), "varchar")
        for _ in range(8):  # prepared and not
            answer = driver.ask(f"select $1::{kind} as one, 2 as two".encode(), [value])
            assert answer.rows() == driver.cursor().execute(f"select %s::{kind}, 2", [value]).fetchall() == [(value, 2)]
            assert answer.names() == ["one", "two"]


def test_what_the_database_refuses_is_the_error_that_a_cursor_raises(house: House) -> None:
    with house.reading() as session:
        driver = driver_of(session)
        for wrong in ("select 1 / 0", "select nothing", "selekt"):
            with pytest.raises(psycopg.Error) as ours:
                driver.ask(wrong.encode(), [])
            with pytest.raises(psycopg.Error) as theirs:
                driver.cursor().execute(wrong)
            assert (type(ours.value), str(ours.value)) == (type(theirs.value), str(theirs.value))
        with pytest.raises(psycopg.DataError, match="NUL"):
            driver.ask(b"select $1::varchar", ["a\0b"])
        assert driver.ask(b"select 1", []).rows() == [(1,)]


def test_a_connection_that_is_gone_is_an_outage(house: House) -> None:
    with house.reading() as session:
        driver, number = driver_of(session), tuples(session, text("select pg_backend_pid()"))[0][0]
        with house.write_engine.connect() as other:
            other.execute(text(f"select pg_terminate_backend({number})"))
        with pytest.raises(psycopg.OperationalError):
            driver.ask(b"select 1", [])
        assert driver.broken
        session.invalidate()


def asked_often(session: Session) -> int:
    """The driver prepares what is asked more than five times."""
    return [tuples(session, text("select count(*) from pg_prepared_statements where statement like '%item%'"))[0][0] for _ in range(8)][-1]


def test_what_is_prepared_stays_when_a_transaction_is_given_up(house: House) -> None:
    with house.writing() as session:
        prepared = asked_often(session)
        session.rollback()
        assert tuples(session, text("select count(*) from pg_prepared_statements"))[0][0] >= prepared > 0


def test_what_was_to_be_prepared_behind_a_mishap_is_asked_again_all_the_same(house: House) -> None:
    again = text("select 7")
    with house.writing() as session:
        for _ in range(5):
            assert tuples(session, again) == [(7,)]
        with pytest.raises(DBAPIError, match="division by zero"):
            together(session, Question(text("select 1 / 0"), {}), Question(again, {}))
        session.rollback()
        for _ in range(3):
            assert tuples(session, again) == [(7,)]


def test_a_reader_asks_again_what_was_to_be_prepared_behind_a_mishap(house: House) -> None:
    """It has no transaction to give up: a standby that must catch up, or who stops a statement, ends it alone."""
    again = text("select 7")
    with house.reading() as session:
        for _ in range(5):
            assert tuples(session, again) == [(7,)]
        with pytest.raises(DBAPIError, match="division by zero"):
            together(session, Question(text("select 1 / 0"), {}), Question(again, {}))
        for _ in range(8):
            assert tuples(session, again) == [(7,)]
        assert tuples(session, text("select count(*) from pg_prepared_statements where statement = 'select 7'")) == [(1,)]


def test_what_is_refused_first_is_told_though_the_list_of_what_is_prepared_is_to_be_emptied(house: House) -> None:
    with house.writing(as_owner=True) as session:
        for _ in range(7):
            tuples(session, text("select 7"))
        session.rollback()
        session.execute(text("alter table item add column more bigint"))
        with pytest.raises(DBAPIError, match="division by zero"):
            tuples(session, text("select 1 / 0"))
        session.rollback()


def test_an_idle_connection_keeps_no_answer(house: House) -> None:
    with house.reading() as session:
        assert len(tuples(session, text("select generate_series(1, 1000)"))) == 1000
        assert driver_of(session).transformer.pgresult is None


def test_an_answer_that_did_not_come_is_no_empty_one(house: House) -> None:
    with house.reading() as session, driver_of(session).journey():
        answer = driver_of(session)._ask_on_the_way(b"select 1 where false", [])
        with pytest.raises(AttributeError):
            answer.rows()
    assert answer.rows() == []


def test_a_journey_that_broke_off_closes_its_connection(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was not read of it would be taken for the answer to what is asked next. Where all had come by then there is nothing of the kind."""

    drivers: list[Any] = []

    def no_room(*_: Any) -> None:
        raise MemoryError

    def asked() -> None:
        with house.writing() as session:
            drivers.append(driver_of(session))
            together(session, Question(text("select 1"), {}), Question(text("select 2"), {}))

    with monkeypatch.context() as patch:
        patch.setattr(Answer, "_set_results", no_room)
        with pytest.raises((DBAPIError, MemoryError)) as broken:
            asked()
    assert drivers[0].closed or not drivers[0].pgconn.pipeline_status
    assert isinstance(broken.value, MemoryError) or (drivers[0].closed and broken.value.connection_invalidated)
    with house.writing() as session:
        assert tuples(session, text("select 3")) == [(3,)]


def test_what_an_answer_tells_may_refuse_what_is_rehearsed(house: House) -> None:
    refusal = refuse("not_here", "No.", "It is not here.", "Bring it.")

    def no(_: list[Any]) -> None:
        raise refusal

    def verb(session: Session, _by: By) -> dict[str, Any]:
        say(session, adding(1, no))
        return {}

    intents = [Intent("receive_batch", {}, verb, clock.now())] * 2
    assert rehearse(house, SYSTEM, intents, source="person", fact=True) == [refusal]


def test_an_act_makes_a_journey_for_what_it_asks_and_one_for_what_it_writes(house: House, tmp_path: Path) -> None:
    def verb(session: Session, by: By) -> dict[str, Any]:
        assert session.scalar(select(Item.id)) is None
        item = Item(kind="lot")
        number(session, by.number, item)
        enter(session, item)
        return {"item": item.id}

    with journeys(house, tmp_path) as found:
        act(house, SYSTEM, "make_token", {}, verb, key="k")
    assert [[statement.lower().split()[:3] for statement in journey] for journey in found if journey] == [
        [["begin"], ["insert", "into", "request"], ["select", "pg_advisory_xact_lock_shared(7201)"], ["select", "item.id"]],
        [["select", "nextval('entry_number')", "as"], ["select", "nextval(wanted.of", "||"]],
        [["insert", "into", '"item"'], ["insert", "into", "entry"], ["update", "request", "set"], ["commit"]],
    ]
