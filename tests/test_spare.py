"""A database that a test had before is as a new copy: else one test would see what another did."""

from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy import text

from app.db import House
from tests import postgres
from tests.conftest import FreshHouse
from tests.small_factory import Factory

pytestmark = pytest.mark.only_on("postgresql")

_RELATIONS = "select relname, relkind from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'S') order by relname"
_LOOKED_AT = {"r": "select count(*), pg_relation_size('{0}') > 0 from {0}", "S": "select last_value, is_called from {0}"}


def contents(house: House) -> dict[str, Any]:
    """Of each table its rows, and whether it has had any; of each sequence what comes next."""
    with house.writing(as_owner=True) as session:
        found = session.execute(text(_RELATIONS)).all()
        return {name: session.execute(text(_LOOKED_AT[kind].format(name))).one() for name, kind in found}


def connected(house: House) -> psycopg.Connection[Any]:
    return psycopg.connect(house.settings.owner_url.replace("+psycopg", ""))


def name_of(house: House) -> str:
    return postgres.name_in(house.settings.owner_url)


def test_rows_and_numbers_are_gone(fresh_house: FreshHouse, tmp_path: Path) -> None:
    with fresh_house(tmp_path) as house:
        new = contents(house)
        factory = Factory(house).load()
        factory.lot(factory.panels(2))
        with house.writing() as session:
            session.execute(text("select nextval('item_id_seq')"))  # and a number that no row has
        name = name_of(house)
        assert contents(house) != new
    with fresh_house(tmp_path) as house:
        assert name_of(house) == name and contents(house) == new


@pytest.mark.parametrize(
    "change",
    [
        "alter table item add more text",
        "alter table item drop constraint fk_item_e_entry",
        "grant delete on item to server",
        "create table more (n int)",
        "update alembic_version set version_num = 'another'",
        "create function more() returns int language sql return 1",
    ],
)
def test_what_an_owner_changed_is_nobody_elses(fresh_house: FreshHouse, tmp_path: Path, change: str) -> None:
    with fresh_house(tmp_path) as house, connected(house) as owner:
        owner.execute(change)  # type: ignore[call-overload]
        owner.commit()
        owner.close()
        name = name_of(house)
    with fresh_house(tmp_path) as house:
        assert name_of(house) != name


def test_who_is_still_connected_sees_no_other_test(fresh_house: FreshHouse, tmp_path: Path) -> None:
    with fresh_house(tmp_path) as house:
        still = connected(house)
        name = name_of(house)
    with fresh_house(tmp_path) as house:
        assert name_of(house) != name
    with pytest.raises(psycopg.OperationalError):
        still.execute("select 1")


def test_a_connection_that_was_left_is_as_new(fresh_house: FreshHouse, tmp_path: Path) -> None:
    kept, settings = "select pg_backend_pid()", "select current_setting('statement_timeout'), count(*) from pg_prepared_statements"
    with fresh_house(tmp_path) as house, house.writing() as session:
        number, new = session.execute(text(kept)).one(), session.execute(text(settings)).one()
        session.execute(text("set statement_timeout = 1"))
        session.execute(text("prepare one as select 1"))
        session.commit()
    with fresh_house(tmp_path) as house, house.writing() as session:
        assert session.execute(text(kept)).one() == number
        assert session.execute(text(settings)).one() == new
