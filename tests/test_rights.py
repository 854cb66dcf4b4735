"""On PostgreSQL the server works as a role that may do no more than it must; that it needs no more, every other test shows."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import Connection, make_url, text
from sqlalchemy.exc import DBAPIError, IntegrityError
from typer.testing import CliRunner

from app.cli import shell
from app.db import Base, House
from app.errors import Refused
from app.floor.containers import add_container, put_panels
from app.genealogy.checks import check
from app.journal.record import TO_LOCK, Closable, recorded_classes
from app.journal.sealing import seal
from app.ledger.items import Item
from app.migrate import upgrade
from app.people.people import add_person
from tests.people.signing_in import client
from tests.postgres import SERVER
from tests.small_factory import Factory

pytestmark = pytest.mark.only_on("postgresql")
TABLES = {mapper.class_.__tablename__: mapper.class_ for mapper in Base.registry.mappers}


@pytest.fixture
def worked(house: House) -> House:
    upgrade(house)  # what was granted or taken of a database as a whole is not in its copy
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    panels = factory.panels(2)
    factory.run("Attach", factory.lot(panels))
    magazine = factory.do("add_container", lambda s, by: add_container(s, by, "magazine", "No. 1").id)
    factory.do("fill_container", lambda s, by: put_panels(s, by, magazine, [one.id for one in panels]))
    factory.do("add_person", lambda s, by: add_person(s, by, "Mara", ["operate"]).id)
    return house


@pytest.fixture
def run(house: House, monkeypatch: pytest.MonkeyPatch) -> CliRunner:
    for name, value in (("DATA_DIR", str(house.data_dir)), ("DATABASE_URL", house.settings.url), ("OWNER_URL", "")):
        monkeypatch.setenv(f"REELROOT_{name}", value)
    return CliRunner()


@pytest.fixture
def owner(house: House) -> Iterator[Connection]:
    """Each statement of the owner stands at once."""
    with house.owner_engine.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
        yield connection


@pytest.mark.parametrize("statement", [
    "update lot set grade = 'prime'", "update item set kind = 'pack'", "update run set station = 1", "update hold set e = 1",
    "update entry set actor_name = 'Odd'", "update seal set chain = ''", "update member set set = 1",
    "delete from item", "delete from run", "delete from hold", "delete from entry", "delete from seal", "delete from member", "delete from settled",
    "truncate hold", "truncate claim", "truncate request", "truncate seal cascade",
    "create table one (id integer)", "create temporary table hold (id integer)", "create view one as select 1", "create schema one",
    "create function one() returns integer language sql as 'select 1'", "create policy one on hold using (false)", "create index one on hold (id)",
    "create trigger one before insert on hold execute function suppress_redundant_updates_trigger()",
    "alter table hold disable trigger all", "alter table hold add one integer", "alter table hold owner to server", "alter table hold rename to one",
    "drop table hold", "drop index ix_code_kind_thing", "alter sequence entry_number restart", "select setval('entry_number', 1)",
    "update alembic_version set version_num = 'none'", "set session_replication_role = replica", "copy entry to program 'cat'",
])  # fmt: skip
def test_what_stands_the_servers_role_cannot_change(worked: House, statement: str) -> None:
    assert refused(worked, statement) == "42501"


def test_one_that_is_locked_keeps_its_id_while_another_names_it(worked: House) -> None:
    """To lock a row, PostgreSQL asks for the right to change one of its columns."""
    with worked.write_engine.connect() as connection:
        for table in sorted(name for name, cls in TABLES.items() if cls.updates == TO_LOCK):
            with pytest.raises(IntegrityError):
                connection.execute(text(f"update {table} set id = -id where id = {named(connection, table)}"))
            connection.rollback()


@pytest.mark.parametrize("statement", [
    "update mount set closed_e = e", "update content set closed_e = e", "update run set closed_e = null",
    "update container set id = -id where name = 'No. 2'",
    "insert into alias (kind, thing, whose, what, value, e) values ('lot', 1, 'us', 'x', 'y', 2)",
    "insert into claim (item, run) select item, 1 from panel limit 1", "update settled set entry = 1000000",
])  # fmt: skip
def test_what_it_can_still_do_to_what_stands_is_found(worked: House, statement: str) -> None:
    """As `docs/threats.md` says."""
    factory = Factory(worked)
    factory.do("add_container", lambda s, by: add_container(s, by, "magazine", "No. 2").id)
    seal(worked)
    assert list(check(worked)) == []
    with worked.write_engine.begin() as connection:
        connection.execute(text(statement))
    factory.do("add_container", lambda s, by: add_container(s, by, "magazine", "No. 3").id)
    seal(worked)
    assert list(check(worked))


def test_on_the_record_only_closing_columns_are_set_and_no_row_is_deleted(house: House, owner: Connection) -> None:
    rights = "select has_column_privilege(:role, :table, :column, 'update') or has_table_privilege(:role, :table, 'delete, truncate')"
    may = {
        (cls, column.name)
        for cls in recorded_classes()
        for column in cls.__table__.columns  # type: ignore[attr-defined]
        if owner.scalar(text(rights), {"role": SERVER, "table": f'"{column.table.name}"', "column": column.name})
    }
    closing = {(cls, name) for cls in recorded_classes() if issubclass(cls, Closable) for name in cls.closing}
    locked = {(cls, "id") for cls in recorded_classes() if not issubclass(cls, Closable) and cls.updates}  # type: ignore[attr-defined]
    assert may == closing | locked
    assert (Item, "id") in may and len(locked) < 6


def test_it_owns_nothing_and_is_no_member(owner: Connection) -> None:
    assert owner.scalar(text(f"select count(*) from pg_class where relowner = '{SERVER}'::regrole")) == 0
    assert owner.scalar(text(f"select count(*) from pg_auth_members where member = '{SERVER}'::regrole")) == 0


def test_an_upgrade_grants_anew(worked: House, owner: Connection) -> None:
    owner.execute(text(f"revoke all on all tables in schema public from {SERVER}"))
    owner.execute(text(f"grant all on hold to {SERVER}"))
    assert upgrade(worked) is False
    assert refused(worked, "select * from hold") == "" and refused(worked, "delete from hold") == "42501"


def test_a_right_that_is_lacking_is_a_sentence_with_its_remedy(worked: House, owner: Connection, run: CliRunner) -> None:
    owner.execute(text(f"revoke select on person from {SERVER}"))
    told = run.invoke(shell, ["check"])
    assert isinstance(told.exception, Refused)
    assert told.exception.what == "The database's role lacks a right."
    assert "permission denied for table person" in told.exception.reasons[0].why and "REELROOT_OWNER_URL" in (told.exception.reasons[0].now or "")
    with client(worked) as browser:
        page = browser.post("/sign-in", data={"badge": "P-1", "secret": "word"}, headers={"Sec-Fetch-Site": "same-origin"})
    assert page.status_code == 503 and "lacks a right" in page.text


def test_the_server_never_needs_the_owner_but_a_restore_does(worked: House, run: CliRunner, tmp_path: Path, owner: Connection) -> None:
    archive = tmp_path / "all.tar.gz"
    for command in (["check"], ["backup", str(archive)]):
        assert run.invoke(shell, command).exit_code == 0
    every = ", ".join(f'"{name}"' for name in TABLES)
    owner.execute(text(f"truncate {every}"))
    assert "lacks a right" in str(run.invoke(shell, ["restore", str(archive)]).exception)
    done = run.invoke(shell, ["restore", str(archive)], env={"REELROOT_OWNER_URL": worked.settings.owner_url})
    assert done.exit_code == 0, done.output
    assert run.invoke(shell, ["check"]).exit_code == 0


def test_one_role_may_own_all_as_before(house: House, owner: Connection, run: CliRunner) -> None:
    owner.execute(text("drop schema public cascade"))
    owner.execute(text("create schema public"))
    alone = {"REELROOT_DATABASE_URL": house.settings.owner_url}
    assert run.invoke(shell, ["upgrade"], env=alone).exit_code == 0
    assert run.invoke(shell, ["check"], env=alone).exit_code == 0
    assert owner.scalar(text(f"select has_table_privilege('{SERVER}', 'item', 'select')")) is False


@pytest.mark.parametrize(("given", "why"), [
    ("grant postgres to {role}", "may do what only the owner may"), ("alter role {role} createrole", "the right to give itself roles"),
    ("alter role {role} superuser", "may do what only the owner may"), ("alter table hold owner to {role}", "hold"),
    ("alter schema public owner to {role}", "schema public"), ("alter database {base} owner to {role}", "database"),
    ("grant pg_write_all_data to {role}", "overwrite or empty"), ("grant delete on hold to public", "overwrite or empty"),
])  # fmt: skip
def test_a_role_that_may_more_is_refused(house: House, owner: Connection, given: str, why: str) -> None:
    base = owner.scalar(text("select current_database()"))
    with role_in(house) as role:
        owner.execute(text(given.format(role=role, base=base)))
        with pytest.raises(Refused, match="server's role may") as caught:
            upgrade_with(house, database_url=as_role(house, role))
        assert why in f"{caught.value.what} {caught.value.reasons[0].why}"


def test_an_owner_that_is_no_superuser_is_enough(empty_house: House) -> None:
    house = empty_house
    with role_in(house) as role:
        with house.owner_engine.begin() as owner:
            owner.execute(text(f"alter database {house.owner_engine.url.database} owner to {role}"))
        assert upgrade_with(house, owner_url=as_role(house, role)) is True
        assert upgrade_with(house, owner_url=as_role(house, role)) is False
        Factory(house).load()
        assert list(check(house)) == []
        assert refused(house, "delete from item") == "42501"


def test_the_owner_cannot_be_the_server_itself(house: House) -> None:
    with pytest.raises(Refused, match="only the owner may"):
        upgrade_with(house, database_url=house.settings.owner_url)


def test_owner_and_server_work_on_one_database(house: House) -> None:
    elsewhere = make_url(house.settings.owner_url).set(database="postgres").render_as_string(hide_password=False)
    with pytest.raises(Refused, match="another database"):
        upgrade_with(house, owner_url=elsewhere)


@contextmanager
def role_in(house: House) -> Iterator[str]:
    """A new role, which all databases of the cluster share; what it owns is taken from it in the end."""
    name = f"r_{uuid4().hex[:12]}"
    with house.owner_engine.execution_options(isolation_level="AUTOCOMMIT").connect() as owner:
        owner.execute(text(f"create role {name} login"))
        try:
            yield name
        finally:
            for statement in ("reassign owned by {} to postgres", "drop owned by {}", "drop role {}"):
                owner.execute(text(statement.format(name)))


def as_role(house: House, role: str) -> str:
    return make_url(house.settings.url).set(username=role).render_as_string(hide_password=False)


def upgrade_with(house: House, **urls: str) -> bool:
    other = House(house.settings.model_copy(update=urls))
    try:
        return upgrade(other)
    finally:
        other.dispose()


def refused(house: House, statement: str) -> str:
    with house.write_engine.connect() as connection:
        try:
            connection.execute(text(statement))
        except DBAPIError as error:
            return str(error.orig.sqlstate)  # type: ignore[union-attr]
    return ""


def named(connection: Connection, table: str) -> int:
    """A row of it that another names."""
    for other in Base.metadata.sorted_tables:
        for key in other.foreign_keys:
            if key.column.table.name == table:
                found = connection.scalar(text(f'select "{key.parent.name}" from "{other.name}" where "{key.parent.name}" is not null limit 1'))
                if found is not None:
                    return int(found)
    raise AssertionError(f"no row of {table} is named")
