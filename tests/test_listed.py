"""Statements with lists: rows are the same by the driver's cursor and by SQLAlchemy, and a session sees what it wrote."""

from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg.pq import Trace, TransactionStatus
from sqlalchemy import JSON, BigInteger, String, bindparam, event, literal_column, select, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from app import tables  # noqa: F401  # every room's tables
from app.db import House, Moment
from app.journal.act import SYSTEM, By, act
from app.journal.models import Entry
from app.ledger.items import Item
from app.listed import Question, among, ask, blocks, gathered, listed, say, together, tuples

_ITEMS = listed("select id, kind from item where id in :items order by id", "items")
_BOTH = listed("select id from item where id in :some union all select id from entry where id in :others", "some", "others")
_CUT_OFF = """
select pg_terminate_backend(pid) from pg_stat_activity where usename = current_user and datname = current_database() and pid <> pg_backend_pid()
"""
_TIMES = listed("select id, recorded_at from entry where id in :entries", "entries").columns(recorded_at=Moment())
_SINCE = listed(
    "select i.id from item i join entry e on e.id = i.e where i.id in :items and i.kind = :kind and e.recorded_at >= :at",
    "items", kind=String(), at=Moment(),
)  # fmt: skip


def add_items(house: House, *kinds: str) -> list[int]:
    ids: list[int] = []

    def verb(session, by: By):  # type: ignore[no-untyped-def]
        rows = [Item(e=by.e, kind=kind) for kind in kinds]
        session.add_all(rows)
        assert [row.kind for row in ask(session, _ITEMS, items=range(1, 100))] == list(kinds), "what the act wrote is seen in it"
        ids[:] = [row.id for row in rows]
        return {}

    act(house, SYSTEM, "make_token", {}, verb)
    return ids


def asked(house: House, first: int, second: int) -> tuple[list[Any], ...]:
    with house.reading() as session:
        both = gathered(session, _BOTH, some=[second], others=[])
        return ask(session, _ITEMS, items=[first, second]), tuples(session, _ITEMS, items=[first]), both


def test_rows_are_the_same_when_somebody_listens(house: House) -> None:
    first, second = add_items(house, "wafer", "panel")
    unheard = asked(house, first, second)
    event.listen(house.read_engine, "before_cursor_execute", listen := lambda *_: None)
    try:
        heard = asked(house, first, second)
    finally:
        event.remove(house.read_engine, "before_cursor_execute", listen)
    assert heard == unheard == ([(first, "wafer"), (second, "panel")], [(first, "wafer")], [(second,)])
    assert unheard[0][1].kind == "panel"


def test_an_empty_list_asks_nothing(house: House) -> None:
    with house.reading() as session:
        assert ask(session, _ITEMS, items=[]) == tuples(session, _ITEMS, items=[]) == []


def test_types_are_told(house: House) -> None:
    add_items(house, "wafer")
    with house.reading() as session:
        (row,) = ask(session, _TIMES, entries=[1])
    assert isinstance(row.recorded_at, datetime) and row.recorded_at.tzinfo is UTC


def test_single_values_go_as_their_types_say_beside_lists(house: House) -> None:
    first, second = add_items(house, "wafer", "panel")
    with house.reading() as session:
        (at,) = [row.recorded_at for row in ask(session, _TIMES, entries=[1])]
        assert [ask(session, _SINCE, items=[first, second], at=moment, kind="panel") for moment in (at, at + timedelta(microseconds=1))] == [
            [(second,)], []
        ]  # fmt: skip
        assert tuples(session, _SINCE, items=[], at=at, kind="panel") == tuples(session, _SINCE, items=[second], at=None, kind="panel") == []


def test_a_statement_of_sqlalchemys_is_asked_the_same_way(house: House) -> None:
    """With its own values, a list of them too, and the types of its columns."""
    add_items(house, "wafer", "panel", "lot")
    entries = select(Entry.arguments, Entry.signed, Entry.recorded_at).where(Entry.id == bindparam("entry")).limit(1)
    items = select(Item.kind).where(Item.kind.in_(("wafer", "lot")), among(Item.id, "items")).order_by(Item.id)
    with house.reading() as session:
        (row,) = ask(session, entries, entry=1)
        assert [one.kind for one in ask(session, items, items=[1, 2, 3])] == ["wafer", "lot"]
    assert (row.arguments, row.signed) == ({}, False) and row.recorded_at.tzinfo is UTC


def test_several_are_answered_together(house: House) -> None:
    first, second = add_items(house, "wafer", "panel")
    several = [
        Question(_ITEMS, {"items": [second, first]}, lambda rows: [row.kind for row in rows]),
        Question(_ITEMS, {"items": []}, list),
        Question(_TIMES, {"entries": [1]}, lambda rows: rows[0].recorded_at.tzinfo),
    ]
    with house.reading() as session:
        assert together(session, *several) == [["wafer", "panel"], [], UTC]


def test_what_one_of_several_is_refused_for_is_told_and_nothing_of_them_stays(house: House) -> None:
    (item,) = add_items(house, "wafer")
    twice = text("insert into item (id, kind, e) values (:item, 'panel', 1)").bindparams(bindparam("item", type_=BigInteger()))
    again = [Question(twice, {"item": one}, list) for one in (item + 1, item, item + 2)]
    with pytest.raises(IntegrityError), house.writing() as session:
        together(session, *again)
    with house.reading() as session:
        assert tuples(session, _ITEMS, items=range(1, 100)) == [(item, "wafer")]


def test_a_connection_that_is_gone_is_told_as_by_sqlalchemy(house: House) -> None:
    for several in (1, 2):
        with house.reading() as session:
            connection = session.connection()
            connection.connection.driver_connection.close()  # type: ignore[union-attr]
            with pytest.raises(DBAPIError):
                together(session, *[Question(_ITEMS, {"items": [1]}, list)] * several)
            connection.invalidate()


def test_a_value_that_is_an_empty_list_is_no_list_of_ids(house: House) -> None:
    """A row with one would not be inserted, without a word."""
    values = text("select :some as some, :none as none").bindparams(bindparam("some", type_=JSON()), bindparam("none", type_=JSON()))
    with house.reading() as session:
        for asked in (1, 2):
            answers = together(session, *[Question(values.columns(some=JSON(), none=JSON()), {"some": [1, "a"], "none": []}, list)] * asked)
            assert answers == [[([1, "a"], [])]] * asked


def test_an_error_of_the_driver_is_told_as_any_other(house: House) -> None:
    with house.snapshot() as session, pytest.raises(DBAPIError):
        list(blocks(session, select(literal_column("nothing"))))
    with house.reading() as session, pytest.raises(DBAPIError):
        tuples(session, listed("select id from no_such_table where id in :items", "items"), items=[1])


def test_what_is_said_last_comes_with_the_commit_or_not_at_all(house: House) -> None:
    (item,) = add_items(house, "wafer")
    one_more = text("insert into item (id, kind, e) values (:item, 'panel', 1)").bindparams(bindparam("item", type_=BigInteger()))
    for added, mishap in ((item + 1, None), (item, IntegrityError), (item + 2, ZeroDivisionError), (item + 3, None)):
        with pytest.raises(mishap) if mishap else nullcontext(), house.writing() as session:
            say(session, Question(one_more, {"item": added}))
            assert mishap is not ZeroDivisionError or 1 / 0
    with house.reading() as session:
        assert [one for one, _ in tuples(session, _ITEMS, items=range(1, 100))] == [item, item + 1, item + 3]


def test_a_commit_that_fails_leaves_nothing_to_who_writes_next(house: House) -> None:
    """Its connection goes on to the next, and on SQLite it would keep everybody else from writing until then."""

    def of_no_entry() -> None:
        with house.writing() as session:
            session.execute(text("insert into item (id, kind, e) values (1, 'lot', 99)"))

    for _ in range(2):
        with pytest.raises(IntegrityError):
            of_no_entry()
    with house.writing() as session:
        assert tuples(session, text("select id from item")) == []


@pytest.mark.only_on("postgresql")
def test_a_connection_that_died_while_nobody_used_it_is_replaced_unseen(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.db._IDLE_SECONDS", 0.0)
    (item,) = add_items(house, "wafer")
    with house.reading() as session:
        session.execute(text(_CUT_OFF))
    with house.writing() as session:
        assert tuples(session, _ITEMS, items=[item]) == [(item, "wafer")]


@pytest.mark.only_on("postgresql")
def test_an_outage_fails_one_request_and_not_one_of_each_pool(house: House) -> None:
    (item,) = add_items(house, "wafer")
    ways = (house.writing, house.reading, house.walking)
    for way in ways:
        with way() as session:
            tuples(session, _ITEMS, items=[item])
    url = house.write_engine.url.set(drivername="postgresql").render_as_string(hide_password=False)
    with house.write_engine.connect() as one, psycopg.connect(url) as admin:
        admin.execute(_CUT_OFF)
        with pytest.raises(DBAPIError):
            one.execute(text("select 1"))
    for way in ways:
        with way() as session:
            assert tuples(session, _ITEMS, items=[item]) == [(item, "wafer")]


@pytest.mark.only_on("postgresql")
@pytest.mark.parametrize("statements", [1, 2])
def test_a_transaction_begins_in_the_journey_of_its_first_statements(house: House, tmp_path: Path, statements: int) -> None:
    """As the driver's own protocol has it: F goes to the database, B comes back."""
    with house.writing() as session, (tmp_path / "journeys").open("w+") as trace:
        driver: Any = session.connection().connection.driver_connection
        driver.pgconn.trace(trace.fileno())
        driver.pgconn.set_trace_flags(Trace.SUPPRESS_TIMESTAMPS)
        together(session, *[Question(text("select 1"), {}, list)] * statements)
        driver.pgconn.untrace()
        assert session.connection().connection.driver_connection.info.transaction_status == TransactionStatus.INTRANS
        trace.seek(0)
        sent, *_ = trace.read().split("\nB\t")
    assert ["BEGIN" in line for line in sent.splitlines() if "\tParse\t" in line] == [True] + [False] * statements


@pytest.mark.only_on("postgresql")
def test_a_transaction_is_undone_that_its_first_statement_broke(house: House) -> None:
    with house.writing() as session:
        with pytest.raises(DBAPIError, match="division by zero"):
            together(session, Question(text("select 1 / 0"), {}, list))
        session.rollback()
        assert tuples(session, text("select 2")) == [(2,)]
