"""Real installations to be broken: a data folder, a database of either kind with its own cluster, and `reelroot serve` as a process."""

import multiprocessing
import multiprocessing.process
import os
import shutil
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx

from app import cli, tables  # noqa: F401 (maps every room's)
from app.db import House
from app.migrate import upgrade
from benchmarks.quick import QuickSettings
from tests import postgres

PATIENCE = 120.0  # seconds for a server to answer on a busy machine: waited for, never measured


def client(url: str, timeout: float = 30, **more: Any) -> httpx.Client:
    """One that reads no certificates: plain HTTP needs none, and to read them takes longer than most answers."""
    return httpx.Client(base_url=url, timeout=timeout, verify=False, **more)


class Server:
    """One process of `reelroot serve` on a port of its own, forked from one that has read the program's modules: that saves seconds a start."""

    def __init__(self, folder: Path, **settings: str) -> None:
        self.folder, self.settings, self.port = folder, settings, _free_port()
        self.process: multiprocessing.process.BaseProcess | None = None
        self.prepare: Callable[[], None] | None = None  # called in the process before it serves

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        assert self.process is not None and self.process.pid is not None
        return self.process.pid

    @property
    def said(self) -> Path:
        return self.folder.with_name(f"{self.folder.name}-said.txt")

    def start(self) -> None:
        self.process = _FORKING.Process(target=_serve, args=(self.folder, self.port, self.settings, self.said, self.prepare), daemon=True)
        self.process.start()

    def wait(self, path: str = "/api/v1/runs/none", good: tuple[int, ...] = (401, 404)) -> None:
        """Until a question that reads the database is answered."""
        until = time.monotonic() + PATIENCE
        with client(self.url, timeout=5) as asking:
            while time.monotonic() < until and self.process is not None and self.process.is_alive():
                with suppress(httpx.TransportError):
                    if asking.get(path, headers={"Authorization": "Bearer none"}).status_code in good:
                        return
                time.sleep(0.02)
        raise RuntimeError(f"the server does not answer; it said: {self.said.read_text()[-2000:]}")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.join()

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.join(timeout=30)
            self.kill()


_FORKING = multiprocessing.get_context("forkserver")
_FORKING.set_forkserver_preload(["app.cli", "app.main", "uvicorn", "sqlalchemy.dialects.postgresql.psycopg", "benchmarks.floor_load"])


def _serve(folder: Path, port: int, settings: dict[str, str], said: Path, prepare: Callable[[], None] | None) -> None:
    for name in [name for name in os.environ if name.startswith("REELROOT_")]:
        del os.environ[name]
    os.environ.update(settings)
    with said.open("ab") as out:
        for stream in (1, 2):
            os.dup2(out.fileno(), stream)
    if prepare:
        prepare()
    sys.argv = ["reelroot", "serve", "--data", str(folder), "--port", str(port)]
    cli.main()


class Installation:
    """`house` looks at the database beside the server, as `reelroot check` does."""

    def __init__(self, house: House, cluster: postgres.Cluster | None) -> None:
        self.house, self.cluster = house, cluster
        settings = {"REELROOT_DATABASE_URL": house.settings.database_url} if cluster else {}
        self.server = Server(house.data_dir, **settings)


@contextmanager
def installation(kind: str, settings: dict[str, str] = postgres.SAFE, under: str | Path = "/tmp") -> Iterator[Installation]:
    """An empty one at the newest schema, whose files are `under` a folder. `settings`: of a PostgreSQL cluster that is made for it."""
    folder = Path(tempfile.mkdtemp(prefix="rr-solid-", dir=under))
    cluster = postgres.Cluster(settings, under=under) if kind == "postgresql" else None
    try:
        with opened(folder, postgres.create(str(cluster.folder)) if cluster else "") as house:
            upgrade(house)
            one = Installation(house, cluster)
            try:
                yield one
            finally:
                one.server.kill()
                one.server.said.unlink(missing_ok=True)
                house.dispose()
    finally:
        if cluster:
            cluster.stop()
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def opened(folder: Path, url: str = "", **more: str) -> Iterator[House]:
    house = House(QuickSettings(data_dir=folder, database_url=url, **more))  # type: ignore[arg-type]
    try:
        yield house
    finally:
        house.dispose()


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])
