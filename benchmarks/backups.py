"""Backups are taken while terminals scan and files come in, restored into empty places of both kinds, and checked; damaged ones are refused.

    python -m benchmarks.backups --terminals 32 --backups 3 --damages 200
"""

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import func, select

from app.backup import backup, restore, verify_archive
from app.db import House
from app.errors import Refused
from app.genealogy.checks import check
from app.journal.models import Entry, Request
from app.migrate import upgrade
from benchmarks.floor_load import Load, make_floor
from benchmarks.installations import installation, opened
from tests import postgres


@dataclass
class Found:
    """`restored`: from -> into, entries, seconds of the backup, acts answered while it was taken."""

    restored: list[str] = field(default_factory=list)
    damaged: int = 0
    faults: list[str] = field(default_factory=list)


def back_up_under_load(kind: str, kinds: tuple[str, ...], terminals: int = 32, backups: int = 3, damages: int = 200, seed: int = 1) -> Found:
    found = Found()
    with installation(kind) as one, tempfile.TemporaryDirectory(prefix="rr-solid-") as folder:
        floor = make_floor(one.house, terminals)
        one.server.start()
        one.server.wait()
        load = Load(lambda _: one.server.url, floor, seed, files_every=2)
        load.start()
        archive = Path(folder) / "all.tar.gz"
        for _ in range(backups):
            time.sleep(1)
            told, began = len(load.told), time.monotonic()
            backup(one.house, archive)
            seconds, meanwhile = time.monotonic() - began, len(load.told) - told
            load.park()
            for into in kinds:
                _restore(one.house, archive, into, [each.key for each in load.told[:told]], found, f"{seconds:.1f} s, {meanwhile} acts meanwhile")
            load.gate.set()
        load.park()
        load.stop()
        found.faults += load.wrong
        _damage(one.house, archive, damages, random.Random(seed), found)
    return found


def _restore(source: House, archive: Path, into: str, acknowledged: list[str], found: Found, words: str) -> None:
    """Everything that was acknowledged before the backup began is in it; what came later is in it whole or not at all."""
    with empty(into) as house:
        restore(house, archive)
        found.faults += [f"check after {source.kind} -> {into}: {one}" for one in check(house)]
        with house.reading() as session:
            keys = set(session.scalars(select(Request.key).where(Request.entry.is_not(None))))
            entries = session.scalar(select(func.count()).select_from(Entry)) or 0
        lost = [key for key in acknowledged if key not in keys]
        if lost:
            found.faults.append(f"{source.kind} -> {into}: {len(lost)} acknowledged acts are not in the backup, as {lost[:3]}")
        found.restored.append(f"{source.kind} -> {into}: {entries} entries, {words}")


def _damage(house: House, archive: Path, damages: int, chance: random.Random, found: Found) -> None:
    """One bit turned over, or the end cut off, or a stretch of zeros: each is noticed before anything is written."""
    whole = archive.read_bytes()
    with empty("sqlite") as untouched:
        for n in range(damages):
            broken = bytearray(whole)
            at = chance.randrange(len(broken))
            if n % 3 == 0:
                broken[at] ^= 1 << chance.randrange(8)
            elif n % 3 == 1:
                del broken[at:]
            else:
                broken[at : at + 512] = bytes(len(broken[at : at + 512]))
            archive.write_bytes(broken)
            if _is_taken(lambda: verify_archive(archive)):
                now = verify_archive(archive)
                archive.write_bytes(whole)
                if now != verify_archive(archive):
                    found.faults.append(f"damage {n} at {at} was not noticed")
            elif _is_taken(lambda: restore(untouched, archive)):
                found.faults.append(f"damage {n} at {at} was restored")
            else:
                found.damaged += 1
        with untouched.reading() as session:
            if session.scalar(select(func.count()).select_from(Entry)):
                found.faults.append("a damaged backup left rows behind")


def _is_taken(what: Callable[[], object]) -> bool:
    """A backup whose every part is as it was written may be taken: a bit of gzip's own head, a time or a name, changes nothing in it."""
    try:
        what()
    except Refused:
        return False
    return True


@contextmanager
def empty(kind: str) -> Iterator[House]:
    with tempfile.TemporaryDirectory(prefix="rr-solid-", ignore_cleanup_errors=True) as folder:
        cluster = postgres.Cluster() if kind == "postgresql" else None
        try:
            with opened(Path(folder), postgres.create(str(cluster.folder)) if cluster else "") as house:
                upgrade(house)
                yield house
        finally:
            if cluster:
                cluster.stop()


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--terminals", type=int, default=32)
    asked.add_argument("--backups", type=int, default=3)
    asked.add_argument("--damages", type=int, default=200)
    how = asked.parse_args()
    bad = False
    for kind in ("sqlite", "postgresql"):
        found = back_up_under_load(kind, ("sqlite", "postgresql"), how.terminals, how.backups, how.damages)
        bad = bad or bool(found.faults)
        said = f"{kind}: {found.damaged} damaged backups noticed; faults: {len(found.faults)}"
        print(*found.restored, said, *found.faults[:20], sep="\n", flush=True)
    sys.exit(bad)


if __name__ == "__main__":
    main()
