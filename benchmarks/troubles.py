"""What goes wrong around a server that is right: each is brought about on a real server, looked at, and taken away again.

    python -m benchmarks.troubles                    # on both databases
    python -m benchmarks.troubles --database sqlite --only "disk full"

Disk full: a limit on the size of files of the running server, lifted again; and, where the right to mount is there, a small
file system of its own for data and database, filled to its last byte. For each: what was answered, whether it was done
once after all, and whether the server healed by itself.
"""

import argparse
import os
import resource
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import func, select

from app.genealogy.checks import check
from app.journal.models import Request
from benchmarks.floor_load import Floor, Load, make_floor
from benchmarks.installations import Installation, Server, installation

MAP = "wafer: {}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n"


@dataclass
class Tried:
    """`told`: status and title of each answer while the trouble lasted, and what came after it."""

    name: str
    told: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def expect(self, is_so: bool, words: str) -> None:
        if not is_so:
            self.faults.append(words)

    def answered(self, answer: httpx.Response, status: int) -> None:
        """A problem document with a remedy; 503 says when to come again."""
        body: dict[str, Any] = answer.json() if "json" in answer.headers.get("content-type", "") else {}
        self.told.append(f"{answer.status_code} {body.get('title', answer.text[:80])}")
        self.expect(answer.status_code == status, f"answered {answer.status_code} {answer.text[:200]}, not {status}")
        if status == 503:
            self.expect(bool(body.get("now")) and "retry-after" in answer.headers, "the answer has no remedy or no time to come again")


@dataclass
class Bench:
    one: Installation
    floor: Floor
    number: int = 0

    def client(self, timeout: float = 120) -> httpx.Client:
        return httpx.Client(base_url=self.one.server.url, timeout=timeout, headers={"Authorization": f"Bearer {self.floor.tokens[0]}"})

    def batch(self, client: httpx.Client, key: str) -> httpx.Response:
        body = {"part": "FRAME", "supplier_batch": key}
        return client.post("/api/v1/batches", json=body, headers={"Idempotency-Key": key})

    def wafer(self, client: httpx.Client, name: str, rows: int, columns: int = 1000) -> httpx.Response:
        content = (MAP.format(name) + "\n".join(["1" * columns] * rows)).encode()
        return client.post("/api/v1/wafers", data={"part": "WR", "passing": "1"}, files=[("files", (f"{name}.txt", content))])

    def done(self, key: str) -> int:
        with self.one.house.reading() as session:
            return session.scalar(select(func.count()).select_from(Request).where(Request.key == key, Request.entry.is_not(None))) or 0


def disk_full(bench: Bench) -> Tried:
    """The server may write no byte more to any file: an act (on SQLite), and a file's evidence (on both)."""
    tried = Tried("disk full")
    with bench.client() as client:
        with _limited(bench.one.server.pid, resource.RLIMIT_FSIZE, 1024):
            if bench.one.house.kind == "sqlite":
                tried.answered(bench.batch(client, "full"), 503)
            tried.answered(bench.wafer(client, "FULL", 20), 503)
        tried.expect(bench.done("full") == 0, "something was done")
        tried.expect(not list((bench.one.house.data_dir / "evidence").glob("half-*")), "half a file stayed")
        tried.answered(bench.batch(client, "full"), 200)
        tried.answered(bench.wafer(client, "FULL", 20), 200)
        tried.expect(bench.done("full") == 1, "not done once")
    return tried


def read_only(bench: Bench) -> Tried:
    """PostgreSQL is told to take no writes. (SQLite: a folder mounted read-only, see `read_only_folder`.)"""
    tried = Tried("read-only database")
    if bench.one.cluster is None:
        return read_only_folder(bench)
    with bench.client() as client:
        bench.one.cluster.set("default_transaction_read_only", "on")
        time.sleep(0.5)
        tried.answered(bench.batch(client, "read-only"), 503)
        bench.one.cluster.set("default_transaction_read_only", "off")
        time.sleep(0.5)
        tried.answered(bench.batch(client, "read-only"), 200)
        tried.expect(bench.done("read-only") == 1, "not done once")
    return tried


def read_only_folder(bench: Bench) -> Tried:
    """A server that is started on a disk that takes no writes says so and ends; on one that does, it serves."""
    tried = Tried("read-only disk")
    folder = bench.one.house.data_dir
    bench.one.server.kill()
    bench.one.house.dispose()
    if subprocess.run(["mount", "--bind", str(folder), str(folder)], capture_output=True, check=False).returncode:
        tried.told.append("not tried: it needs the right to mount")
    else:
        try:
            subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=True)
            command = [sys.executable, "-m", "app", "serve", "--data", str(folder)]
            done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
            tried.told.append(f"exit {done.returncode}: {done.stderr.strip().splitlines()[-3:]}")
            tried.expect(done.returncode == 1 and "Traceback" not in done.stderr, f"it said {done.stderr[-500:]}")
        finally:
            subprocess.run(["umount", str(folder)], check=True)
    bench.one.server.start()
    bench.one.server.wait()
    with bench.client() as client:
        tried.answered(bench.batch(client, "read-only"), 200)
    return tried


def database_away(bench: Bench) -> Tried:
    """PostgreSQL killed and started again; on SQLite another program holds the file's lock."""
    tried = Tried("database away")
    with bench.client() as client:
        began = time.monotonic()
        if bench.one.cluster:
            bench.one.cluster.kill()
            tried.answered(bench.batch(client, "away"), 503)
            seconds = time.monotonic() - began
            bench.one.cluster.start()
            bench.one.house.dispose()
        else:
            with bench.one.house.write_engine.execution_options(sqlite_begin="IMMEDIATE").connect() as holder, holder.begin():
                tried.answered(bench.batch(client, "away"), 503)
            seconds = time.monotonic() - began
        tried.told.append(f"after {seconds:.1f} s")
        tried.answered(bench.batch(client, "away"), 200)
        tried.expect(bench.done("away") == 1, "not done once")
    return tried


def out_of_memory(bench: Bench) -> Tried:
    """A large file comes in while the server may take no more memory than it has and a little: so much that it can begin to read it."""
    tried = Tried("out of memory in an import")
    with bench.client() as client:
        with _limited(bench.one.server.pid, resource.RLIMIT_AS, _bytes_mapped(bench.one.server.pid) + (30 << 20)):
            answer = bench.wafer(client, "LARGE", 3000, 3000)
        tried.answered(answer, 503)
        tried.answered(bench.batch(client, "memory"), 200)
        tried.answered(bench.wafer(client, "SMALL", 100), 200)
    return tried


def client_stops(bench: Bench) -> Tried:
    """Half of a file is sent, then the client is gone; forty times. What each left would show; what the pool keeps ready is far fewer."""
    tried = Tried("a client stops in the middle of an upload")
    before, open_before, few = _files(bench), _handles(bench.one.server.pid), 10
    head = (
        f"POST /api/v1/wafers HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {bench.floor.tokens[0]}\r\nContent-Length: 4000000\r\n"
        "Content-Type: multipart/form-data; boundary=b\r\n\r\n--b\r\nContent-Disposition: form-data; name=\"files\"; filename=\"x.txt\"\r\n\r\n"
    )
    for _ in range(40):
        with socket.create_connection(("127.0.0.1", bench.one.server.port)) as half:
            half.sendall(head.encode() + b"1" * 1_500_000)
    with bench.client() as client:
        tried.answered(bench.batch(client, f"stops {time.monotonic()}"), 200)
        until = time.monotonic() + 20
        while _handles(bench.one.server.pid) > open_before + few and time.monotonic() < until:
            time.sleep(0.1)
    tried.expect(_files(bench) == before, "a part of a file stayed")
    tried.expect(_handles(bench.one.server.pid) <= open_before + few, f"{_handles(bench.one.server.pid)} open files, {open_before} before")
    tried.expect("Traceback" not in bench.one.server.said.read_text()[-20000:], f"the log has a trace: {bench.one.server.said.read_text()[-600:]}")
    return tried


def two_servers(bench: Bench, seconds: float = 4.0) -> Tried:
    """Two servers on one database and one data folder, half of the terminals at each."""
    tried = Tried("two servers on one database")
    second = Server(bench.one.house.data_dir, **bench.one.server.settings)
    second.start()
    try:
        second.wait()
        load = Load(lambda n: (bench.one.server, second)[n % 2].url, bench.floor, seed=1)
        load.start()
        time.sleep(seconds)
        load.park()
        load.stop()
        lost = [told.key for told in load.told if not bench.done(told.key)]
        tried.expect(not lost, f"lost {lost[:5]}")
        tried.expect(not load.wrong, str(load.wrong[:3]))
        slowest = max((told.seconds for told in load.told), default=0)
        tried.told.append(f"{len(load.told)} acts at two servers, slowest {slowest:.1f} s, sent again because of {dict(load.not_answered)}")
    finally:
        second.stop()
        second.said.unlink(missing_ok=True)
    return tried


TROUBLES: tuple[Callable[[Bench], Tried], ...] = (disk_full, read_only, database_away, out_of_memory, client_stops, two_servers)


def full_file_system(kind: str) -> Tried:
    """Everything on a file system with no byte left; an act, and a file. Where PostgreSQL ends as it can't write its log, it is started again."""
    tried = Tried("full file system")
    with _small_disk() as disk:
        if disk is None:
            tried.told.append("not tried: it needs the right to mount")
            return tried
        with installation(kind, under=disk) as one:
            bench = Bench(one, make_floor(one.house, 1))
            one.server.start()
            one.server.wait()
            with bench.client() as client:
                _fill(disk / "ballast", but_for=256 << 10)
                refused, answer = _act_until_refused(bench, client)
                tried.told.append(f"{refused.split()[1]} acts in what was left")
                tried.answered(answer, 503)  # not asked again here: a database may find some room a moment later
                tried.answered(bench.wafer(client, "FULL", 200), 503)
                (disk / "ballast").unlink()
                if one.cluster and not one.cluster.is_running():
                    tried.told.append("the database had ended, and was started")
                    one.cluster.start()
                one.house.dispose()
                tried.answered(bench.batch(client, refused), 200)
                tried.answered(bench.wafer(client, "FULL", 200), 200)
            tried.expect(bench.done(refused) == 1, "not done once")
            lost = [key for key in map(_key, range(int(refused.split()[1]))) if bench.done(key) != 1]
            tried.expect(not lost, f"acknowledged, and lost or twice: {lost[:5]}")
            tried.faults += [f"check: {found}" for found in check(one.house)]
    return tried


def _act_until_refused(bench: Bench, client: httpx.Client, most: int = 20_000) -> tuple[str, httpx.Response]:
    """The key of the first act that is not acknowledged, and its answer: what the log has room for already is taken first."""
    answers = ((key, bench.batch(client, key)) for key in map(_key, range(most)))
    return next((key, answer) for key, answer in answers if answer.status_code != 200)


def _key(n: int) -> str:
    return f"full {n}"


def _fill(path: Path, but_for: int) -> None:
    """All of the room but so many bytes: work goes on until they are used."""
    with path.open("wb", buffering=0) as file:
        with suppress(OSError):
            while True:
                file.write(bytes(1 << 12))
        file.truncate(file.tell() - but_for)


@contextmanager
def _small_disk(megabytes: int = 200) -> Iterator[Path | None]:
    """A file system of that size that everyone may enter; None where it may not be mounted."""
    folder = Path(tempfile.mkdtemp(prefix="rr-full-", dir="/tmp"))
    options = f"size={megabytes}m,mode=0755"
    may = not subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True, check=False).returncode
    try:
        yield folder if may else None
    finally:
        if may:
            subprocess.run(["umount", str(folder)], check=True)
        folder.rmdir()


def try_all(kind: str, terminals: int = 16, only: str = "") -> Iterator[Tried]:
    if only in "full file system":
        yield full_file_system(kind)
    with installation(kind) as one:
        bench = Bench(one, make_floor(one.house, terminals))
        one.server.start()
        one.server.wait()
        for trouble in TROUBLES:
            if only in trouble.__name__.replace("_", " "):
                yield try_one(bench, trouble)


def try_one(bench: Bench, trouble: Callable[[Bench], Tried]) -> Tried:
    """The trouble, and afterwards the whole check."""
    tried = trouble(bench)
    tried.faults += [f"check: {one}" for one in check(bench.one.house)]
    return tried


@contextmanager
def _limited(pid: int, what: int, most: int) -> Iterator[None]:
    """A soft limit of a running process, and back."""
    soft, hard = resource.prlimit(pid, what)
    resource.prlimit(pid, what, (most, hard))
    try:
        yield
    finally:
        resource.prlimit(pid, what, (soft, hard))


def _files(bench: Bench) -> int:
    return sum(1 for path in (bench.one.house.data_dir / "evidence").rglob("*") if path.is_file())


def _bytes_mapped(pid: int) -> int:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[0]) * resource.getpagesize()


def _handles(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--database", choices=("sqlite", "postgresql", "both"), default="both")
    asked.add_argument("--only", default="")
    how = asked.parse_args()
    bad = False
    print("| database | trouble | answered | lost, or not healed |\n| --- | --- | --- | --- |")
    for kind in ("sqlite", "postgresql") if how.database == "both" else (how.database,):
        for tried in try_all(kind, only=how.only):
            bad = bad or bool(tried.faults)
            print(f"| {kind} | {tried.name} | {'; '.join(tried.told)} | {'; '.join(tried.faults) or 'nothing'} |", flush=True)
    sys.exit(bad)


if __name__ == "__main__":
    main()
