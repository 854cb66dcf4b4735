"""A private PostgreSQL cluster for the tests, from the installed binaries, run as another user (it refuses to run as root)."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg

MISSING = "PostgreSQL is not installed: install the package `postgresql` to run these tests"
QUICK = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}  # nothing here must survive a power cut


class Cluster:
    """Runs from the moment it is made until `stop`. Reached by a socket in its folder only."""

    def __init__(self) -> None:
        # Not pytest's tmp_path: another user can't enter it, and a socket's path must be short.
        self.folder = Path(tempfile.mkdtemp(prefix="rr-pg-", dir="/tmp"))
        self.user = _other_user()
        if self.user:
            entry = pwd.getpwnam(self.user)
            os.chown(self.folder, entry.pw_uid, entry.pw_gid)
        try:
            self._run("initdb", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync", "-U", "postgres", "-D", "data")
            settings = {"listen_addresses": "''", "unix_socket_directories": str(self.folder), "max_connections": "300", **QUICK}
            options = " ".join(f"-c {name}={value}" for name, value in settings.items())
            self._run("pg_ctl", "-D", "data", "-o", options, "-w", "-l", "log", "start")
        except BaseException:
            shutil.rmtree(self.folder, ignore_errors=True)
            raise

    def stop(self) -> None:
        self._run("pg_ctl", "-D", "data", "-m", "immediate", "stop")
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
                raise RuntimeError(f"{program} failed: {said.read()}")


@contextmanager
def database(folder: str, template: str = "template0") -> Iterator[str]:
    """The URL of a fresh copy of a database, dropped afterwards."""
    name = f"t_{uuid4().hex[:12]}"
    _say(folder, f"create database {name} template {template} strategy file_copy")
    try:
        yield url(folder, name)
    finally:
        _say(folder, f"drop database {name} with (force)")


def url(folder: str, name: str) -> str:
    return f"postgresql+psycopg://postgres@/{name}?host={folder}"


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


def _other_user() -> str | None:
    if os.geteuid() != 0:
        return None
    return "postgres" if "postgres" in {entry.pw_name for entry in pwd.getpwall()} else "nobody"


def _say(folder: str, statement: str) -> None:
    with psycopg.connect(host=folder, user="postgres", dbname="postgres", autocommit=True) as connection:
        connection.execute(statement)
