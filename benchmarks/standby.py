"""A machine is lost: the primary is killed while terminals scan, its synchronous standby is promoted, and the terminals go on.

    python -m benchmarks.standby --terminals 32 --seconds 5

Set up as docs/standby.md says, with two private clusters. Traces, lists and the board are read from the standby; a read that follows an
answered act must show it (counted as stale reads). Prints for how many seconds nothing was answered, and what was lost.
"""

import argparse
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import httpx
from sqlalchemy import select

from app.genealogy.checks import check
from app.journal.models import Entry, Request
from app.migrate import upgrade
from benchmarks.floor_load import PATIENCE, Load, make_floor
from benchmarks.installations import Server, opened
from tests import postgres


@dataclass
class Found:
    acknowledged: int = 0
    before: int = 0
    silent_seconds: float = 0.0
    promote_seconds: float = 0.0
    reads: int = 0
    reads_on_standby: bool = False
    faults: list[str] = field(default_factory=list)
    not_answered: dict[str, int] = field(default_factory=dict)


def lose_a_machine(terminals: int = 32, seconds: float = 5.0, seed: int = 1) -> Found:
    found = Found()
    with ExitStack() as stack:
        primary = postgres.Cluster(postgres.SAFE | {"hot_standby_feedback": "on"})
        stack.callback(primary.stop)
        name = postgres.name_in(postgres.create(str(primary.folder)))
        standby = postgres.Cluster(postgres.SAFE | {"hot_standby_feedback": "on"}, standby_of=primary)
        stack.callback(standby.stop)
        primary.set("synchronous_standby_names", "standby")
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rr-solid-", ignore_cleanup_errors=True)))
        hosts = f"host={primary.folder}&host={standby.folder}"
        writes = f"postgresql+psycopg://postgres@/{name}?{hosts}&target_session_attrs=read-write&connect_timeout=2"
        reads = f"postgresql+psycopg://postgres@/{name}?{hosts}&target_session_attrs=prefer-standby&connect_timeout=2"
        house = stack.enter_context(opened(folder, writes, read_url=reads))
        upgrade(house)
        floor = make_floor(house, terminals)
        with house.reading() as session:
            found.reads_on_standby = bool(session.connection().exec_driver_sql("select pg_is_in_recovery()").scalar())
        server = Server(folder, REELROOT_DATABASE_URL=writes, REELROOT_READ_URL=reads)
        stack.callback(server.kill)
        server.start()
        server.wait()
        load = Load(lambda _: server.url, floor, seed)
        reader = _Reader(load, server.url, found)
        load.start()
        reader.start()
        time.sleep(seconds)
        _wait_for(lambda: len(load.told) > 2 * terminals and found.reads > 3)
        killed = time.monotonic()
        primary.kill()
        found.before = len(load.told)
        standby.set("synchronous_standby_names", "")  # or the new primary would wait for a standby that it has not
        standby.promote()
        found.promote_seconds = time.monotonic() - killed
        time.sleep(seconds)
        _wait_for(lambda: len(load.told) > found.before + terminals)
        reader.stop()
        pending = load.park()
        load.gate.set()
        load.wait_until_answered(pending)
        load.park()
        load.stop()
        house.dispose()
        answered = [killed - 1, *sorted(told.at for told in load.told if told.at > killed - 1)]
        found.silent_seconds = max(later - earlier for earlier, later in pairwise(answered))
        found.acknowledged, found.not_answered = len(load.told), dict(load.not_answered)
        found.faults += load.wrong + [f"check: {one}" for one in check(house)]
        with house.reading() as session:
            kept = {key: entry for key, entry in session.execute(select(Request.key, Request.entry))}
            entries = set(session.scalars(select(Entry.id)))
        found.faults += [f"{told.key} {told.path} was acknowledged and is lost" for told in load.told if kept.get(told.key) not in entries]
    return found


def _wait_for(what: Callable[[], bool]) -> None:
    """On a busy machine a few seconds may be too few for anything to happen."""
    until = time.monotonic() + PATIENCE
    while not what() and time.monotonic() < until:
        time.sleep(0.02)


class _Reader(threading.Thread):
    """Asks for what was answered last, at once: a page may not be older than what its session was told."""

    def __init__(self, load: Load, url: str, found: Found) -> None:
        super().__init__(daemon=True)
        self.load, self.url, self.found, self.stopping = load, url, found, False

    def stop(self) -> None:
        self.stopping = True
        self.join(timeout=30)

    def run(self) -> None:
        head = {"Authorization": f"Bearer {self.load.floor.tokens[0]}"}
        with httpx.Client(base_url=self.url, timeout=30, headers=head) as client:
            while not self.stopping:
                newest = next((told for told in reversed(self.load.told) if told.path == "/batches"), None)
                if newest is None:
                    time.sleep(0.02)
                    continue
                try:
                    answer = client.get(f"/api/v1/batches/{newest.answer['batch']}")
                except httpx.TransportError:
                    continue
                if answer.status_code < 500:
                    self.found.reads += 1
                    if answer.status_code != 200:
                        self.found.faults.append(f"stale: {newest.answer['batch']} was received, and is read as {answer.text[:200]}")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--terminals", type=int, default=32)
    asked.add_argument("--seconds", type=float, default=5.0, help="of load before the kill and after the promotion")
    how = asked.parse_args()
    found = lose_a_machine(how.terminals, how.seconds)
    print(f"acknowledged {found.acknowledged} ({found.before} before the kill), lost or stale {len(found.faults)}")
    print(f"promoted {found.promote_seconds:.1f} s after the kill; longest time without an answered act {found.silent_seconds:.1f} s")
    print(f"{found.reads} reads of what was received last, from the standby: {found.reads_on_standby}; sent again because of {found.not_answered}")
    for fault in found.faults[:50]:
        print(f"  {fault}")
    sys.exit(bool(found.faults))


if __name__ == "__main__":
    main()
