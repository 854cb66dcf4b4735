"""The same tests on both databases: every `house` is a copy of a database that the migrations made, or one that is emptied.

Quick runs: `pytest --db sqlite`, or `-m "not postgresql and not browser"`. With REELROOT_NO_SKIP=1 what is missing fails instead of skipping.
"""

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import hypothesis
import pytest
from anyio.from_thread import start_blocking_portal
from fastapi.testclient import TestClient
from pydantic_settings import PydanticBaseSettingsSource

from app.db import House
from app.migrate import upgrade
from benchmarks.quick import QuickSettings
from tests import compiled, described, in_memory, postgres, spare

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

KINDS = ("sqlite", "postgresql")
FreshHouse = Callable[[Path], AbstractContextManager[House]]

hypothesis.settings.register_profile("reelroot", deadline=None)  # two shared cores: a slow example is no fault
hypothesis.settings.load_profile("reelroot")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--db", choices=[*KINDS, "both"], default="both", help="which database to test on")


@pytest.hookimpl(tryfirst=True)  # before pytest chooses where its own temporary folders are
def pytest_configure() -> None:
    in_memory.use()
    compiled.once()
    described.once()
    spare.use()


def pytest_configure_node(node: Any) -> None:
    """One cluster for all workers of xdist: the controller starts it, the workers are told its folder."""
    is_wanted = node.config.getoption("--db") != "sqlite" and postgres.is_installed()
    node.workerinput["cluster"] = str(_cluster(node.config).folder) if is_wanted else ""


def pytest_unconfigure(config: pytest.Config) -> None:
    if cluster := config.stash.get(_CLUSTER, None):
        cluster.stop()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "database" in metafunc.fixturenames:
        only = metafunc.definition.get_closest_marker("only_on")
        chosen = metafunc.config.getoption("--db")
        kinds = [kind for kind in KINDS if chosen in (kind, "both") and (only is None or kind in only.args)]
        metafunc.parametrize("database", [pytest.param(kind, marks=getattr(pytest.mark, kind)) for kind in kinds], scope="session")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    if item.get_closest_marker("browser") is None:
        return (yield)
    from tests import chromium

    with chromium.time_limit():
        return (yield)


@pytest.fixture(scope="session", autouse=True)
def one_loop() -> Iterator[None]:
    """A loop and threads for all clients outside the app's life, as on a server: else each request made its own, half of what it computed."""
    with start_blocking_portal(backend_options={"use_uvloop": True}) as TestClient.portal:
        yield
    TestClient.portal = None


@pytest.fixture
def house(fresh_house: FreshHouse, tmp_path: Path) -> Iterator[House]:
    """An empty installation at the newest schema, on either database. What a test commits goes away with it."""
    with fresh_house(tmp_path) as one:
        yield one


@pytest.fixture(scope="session")
def fresh_house(request: pytest.FixtureRequest, database: str) -> FreshHouse:
    """Makes installations like `house`, each with its own data folder: for property tests, which need one an example."""
    if database == "sqlite":
        template = request.getfixturevalue("sqlite_template")
    else:
        databases = request.getfixturevalue("postgresql_databases")

    @contextmanager
    def on_sqlite(data_dir: Path) -> Iterator[House]:
        shutil.copy(template, data_dir / "reelroot.db")
        with _opened(data_dir) as one:
            yield one

    @contextmanager
    def on_postgresql(data_dir: Path) -> Iterator[House]:
        with databases.one() as url, _opened(data_dir, url) as one:
            yield one

    return on_sqlite if database == "sqlite" else on_postgresql


@pytest.fixture
def empty_house(request: pytest.FixtureRequest, database: str, tmp_path: Path) -> Iterator[House]:
    """An installation whose database has no table yet."""
    if database == "sqlite":
        with _opened(tmp_path) as one:
            yield one
    else:
        with postgres.database(request.getfixturevalue("cluster_owner")) as url, _opened(tmp_path, url) as one:
            yield one


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("template")
    with _opened(folder) as one:
        upgrade(one)
        with one.write_engine.connect() as connection:
            connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    return folder / "reelroot.db"


@pytest.fixture(scope="session")
def postgresql_template(cluster_owner: postgres.Owner, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with postgres.database(cluster_owner) as url:
        with _opened(tmp_path_factory.mktemp("template"), url) as one:
            upgrade(one)
        yield postgres.name_in(url)


@pytest.fixture(scope="session")
def postgresql_databases(cluster_owner: postgres.Owner, postgresql_template: str) -> spare.Databases:
    return spare.Databases(cluster_owner, postgresql_template)


@pytest.fixture(scope="session")
def cluster_owner(cluster_folder: str) -> Iterator[postgres.Owner]:
    """The cluster's, over one connection of this worker's."""
    with postgres.owner(cluster_folder) as one:
        yield one


@pytest.fixture(scope="session")
def cluster_folder(request: pytest.FixtureRequest) -> str:
    """Where the private cluster's socket is. Alone, a run starts it only when a test asks; a worker of xdist is told."""
    if not postgres.is_installed():
        is_missing(postgres.MISSING)
    worker = getattr(request.config, "workerinput", None)
    return str(worker["cluster"]) if worker else str(_cluster(request.config).folder)


@pytest.fixture
def certified(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate of our own, and its key."""
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    made = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj", "/CN=localhost"]
    subprocess.run([*made, "-keyout", str(key), "-out", str(certificate)], check=True, capture_output=True)
    return certificate, key


@pytest.fixture(scope="session")
def browser() -> Iterator["Browser"]:
    """One Chromium for the whole run. Tests that use it are marked `browser`."""
    from tests import chromium

    if chromium.program() is None:
        is_missing(chromium.MISSING)
    with chromium.running() as one:
        yield one


@pytest.fixture
def page(browser: "Browser") -> Iterator["Page"]:
    """A page of a browser that has been nowhere yet, on the floor terminal's screen."""
    context = browser.new_context(viewport={"width": 1024, "height": 600})
    context.set_default_timeout(10_000)
    yield context.new_page()
    context.close()


def _cluster(config: pytest.Config) -> postgres.Cluster:
    if _CLUSTER not in config.stash:
        config.stash[_CLUSTER] = postgres.Cluster()
    return config.stash[_CLUSTER]


class _OwnSettings(QuickSettings):
    """What a test says, and nothing of the environment's: to look for each setting there took a tenth of what a short test computes."""

    @classmethod
    def settings_customise_sources(cls, *_: Any, init_settings: PydanticBaseSettingsSource, **_others: Any) -> tuple[PydanticBaseSettingsSource, ...]:
        return (init_settings,)


@contextmanager
def _opened(data_dir: Path, url: str = "") -> Iterator[House]:
    """On PostgreSQL the program works as the role with the least rights: every test proves that it needs no more."""
    one = House(_OwnSettings(data_dir=data_dir, database_url=postgres.as_server(url), owner_url=url))
    try:
        yield one
    finally:
        one.dispose()


def is_missing(what: str) -> None:
    """Skips a test for want of a tool on this machine; where nothing may be skipped, it fails."""
    if os.environ.get("REELROOT_NO_SKIP") == "1":
        pytest.fail(what)
    pytest.skip(what)


_CLUSTER = pytest.StashKey[postgres.Cluster]()
