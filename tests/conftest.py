"""The same tests on both databases: every `house` is a fresh copy of a database that the migrations made."""

import os
import shutil
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from app.db import House
from app.migrate import upgrade
from app.settings import Settings

sys.path.insert(0, str(Path(__file__).parent))
import postgres  # noqa: E402

NO_SKIP = os.environ.get("REELROOT_NO_SKIP") == "1"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--db", choices=["sqlite", "postgresql", "both"], default="both", help="which database to test on")


def pytest_configure(config: pytest.Config) -> None:
    config.stash[_CLUSTER] = None
    is_worker = hasattr(config, "workerinput")
    wanted = config.getoption("--db") != "sqlite" and postgres.binaries() is not None
    if not is_worker and wanted and not config.getoption("--collect-only"):
        config.stash[_CLUSTER] = postgres.Cluster()


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: object) -> None:
    cluster = node.config.stash[_CLUSTER]  # type: ignore[attr-defined]
    node.workerinput["cluster"] = str(cluster.folder) if cluster else ""  # type: ignore[attr-defined]


def pytest_unconfigure(config: pytest.Config) -> None:
    if cluster := config.stash.get(_CLUSTER, None):
        cluster.stop()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "database" in metafunc.fixturenames:
        chosen = metafunc.config.getoption("--db")
        metafunc.parametrize("database", ["sqlite", "postgresql"] if chosen == "both" else [chosen], scope="session")


@pytest.fixture(scope="session")
def cluster_folder(request: pytest.FixtureRequest) -> str:
    worker = getattr(request.config, "workerinput", None)
    if worker is not None:
        return str(worker["cluster"])
    cluster = request.config.stash[_CLUSTER]
    return str(cluster.folder) if cluster else ""


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("template")
    house = House(Settings(data_dir=folder))
    upgrade(house)
    with house.write_engine.connect() as connection:
        connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    house.dispose()
    return folder / "reelroot.db"


@pytest.fixture(scope="session")
def postgres_template(cluster_folder: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    if not cluster_folder:
        if NO_SKIP:
            pytest.fail(postgres.MISSING)
        pytest.skip(postgres.MISSING)
    name = f"template_{uuid.uuid4().hex[:8]}"
    _statement(cluster_folder, f"create database {name}")
    house = House(Settings(data_dir=tmp_path_factory.mktemp("pg"), database_url=postgres.url(cluster_folder, name)))
    upgrade(house)
    house.dispose()
    return name


@pytest.fixture
def house(request: pytest.FixtureRequest, database: str, tmp_path: Path) -> Iterator[House]:
    """An empty installation at the newest schema, on either database. What a test commits goes away with it."""
    if database == "sqlite":
        shutil.copy(request.getfixturevalue("sqlite_template"), tmp_path / "reelroot.db")
        one = House(Settings(data_dir=tmp_path, cheap_passwords=True))
        yield one
        one.dispose()
        return
    template, folder = request.getfixturevalue("postgres_template"), request.getfixturevalue("cluster_folder")
    name = f"t_{uuid.uuid4().hex[:12]}"
    _statement(folder, f"create database {name} template {template} strategy file_copy")
    one = House(Settings(data_dir=tmp_path, database_url=postgres.url(folder, name), cheap_passwords=True))
    yield one
    one.dispose()
    _statement(folder, f"drop database {name} with (force)")


@pytest.fixture
def empty_house(request: pytest.FixtureRequest, database: str, tmp_path: Path) -> Iterator[House]:
    """An installation whose database has no table yet."""
    if database == "sqlite":
        one = House(Settings(data_dir=tmp_path))
        yield one
        one.dispose()
        return
    folder = request.getfixturevalue("cluster_folder")
    request.getfixturevalue("postgres_template")  # skips or fails where PostgreSQL is missing
    name = f"e_{uuid.uuid4().hex[:12]}"
    _statement(folder, f"create database {name}")
    one = House(Settings(data_dir=tmp_path, database_url=postgres.url(folder, name)))
    yield one
    one.dispose()
    _statement(folder, f"drop database {name} with (force)")


def _statement(folder: str, statement: str) -> None:
    with psycopg.connect(f"host={folder} user=postgres dbname=postgres", autocommit=True) as connection:
        connection.execute(statement)


_CLUSTER = pytest.StashKey[postgres.Cluster | None]()
