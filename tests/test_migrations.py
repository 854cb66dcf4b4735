"""The migrations make what the models say, on both databases, and go down again."""

import re
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from app.db import House
from app.errors import Refused
from app.migrate import downgrade, revision_of, revisions, upgrade
from app.settings import Settings
from app.tables import Base


def test_models_and_migrations_do_not_differ(house: House) -> None:
    with house.write_engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "target_metadata": Base.metadata})
        assert compare_metadata(context, Base.metadata) == []


@pytest.mark.only_on("sqlite")  # it alone keeps the statement's own text, which batch changes can flatten unseen by the comparison above
def test_sqlite_tables_read_as_the_models_write_them(house: House, tmp_path_factory: pytest.TempPathFactory) -> None:
    fresh = House(Settings(data_dir=tmp_path_factory.mktemp("fresh")))
    Base.metadata.create_all(fresh.write_engine)
    migrated, made = _texts(house), _texts(fresh)
    fresh.dispose()
    assert made
    assert migrated == made


@pytest.mark.only_on("postgresql")
def test_ids_come_from_the_sequence_that_is_named_after_the_table(house: House) -> None:
    """Acts draw them by that name (`journal/record.py`)."""
    numbered = [table.name for table in Base.metadata.tables.values() if "id" in table.columns and table.columns["id"].autoincrement is not False]
    with house.reading() as session:
        found = {one: session.scalar(text("select pg_get_serial_sequence(:of, 'id')"), {"of": f'"{one}"'}) for one in numbered}
    assert numbered
    assert {one: name for one, name in found.items() if name not in (None, f"public.{one}_id_seq")} == {}


def test_up_down_and_up_again(empty_house: House) -> None:
    upgrade(empty_house)
    assert revision_of(empty_house) == revisions()[0]
    downgrade(empty_house, "base")
    assert set(inspect(empty_house.write_engine).get_table_names()) <= {"alembic_version"}
    upgrade(empty_house)
    assert revision_of(empty_house) == revisions()[0]


def test_upgrading_again_changes_nothing(house: House) -> None:
    before = _texts(house) if house.kind == "sqlite" else inspect(house.write_engine).get_table_names()
    upgrade(house)
    assert before == (_texts(house) if house.kind == "sqlite" else inspect(house.write_engine).get_table_names())


def test_a_database_of_a_newer_program_is_left_alone(house: House) -> None:
    with house.owner_engine.begin() as connection:
        connection.execute(text("update alembic_version set version_num = 'of_tomorrow'"))
    with pytest.raises(Refused, match="newer than this program"):
        upgrade(house)


def test_their_order_is_what_alembic_makes_of_them() -> None:
    """It is read from their text, without Alembic."""
    walked = ScriptDirectory(str(Path(__file__).parent.parent / "migrations")).walk_revisions()
    assert revisions() == [script.revision for script in walked]


def test_the_files_are_dated_and_named_for_what_they_do() -> None:
    names = [path.name for path in (Path(__file__).parent.parent / "migrations/versions").glob("*.py")]
    assert names
    assert [name for name in names if not re.fullmatch(r"\d{8}_[a-z0-9_]+\.py", name)] == []


def _texts(house: House) -> dict[str, list[str]]:
    """Name of each table and index -> the parts of its statement; constraints may stand in another order."""
    statement = text("select name, sql from sqlite_master where sql is not null and name <> 'alembic_version'")
    with house.write_engine.connect() as connection:
        return {name: _parts(sql) for name, sql in connection.execute(statement)}


def _parts(sql: str) -> list[str]:
    plain = " ".join(sql.replace('"', "").split())
    return sorted(part.strip() for part in re.split(r"[,()]", plain) if part.strip())
