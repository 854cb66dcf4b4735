"""The migrations make what the models say, on both databases, and go down again."""

import re

from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect, text

from app.db import House
from app.migrate import downgrade, is_newest, upgrade
from app.settings import Settings
from app.tables import Base


def test_models_and_migrations_do_not_differ(house: House) -> None:
    with house.write_engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "target_metadata": Base.metadata})
        assert compare_metadata(context, Base.metadata) == []


def test_sqlite_tables_read_as_the_models_write_them(house: House, tmp_path_factory) -> None:
    if house.kind != "sqlite":
        return  # PostgreSQL is compared above; only SQLite keeps the statement's own text
    fresh = House(Settings(data_dir=tmp_path_factory.mktemp("fresh")))
    Base.metadata.create_all(fresh.write_engine)
    assert _texts(house) == _texts(fresh)


def test_up_down_and_up_again(empty_house: House) -> None:
    upgrade(empty_house)
    assert is_newest(empty_house)
    downgrade(empty_house, "base")
    assert set(inspect(empty_house.write_engine).get_table_names()) <= {"alembic_version"}
    upgrade(empty_house)
    assert is_newest(empty_house)


def _texts(house: House) -> dict[str, list[str]]:
    """The parts of every statement; constraints may stand in another order."""
    with house.write_engine.connect() as connection:
        rows = connection.execute(text("select name, sql from sqlite_master where sql is not null and name <> 'alembic_version'"))
        return {name: sorted(part.strip() for part in re.split(r"[,()]", " ".join(sql.replace('"', "").split())) if part.strip()) for name, sql in rows}
