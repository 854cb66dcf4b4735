"""`check` finds every change that someone made behind the journal's back: any column of any table, a dropped entry, a cut tail."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import CheckConstraint, Connection, Table, delete, insert, select, text, update
from sqlalchemy.exc import IntegrityError

from app.db import House
from app.genealogy import checks
from app.genealogy.checks import check
from app.holds.place import place_hold
from app.journal.models import Entry, Seal
from app.journal.record import combined, insert_hash, is_digest_of, recorded_classes
from app.journal.sealing import seal
from app.journal.verify import verify_journal
from app.ledger.flows import DeadOrigin
from app.ledger.runs import Claim
from app.people.models import Person
from app.people.people import add_person
from tests.small_factory import Factory


@pytest.fixture
def factory(house: House) -> Factory:
    """A house in which something of most kinds happened, sealed."""
    one = Factory(house).load()
    panels = one.panels(2)
    lot = one.lot(panels)
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    one.run("Attach", lot)
    one.do("place_hold", lambda s, by: place_hold(s, by, panels[0], "scratched").id)
    seal(house)
    return one


@contextmanager
def behind_the_back(house: House) -> Iterator[Connection]:
    """As an administrator of the database would: no session, no foreign keys."""
    with house.owner_engine.connect() as connection:
        if house.kind == "sqlite":
            raw = connection.connection.dbapi_connection
            assert raw is not None
            connection.exec_driver_sql("commit")
            raw.execute("pragma foreign_keys=off")  # type: ignore[attr-defined]
            connection.exec_driver_sql("begin")
        else:
            connection.execute(text("set session_replication_role = replica"))
        try:
            yield connection
            connection.commit()
        finally:
            connection.rollback()
            _guards_on(house, connection)


def _guards_on(house: House, connection: Connection) -> None:
    if house.kind == "sqlite":
        connection.exec_driver_sql("commit") if connection.in_transaction() else None
        connection.connection.dbapi_connection.execute("pragma foreign_keys=on")  # type: ignore[union-attr]
    else:
        connection.execute(text("set session_replication_role = origin"))
        connection.commit()


def other(value: Any, column: Any) -> Any:
    """Another value of the same type."""
    kind = column.type.python_type if not isinstance(column.type, type(Entry.__table__.c.recorded_at.type)) else datetime
    if value is None:
        return {int: 7, str: "x", bool: True, float: 1.5, bytes: b"x", dict: {"x": 1}, datetime: datetime.fromisoformat("2026-01-01T00:00:00+00:00")}[
            kind
        ]
    if isinstance(value, bool):
        return not value
    if isinstance(value, datetime):
        return value + timedelta(seconds=1)
    if isinstance(value, (int, float)):
        return value + 1_000_003
    if isinstance(value, bytes):
        return value + b"x"
    return value + "x" if isinstance(value, str) else {"altered": True}


def alterations(house: House) -> Iterator[tuple[Table, dict[str, Any], Any]]:
    with house.reading() as session:
        for table in [*(cls.__table__ for cls in recorded_classes()), Entry.__table__, Seal.__table__]:  # type: ignore[attr-defined]
            row = session.execute(select(table).limit(1)).mappings().first()
            if row is not None:
                for column in table.columns:
                    yield table, dict(row), column


def alter(house: House, table: Table, row: dict[str, Any], column: Any) -> Any:
    """Another value in this column of the row, or None where the database itself allows no other."""
    keys = [table.c[key.name] == row[key.name] for key in table.primary_key]
    for changed in (other(row[column.name], column), *other_words(table, row, column)):
        try:
            with behind_the_back(house) as connection:
                connection.execute(update(table).where(*keys).values({column.name: changed}))
        except IntegrityError:
            continue
        return changed
    return None


def other_words(table: Table, row: dict[str, Any], column: Any) -> list[str]:
    """The other words that a check constraint of the table allows in this column."""
    rules = [str(c.sqltext) for c in table.constraints if isinstance(c, CheckConstraint) and column.name in str(c.sqltext)]
    return [word for rule in rules for word in re.findall(r"'([^']+)'", rule) if word != row[column.name]]


def put_back(house: House, table: Table, row: dict[str, Any], column: Any, changed: Any) -> None:
    keys = [table.c[key.name] == (changed if key.name == column.name else row[key.name]) for key in table.primary_key]
    with behind_the_back(house) as connection:
        connection.execute(update(table).where(*keys).values({column.name: row[column.name]}))


def test_a_house_that_nobody_touched_is_as_it_should_be(house: House, factory: Factory) -> None:
    assert list(check(house)) == []


def test_any_column_of_any_table_altered_in_one_row_is_found(house: House, factory: Factory) -> None:
    missed = []
    altered = list(alterations(house))
    assert len(altered) > 100
    for table, row, column in altered:
        changed = alter(house, table, row, column)
        if changed is None:
            continue
        if not list(verify_journal(house)):
            missed.append(f"{table.name}.{column.name}")
        put_back(house, table, row, column, changed)
    assert missed == []
    assert list(verify_journal(house)) == []


@pytest.mark.only_on("sqlite")
def test_a_value_that_is_none_of_its_column_is_found_too(house: House, factory: Factory) -> None:
    """SQLite takes anything in any column."""
    changes = ("happened_at = 'noon'", "action = x'00'", "arguments = x'00'", "signed = 'no'", "actor = 'nobody'", "digest = 'none'", "fact = 2")
    with behind_the_back(house) as connection:
        for number, change in enumerate(changes, 1):
            connection.execute(text(f"update entry set {change} where id = {number}"))
        connection.execute(text("update hold set reason = x'00', automatic = 'perhaps'"))
    found = {finding.where for finding in verify_journal(house)}
    assert found >= {f"entry {number}" for number in range(1, len(changes) + 1)}


def test_a_dropped_entry_is_found(house: House, factory: Factory) -> None:
    with behind_the_back(house) as connection:
        connection.execute(text("delete from entry where id = 3"))
    found = [finding for finding in check(house) if "entry 3" in finding.where or "entry 3" in finding.what]
    assert found


def test_a_cut_tail_is_found(house: House, factory: Factory) -> None:
    """Rows, entries and seals of the last act are gone alike; the file in the data folder still knows."""
    with house.reading() as session:
        last = session.scalars(select(Entry.id).order_by(Entry.id.desc())).first()
    with behind_the_back(house) as connection:
        for cls in recorded_classes():
            connection.execute(text(f'delete from "{cls.__tablename__}" where e = {last}'))  # type: ignore[attr-defined]
        connection.execute(text(f"delete from seal where entry = {last}"))
        connection.execute(text(f"delete from entry where id = {last}"))
    assert any("the tail was cut" in finding.what for finding in verify_journal(house))


@pytest.mark.parametrize("emptied", [True, False])
def test_a_file_of_seals_that_is_gone_is_found(house: House, factory: Factory, emptied: bool) -> None:
    """Without it a cut tail is seen on paper only, so that it is gone must be seen."""
    file = house.data_dir / "seals.log"
    file.write_bytes(b"") if emptied else file.unlink()
    assert any("can't show a cut tail" in finding.what for finding in verify_journal(house))


def test_a_long_record_is_checked_by_two_processes(house: House, factory: Factory, monkeypatch: pytest.MonkeyPatch) -> None:
    with behind_the_back(house) as connection:
        connection.execute(text("delete from hold"))
        connection.execute(insert(Claim).values(item=1, run=1))
    found = list(check(house))
    assert {finding.check for finding in found} >= {"journal", "claims"}
    monkeypatch.setattr(checks, "_LONG", 0)
    assert list(check(house)) == found


def test_rows_that_add_up_to_those_of_an_entry_are_not_those_of_it() -> None:
    """Of many made-up rows some add up to any sum of 256 bits: their number tells them apart."""
    rows = [insert_hash(Person, [n, 1, f"person {n}"]) for n in range(5)]
    low = (1 << 256) - 1
    other = [*rows, insert_hash(Person, [5, 1, "one more"])]
    other[0] -= other[-1] & low  # as if it had been found
    assert sum(other) & low == sum(rows) & low
    assert is_digest_of(combined(rows), sum(rows)) and not is_digest_of(combined(rows), sum(other))


def test_an_entry_of_an_earlier_version_is_as_it_should_be_and_found_when_touched(house: House, factory: Factory) -> None:
    """Its digest has the sum alone."""
    digest = Entry.__table__.c.digest
    with behind_the_back(house) as connection:
        connection.execute(delete(Seal.__table__))  # type: ignore[arg-type]
        connection.execute(text("delete from settled"))
        for number, now in connection.execute(select(Entry.id, Entry.digest)).all():
            connection.execute(update(Entry).where(Entry.id == number).values({digest: now[-32:]}))
    (house.data_dir / "seals.log").unlink()
    seal(house)
    assert list(verify_journal(house)) == []
    with behind_the_back(house) as connection:
        connection.execute(text("update hold set reason = 'nothing'"))
    assert [one.what for one in verify_journal(house)] == ["the rows that it wrote are not as it wrote them"]


@pytest.mark.parametrize(("tampering", "found"), [
    ("delete from entry where id = {last}", "its entry"), ("update entry set actor_name = 'Odd' where id = {mid}", "is not as seal"),
    ("update entry set id = -{mid} where id = {mid}", "is missing"), ("delete from seal where n = {mid}", "is missing: the next one"),
    ("update seal set entry = -1 where n = {mid}; update seal set entry = {mid} where n = {mid} + 1; "
     "update seal set entry = {mid} + 1 where n = {mid}", "is not as seal"),
    ("update entry set id = -{mid} where id = {mid}", "has no seal"), ("delete from seal where n > {mid}", "the tail was cut"),
    ("update person_duty set closed_e = {mid}", "are not as it wrote them"), ("update hold set e = {mid}", "are not as it wrote them"),
    ("update code set thing = thing + 1 where kind = 'panel'", "are not as it wrote them"),
])  # fmt: skip
def test_what_an_administrator_of_the_database_does_is_found(house: House, factory: Factory, tampering: str, found: str) -> None:
    with house.reading() as session:
        last = max(session.scalars(select(Entry.id)))
    factory.do("add_person", lambda s, by: add_person(s, by, "Mara", ["operate"]).id)
    seal(house)
    with behind_the_back(house) as connection:
        for one in tampering.format(last=last, mid=last // 2).split("; "):
            connection.execute(text(one))
    assert any(found in one.what for one in verify_journal(house))


def test_a_dropped_row_is_found(house: House, factory: Factory) -> None:
    with behind_the_back(house) as connection:
        connection.execute(text("delete from hold"))
    assert any(finding.check == "journal" for finding in verify_journal(house))


def test_an_added_row_is_found(house: House, factory: Factory) -> None:
    with behind_the_back(house) as connection:
        connection.execute(text("insert into alias (id, kind, thing, whose, what, value, e) values (99, 'lot', 1, 'us', 'x', 'y', 2)"))
    assert any(finding.check == "journal" for finding in verify_journal(house))


def test_claims_and_derived_rows_are_compared(house: House, factory: Factory) -> None:
    with behind_the_back(house) as connection:
        connection.execute(insert(Claim).values(item=1, run=1))
        connection.execute(insert(DeadOrigin).values(child=1, panel=1, wafer=1))
    assert any(finding.check == "claims" for finding in check(house))
