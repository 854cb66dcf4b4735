"""The least that the server's role must be allowed on PostgreSQL, where another role owns the tables (`REELROOT_OWNER_URL`).

Derived from the tables themselves: every row may be read and a new one inserted, on the record only closing columns be set, and nothing be
deleted, emptied, made or changed. What the others may is said beside them: `updates` and `deletes`.
"""

from collections.abc import Iterator

from sqlalchemy import Connection, text

from app.db import Base, House
from app.errors import refuse
from app.journal.record import Recorded
from app.tables import Base as AllTables

_WHO = text("""
    select current_user as role, current_database() as base, current_schema() as schema, pg_postmaster_start_time() as started,
        (select oid from pg_database where datname = current_database()) as oid
""")
# who is a member of an owner may do all that the owner may, give it to others, and take away what is checked here; a superuser is member of all
_OWNED = text("""
    select 'database ' || datname from pg_database where datname = current_database() and pg_has_role(:role, datdba, 'member')
    union all select 'schema ' || nspname from pg_namespace where nspname = current_schema() and pg_has_role(:role, nspowner, 'member')
    union all select relname from pg_class where relnamespace = current_schema()::regnamespace and pg_has_role(:role, relowner, 'member')
    union all select 'the right to give itself roles' from pg_roles where rolname = :role and rolcreaterole
    limit 1
""")
# what it has without us: granted to everyone, or by another role that it is a member of
_TOO_MUCH = text("""
    select 'may make things in the schema ' || nspname from pg_namespace
    where nspname = current_schema() and has_schema_privilege(:role, oid, 'create')
    union all select 'may make things in the database ' || datname from pg_database
    where datname = current_database() and has_database_privilege(:role, oid, 'create, temporary')
    union all select 'may overwrite or empty the table ' || relname from pg_class
    where relnamespace = current_schema()::regnamespace and relkind in ('r', 'p') and (
        has_table_privilege(:role, oid, 'update, truncate, trigger')
        or has_table_privilege(:role, oid, 'delete') and not relname = any(:deletable)
    )
    limit 1
""")


def grant_rights(house: House, owner: Connection) -> None:
    """Gives the server's role what it must be allowed, and takes from it what else it was given. Again changes nothing."""
    with house.write_engine.connect() as connection:
        server = connection.execute(_WHO).one()
    here = owner.execute(_WHO).one()
    if (server.oid, server.started) != (here.oid, here.started) or server.schema not in (here.schema, None):
        why = f"The owner is in {here.base}, schema {here.schema}, the server in {server.base}, schema {server.schema}."
        now = "Let REELROOT_OWNER_URL and REELROOT_DATABASE_URL name the same database, and both roles find the same schema."
        raise refuse("changed", "The owner works on another database than the server.", why, now)
    if owned := owner.scalar(_OWNED, {"role": server.role}):
        why = f"The role {server.role} has, by itself or as a member of another: {owned}."
        raise refuse("changed", "The server's role may do what only the owner may.", why, "Let the server work as another role, and own nothing.")
    quoted = owner.dialect.identifier_preparer.quote
    for statement in _statements(quoted(server.role), quoted(here.schema), quoted(here.base)):
        owner.exec_driver_sql(statement)
    if too_much := owner.scalar(_TOO_MUCH, {"role": server.role, "deletable": sorted(cls.__tablename__ for cls in _classes() if cls.deletes)}):
        raise refuse(
            "changed", "The server's role may do more than it must.", f"The role {server.role} {too_much}.",
            "Take that right from it, from PUBLIC, or from the role that it is a member of.",
        )  # fmt: skip


def _statements(role: str, schema: str, base: str) -> Iterator[str]:
    yield f"revoke create, temporary on database {base} from public, {role}"
    yield f"revoke create on schema {schema} from public, {role}"
    yield f"revoke all on all tables in schema {schema} from {role}"
    yield f"revoke all on all sequences in schema {schema} from {role}"
    yield f"grant usage on schema {schema} to {role}"
    yield f"grant usage on all sequences in schema {schema} to {role}"  # to draw numbers, not to set them back
    yield f"grant select on {schema}.alembic_version to {role}"
    for cls in _classes():
        yield f'grant {", ".join(rights_on(cls))} on {schema}."{cls.__tablename__}" to {role}'


def rights_on(cls: type[Base]) -> list[str]:
    columns = ", ".join(f'"{name}"' for name in [*(cls.closing if issubclass(cls, Recorded) else ()), *cls.updates])
    return ["select", "insert", *([f"update ({columns})"] if columns else []), *(["delete"] if cls.deletes else [])]


def _classes() -> list[type[Base]]:
    return sorted((mapper.class_ for mapper in AllTables.registry.mappers), key=lambda cls: cls.__tablename__)
