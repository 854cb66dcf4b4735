"""Bring a database to the newest schema, or say which it has.

Alembic is imported only where something is brought about: it is slow to import, and every start asks which schema a database has.
"""

import re
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, inspect, make_url, text

from app.db import House
from app.errors import refuse
from app.settings import Settings

if TYPE_CHECKING:
    from alembic.config import Config

_SCRIPTS = Path(__file__).resolve().parent.parent / "migrations"
_LINK = re.compile(r"^revision = ['\"](\w+)['\"]\ndown_revision = (?:['\"](\w+)['\"]|None)$", re.MULTILINE)


def upgrade(house: House, to: str = "head") -> bool:
    """Nothing is lost on the way: a migration that moves data has a test with old rows in it. False: it was there already.

    Where another role than the server's owns the tables, that one brings them up, and grants the server's what it needs of all.
    """
    with house.owner_engine.begin() as connection:
        before = _revision_in(connection)
        _refuse_newer(before)
        if to != "head" or before != revisions()[0]:
            from alembic import command

            command.upgrade(_config(connection), to)
        if to == "head" and house.owner_engine is not house.write_engine:
            from app.rights import grant_rights  # it maps every room's tables

            grant_rights(house, connection)
        return _revision_in(connection) != before


def downgrade(house: House, to: str) -> None:
    from alembic import command

    with house.owner_engine.begin() as connection:
        command.downgrade(_config(connection), to)


def revision_of(house: House) -> str | None:
    with house.write_engine.connect() as connection:
        return _revision_in(connection)


def _revision_in(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("select version_num from alembic_version")).scalar()


def revisions() -> list[str]:
    """All of them, the newest first, by what each file says it follows."""
    after = {match[2]: match[1] for path in (_SCRIPTS / "versions").glob("*.py") for match in _LINK.finditer(path.read_text())}
    found, one = [], after.get(None)
    while one is not None:
        found.append(one)
        one = after.get(one)
    return found[::-1]


def new_revision(house: House, message: str) -> None:
    """Writes a migration from the difference between the models and a database at head."""
    from alembic import command

    with house.owner_engine.begin() as connection:
        command.revision(_config(connection), message=message, autogenerate=True)


def refuse_missing(settings: Settings) -> None:
    """Before anything is opened: SQLite makes an empty file of a name that is not there, and a folder is made for it."""
    url = make_url(settings.url)
    if url.drivername == "sqlite" and url.database and url.database != ":memory:" and not Path(url.database).exists():
        now = "Name its data folder with --data; or run `reelroot upgrade`, which makes a new one there."
        raise refuse("changed", "There is no database here.", f"It would be {url.database}.", now)


def refuse_other_schema(house: House) -> None:
    """Before a server or a command works on a database: it must be exactly at this program's schema."""
    found = revision_of(house)
    if found != revisions()[0]:
        _refuse_newer(found)
        which = house.write_engine.url.render_as_string()
        if not found:
            raise refuse("changed", "The database has no table yet.", f"It is {which}.", "Run `reelroot upgrade`, which makes them.")
        now = "Let the version that made it write a backup (this one can't), then run `reelroot upgrade`."
        raise refuse("changed", "The database has an older schema than this program.", f"It is {which}, at revision {found}.", now)


def _refuse_newer(found: str | None) -> None:
    """A server does not touch a database that a newer one made."""
    if found is not None and found not in revisions():
        raise refuse("changed", "This database is newer than this program.", f"It has revision {found}.", "Run the version that made it.")


def _config(connection: object) -> "Config":
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS))
    config.set_main_option("path_separator", "os")
    config.set_main_option("file_template", "%%(year)d%%(month).2d%%(day).2d_%%(slug)s")
    config.attributes["connection"] = connection
    return config
