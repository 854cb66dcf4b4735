"""Bring a database to the newest schema, or say which it has. Alembic is imported here only: it is slow to import."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from app.db import House
from app.errors import refuse

_SCRIPTS = Path(__file__).resolve().parent.parent / "migrations"


def upgrade(house: House, to: str = "head") -> None:
    """Nothing is lost on the way: a migration that moves data has a test with old rows in it."""
    refuse_newer(house)
    with house.write_engine.begin() as connection:
        command.upgrade(_config(connection), to)


def downgrade(house: House, to: str) -> None:
    with house.write_engine.begin() as connection:
        command.downgrade(_config(connection), to)


def revision_of(house: House) -> str | None:
    with house.write_engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def is_newest(house: House) -> bool:
    return revision_of(house) == ScriptDirectory.from_config(_config(None)).get_current_head()


def revisions() -> list[str]:
    """All of them, the newest first."""
    return [script.revision for script in ScriptDirectory.from_config(_config(None)).walk_revisions()]


def new_revision(house: House, message: str) -> None:
    """Writes a migration from the difference between the models and a database at head."""
    with house.write_engine.begin() as connection:
        command.revision(_config(connection), message=message, autogenerate=True)


def refuse_other_schema(house: House) -> None:
    """Before a server or a command works on a database: it must be exactly at this program's schema."""
    if not is_newest(house):
        refuse_newer(house)
        found = revision_of(house)
        where = f"It is {house.write_engine.url.render_as_string()}, {f'at revision {found}' if found else 'and has no table yet'}."
        raise refuse("changed", "The database has an older schema than this program.", where, "Make a backup, then run `reelroot upgrade`.")


def refuse_newer(house: House) -> None:
    """A server does not touch a database that a newer one made."""
    found = revision_of(house)
    if found is not None and found not in revisions():
        raise refuse("changed", "This database is newer than this program.", f"It has revision {found}.", "Run the version that made it.")


def _config(connection: object) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS))
    config.set_main_option("path_separator", "os")
    config.set_main_option("file_template", "%%(year)d%%(month).2d%%(day).2d_%%(slug)s")
    config.attributes["connection"] = connection
    return config
