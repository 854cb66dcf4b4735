"""A private PostgreSQL cluster for the tests, from the installed binaries, run as another user (it refuses to run as root)."""

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg

from tests import in_memory

Owner = psycopg.Connection[Any]

MISSING = "PostgreSQL is not installed: install the package `postgresql` to run these tests"
SERVER = "server"  # the role that the program works as in the tests: it owns nothing. Its owner is `postgres`
QUICK = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}  # nothing here must survive a power cut
SAFE: dict[str, str] = {}  # PostgreSQL's own defaults: what is acknowledged is flushed


class Cluster:
    """Runs from the moment it is made until `stop`. Reached by a socket in its folder only.

    `settings` beside or instead of the quick ones; `standby_of`: it begins as a streaming standby of that cluster, by this name.
    `under`: not pytest's tmp_path, as another user can't enter it, and a socket's path must be short. By itself on disk where it flushes,
    else in memory: to copy a database there and drop it again takes a fifth of the processor time.
    """

    def __init__(
        self, settings: dict[str, str] = QUICK, standby_of: "Cluster | None" = None, name: str = "standby", under: str | Path = ""
    ) -> None:
        by_itself = in_memory.folder() if settings is QUICK else "/tmp"
        self.folder = Path(tempfile.mkdtemp(prefix="rr-pg-", dir=under or by_itself))
        self.user = _other_user()
        if self.user:
            entry = pwd.getpwnam(self.user)
            os.chown(self.folder, entry.pw_uid, entry.pw_gid)
        self.settings = {"listen_addresses": "''", "unix_socket_directories": str(self.folder), "max_connections": "300", **settings}
        try:
            if standby_of is None:
                self._run("initdb", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync", "-U", "postgres", "-D", "data")
            else:
                _say(str(standby_of.folder), f"select pg_create_physical_replication_slot('{name}')")
                source = f"host={standby_of.folder} user=postgres application_name={name}"
                self._run("pg_basebackup", "-d", source, "-D", "data", "-R", "-X", "stream", "-S", name, "--checkpoint=fast", "--no-sync")
            self.start()
            if standby_of is None:
                _say(str(self.folder), f"create role {SERVER} login")
        except BaseException:
            shutil.rmtree(self.folder, ignore_errors=True)
            raise

    def start(self) -> None:
        options = " ".join(f"-c {name}={value}" for name, value in self.settings.items())
        self._run("pg_ctl", "-D", "data", "-o", options, "-w", "-t", "120", "-l", "log", "start")

    def is_running(self) -> bool:
        lock = self.folder / "data/postmaster.pid"
        return lock.exists() and _is_alive(int(lock.read_text().split()[0]))

    def kill(self) -> None:
        """As kill -9 does: every process of this cluster at once, by its number. What they had not written is lost; `start` recovers."""
        postmaster = int((self.folder / "data/postmaster.pid").read_text().split()[0])
        os.kill(postmaster, signal.SIGSTOP)  # so that it starts no other while its children go
        children = _children(postmaster)
        for process in (*children, postmaster):
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        while any(_is_alive(process) for process in (*children, postmaster)):
            time.sleep(0.005)
        for lock in ("data/postmaster.pid", ".s.PGSQL.5432.lock"):  # where nobody reaps a dead process, its number passes for a running server
            (self.folder / lock).unlink(missing_ok=True)

    def set(self, name: str, value: str) -> None:
        """A setting of a cluster that runs, a standby too: it is written to its own file and read again."""
        with psycopg.connect(host=str(self.folder), user="postgres", dbname="postgres", autocommit=True) as connection:
            connection.execute(f"alter system set {name} = '{value}'")  # type: ignore[call-overload]
            connection.execute("select pg_reload_conf()")

    def promote(self) -> None:
        self._run("pg_ctl", "-D", "data", "-w", "promote")

    def stop(self) -> None:
        try:
            if (self.folder / "data/postmaster.pid").exists():
                self._run("pg_ctl", "-D", "data", "-m", "immediate", "stop")
        finally:
            shutil.rmtree(self.folder, ignore_errors=True)

    def _run(self, program: str, *arguments: str) -> None:
        as_user: dict[str, Any] = {}
        if self.user:
            as_user = {"user": self.user, "group": pwd.getpwnam(self.user).pw_gid, "extra_groups": []}
        with (self.folder / "said").open("w+") as said:  # not a pipe: the server that pg_ctl starts would keep it open
            command = [str(binaries() / program), *arguments]
            done = subprocess.run(command, cwd=self.folder, stdout=said, stderr=subprocess.STDOUT, check=False, **as_user)
            if done.returncode:
                said.seek(0)
                log = self.folder / "log"
                raise RuntimeError(f"{program} failed: {said.read()} {log.read_text()[-2000:] if log.exists() else ''}")


@contextmanager
def owner(folder: str) -> Iterator[Owner]:
    """Who makes databases of a cluster and drops them."""
    with psycopg.connect(host=folder, user="postgres", dbname="postgres", autocommit=True) as connection:
        yield connection


@contextmanager
def database(owner: Owner, template: str = "template0") -> Iterator[str]:
    """The URL of a fresh copy of a database, dropped afterwards."""
    name = copied(owner, template)
    try:
        yield url(owner.info.host, name)
    finally:
        drop(owner, name)


def copied(owner: Owner, template: str) -> str:
    """The name of a copy. Over the owner's one connection: one more for each, to make and to drop it, was a fifth of its processor time."""
    name = _new_name()
    owner.execute(_making(name, template))
    return name


def drop(owner: Owner, name: str) -> None:
    owner.execute(f"drop database {name} with (force)")


def create(folder: str, template: str = "template0") -> str:
    name = _new_name()
    _say(folder, _making(name, template))
    return url(folder, name)


def _new_name() -> str:
    return f"t_{uuid4().hex[:12]}"


def _making(name: str, template: str) -> str:
    return f"create database {name} template {template} strategy file_copy"


def url(folder: str, name: str) -> str:
    return f"postgresql+psycopg://postgres@/{name}?host={folder}"


def as_server(address: str) -> str:
    """The same database, for the role with the least rights."""
    return address.replace("://postgres@", f"://{SERVER}@") if address else ""


def name_in(address: str) -> str:
    return address.removeprefix("postgresql+psycopg://postgres@/").partition("?")[0]


def is_installed() -> bool:
    return _found() is not None


def binaries() -> Path:
    found = _found()
    if found is None:
        raise RuntimeError(MISSING)
    return found


def _found() -> Path | None:
    programs = [path for path in Path("/usr/lib/postgresql").glob("*/bin/initdb") if path.parts[-3].isdecimal()]
    if programs:
        return max(programs, key=lambda path: int(path.parts[-3])).parent
    on_path = shutil.which("initdb")
    return Path(on_path).parent if on_path else None


def _children(parent: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            if int(stat.read_text().rpartition(")")[2].split()[1]) == parent:
                found.append(int(stat.parent.name))
    return found


def _is_alive(process: int) -> bool:
    """A killed process whose parent has not asked for it yet (a zombie) holds nothing any more."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] not in ("Z", "X")
    except OSError:
        return False


def _other_user() -> str | None:
    if os.geteuid() != 0:
        return None
    return "postgres" if "postgres" in {entry.pw_name for entry in pwd.getpwall()} else "nobody"


def _say(folder: str, statement: str) -> None:
    with owner(folder) as connection:
        connection.execute(statement)
