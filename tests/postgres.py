"""A private PostgreSQL cluster for the tests, from the installed binaries, run as another user (it refuses to run as root)."""

import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path

MISSING = "PostgreSQL is not installed: install the package `postgresql` to run these tests"


class Cluster:
    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="rr-pg-", dir="/tmp"))  # a socket's path must be short  # noqa: S108
        self.user = _other_user()
        if self.user:
            entry = pwd.getpwnam(self.user)
            os.chown(self.folder, entry.pw_uid, entry.pw_gid)
        self._run("initdb", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync", "-U", "postgres", "-D", str(self.folder / "data"))
        options = f"-c listen_addresses='' -c unix_socket_directories={self.folder} -c fsync=off -c synchronous_commit=off -c full_page_writes=off"
        options += " -c max_connections=300"
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-o", options, "-w", "-l", str(self.folder / "log"), "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-m", "immediate", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def _run(self, program: str, *arguments: str) -> None:
        kwargs = {"user": self.user, "group": pwd.getpwnam(self.user).pw_gid, "extra_groups": []} if self.user else {}
        done = subprocess.run(
            [str(binaries() / program), *arguments], cwd=self.folder, stdout=subprocess.PIPE if program == "initdb" else subprocess.DEVNULL,
            stderr=subprocess.STDOUT if program == "initdb" else subprocess.DEVNULL, text=True, check=False, **kwargs,  # type: ignore[call-overload]
        )  # fmt: skip
        if done.returncode:
            raise RuntimeError(f"{program} failed: {done.stdout}")


def binaries() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parent.parent.name))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).parent if on_path else None


def url(folder: str, database: str) -> str:
    return f"postgresql+psycopg://postgres@/{database}?host={folder}"


def _other_user() -> str | None:
    if os.geteuid() != 0:
        return None
    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"
