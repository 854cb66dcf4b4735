"""kill -9 while 32 terminals scan and files come in: is anything acknowledged lost, done twice or half done?

    python -m benchmarks.kills --kills 200 --database sqlite        # or postgresql, or both
    python -m benchmarks.kills --kills 200 --seed 7 --terminals 32

On SQLite the database is in the server's own process; on PostgreSQL the server, all processes of the database, or both are killed, in turn.
After each kill: `check`; every acknowledged action stands in the journal, once; what was done but not answered gets that very answer when
its terminal sends it again. kill -9 is no power cut: what the system had in its buffers stays.
"""

import argparse
import random
import sys
import time
from collections import Counter
from dataclasses import dataclass, field

from sqlalchemy import select

from app.db import canonical_json
from app.genealogy.checks import check
from app.journal.models import Entry, Request
from app.ledger.items import Lot
from app.ledger.runs import Run
from app.naming.models import Code
from benchmarks.floor_load import Floor, Load, Told, make_floor
from benchmarks.installations import Installation, client, installation

# After a kill PostgreSQL flushes its files one by one before it looks at its log: seconds for hundreds that nobody wrote. At once does as well.
FLUSHED_AT_ONCE = {"recovery_init_sync_method": "syncfs"}
TARGETS = {"sqlite": ("server",), "postgresql": ("server", "database", "both")}


@dataclass
class Found:
    """`late`: done before the kill, and answered only when they were sent again."""

    kills: Counter[str] = field(default_factory=Counter)
    acknowledged: int = 0
    in_flight: int = 0
    late: int = 0
    asked_again: int = 0
    seconds: float = 0.0
    faults: list[str] = field(default_factory=list)
    not_answered: Counter[str] = field(default_factory=Counter)


def kills(kind: str, count: int, seed: int = 1, terminals: int = 32, say: object = None) -> Found:
    found, chance, began = Found(), random.Random(seed), time.monotonic()
    with installation(kind, FLUSHED_AT_ONCE) as one:
        floor = make_floor(one.house, terminals)
        one.server.start()
        one.server.wait()
        load = Load(lambda _: one.server.url, floor, seed)
        judge = _Judge(one, load, found)
        load.start()
        for n in range(count):
            target = TARGETS[kind][n % len(TARGETS[kind])]
            time.sleep(chance.uniform(0.05, 1.2))
            _kill(one, target)
            pending = load.park()
            _start_again(one, target)
            judge.before_sending_again(pending)
            load.gate.set()
            load.wait_until_answered(pending)
            judge.after_sending_again(pending)
            found.kills[target] += 1
            if callable(say):
                say(f"{n + 1:4} {target:9} {len(pending):3} in flight, {found.late} done and unanswered so far, {found.acknowledged} acknowledged")
            if load.wrong or found.faults:
                break
        load.park()
        judge.at_the_end(floor)
        load.stop()
        found.faults += load.wrong
        found.not_answered = load.not_answered
    found.seconds = time.monotonic() - began
    return found


def _kill(one: Installation, target: str) -> None:
    if target in ("database", "both"):
        assert one.cluster is not None
        one.cluster.kill()
    if target in ("server", "both"):
        one.server.kill()


def _start_again(one: Installation, target: str) -> None:
    if target in ("database", "both"):
        assert one.cluster is not None
        one.cluster.start()
        one.house.dispose()  # our own look at it was cut off as well
    if target in ("server", "both"):
        one.server.start()
    one.server.wait()


class _Judge:
    """Compares what terminals were told with what stands in the database, from where it last looked."""

    def __init__(self, one: Installation, load: Load, found: Found) -> None:
        self.one, self.load, self.found = one, load, found
        self.looked_at, self.entry, self.seen = 0, 0, set[str]()

    def before_sending_again(self, pending: list[Told]) -> None:
        self.found.faults += [f"check: {one}" for one in check(self.one.house)]
        self._compare()
        with self.one.house.reading() as session:
            for told in pending:
                kept = self._kept(session, told.key)
                told.kept = (kept.entry, kept.answer) if kept else None
        self.found.in_flight += len(pending)
        self.found.late += sum(told.kept is not None for told in pending)

    def after_sending_again(self, pending: list[Told]) -> None:
        with self.one.house.reading() as session:
            for told in pending:
                kept = self._kept(session, told.key)
                if kept is None:
                    self.found.faults.append(f"{told.key} was answered and is not kept")
                elif told.kept is not None and (told.kept != (kept.entry, kept.answer) or not _agrees(kept.answer, told.answer)):
                    self.found.faults.append(f"{told.key} was answered otherwise the second time")

    def at_the_end(self, floor: Floor) -> None:
        """All once more, and a share of all answers asked for again: the first one must come."""
        self.found.faults += [f"check: {one}" for one in check(self.one.house)]
        self._compare()
        chance = random.Random(5)
        with client(self.one.server.url, timeout=60) as asking:
            for told in chance.sample([t for t in self.load.told if t.path != "/wafers"], min(300, len(self.load.told) // 2)):
                token = floor.tokens[int(told.key[1:].partition("-")[0])]
                head = {"Authorization": f"Bearer {token}", "Idempotency-Key": told.key}
                again = asking.post(f"/api/v1{told.path}", json=told.body, headers=head)
                self.found.asked_again += 1
                if again.status_code != told.status or again.json() != told.answer:
                    self.found.faults.append(f"{told.key} asked again: {again.status_code} {again.text[:200]}, first {told.answer}")

    def _compare(self) -> None:
        new, self.looked_at = self.load.told[self.looked_at :], len(self.load.told)
        self.found.acknowledged += len(new)
        with self.one.house.reading() as session:
            new_entries = select(Entry.id, Entry.action, Entry.arguments).where(Entry.id > self.entry).order_by(Entry.id)
            for entry, action, arguments in session.execute(new_entries):
                self.entry = entry
                did = canonical_json([action, arguments])
                if did in self.seen and arguments.keys() - {"test"}:
                    self.found.faults.append(f"entry {entry}: {did} was done twice")
                self.seen.add(did)
            for told in new:
                self._stands(session, told)

    def _stands(self, session: object, told: Told) -> None:
        """The action is in the journal, and what it made is there whole."""
        kept = self._kept(session, told.key)
        if kept is None or kept.entry is None or session.get(Entry, kept.entry) is None:  # type: ignore[attr-defined]
            self.found.faults.append(f"{told.key} {told.path} was acknowledged and is lost")
            return
        if told.path.endswith("/finish"):
            run = session.get(Run, _thing(session, told.answer["run"]))  # type: ignore[attr-defined]
            if run is None or run.outcome != "done":
                self.found.faults.append(f"{told.key}: run {told.answer['run']} is not done")
        elif told.path == "/lots" and session.get(Lot, _thing(session, told.answer["lot"])) is None:  # type: ignore[attr-defined]
            self.found.faults.append(f"{told.key}: lot {told.answer['lot']} is not there")

    def _kept(self, session: object, key: str) -> Request | None:
        return session.scalars(select(Request).where(Request.key == key)).first()  # type: ignore[attr-defined, no-any-return]


def _thing(session: object, code: str) -> int | None:
    return session.scalar(select(Code.thing).where(Code.code == code))  # type: ignore[attr-defined, no-any-return]


def _agrees(kept: object, answered: object) -> bool:
    """Every plain value that was kept was answered; times may be spelled otherwise."""
    if not isinstance(kept, dict) or not isinstance(answered, dict):
        return False
    return all(answered.get(name) == value for name, value in kept.items() if not isinstance(value, (list, dict)) and not name.endswith("_at"))


def table(rows: dict[str, Found]) -> str:
    head = "| database | kills | acknowledged | in flight at a kill | done, not yet answered | asked again later | lost, twice, half done |"
    lines = [head, "| " + "--- | " * 7]
    for kind, found in rows.items():
        kinds = ", ".join(f"{n} {target}" for target, n in found.kills.items())
        lines.append(
            f"| {kind} | {found.kills.total()} ({kinds}) | {found.acknowledged:,} | {found.in_flight:,} | {found.late:,} "
            f"| {found.asked_again} | {len(found.faults)} |"
        )
    return "\n".join(lines)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--kills", type=int, default=200, help="on each database")
    asked.add_argument("--database", choices=("sqlite", "postgresql", "both"), default="both")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--terminals", type=int, default=32)
    how = asked.parse_args()
    kinds = ("sqlite", "postgresql") if how.database == "both" else (how.database,)
    rows = {kind: kills(kind, how.kills, how.seed, how.terminals, lambda line: print(line, file=sys.stderr, flush=True)) for kind in kinds}
    print(table(rows))
    for kind, found in rows.items():
        print(f"{kind}: {found.seconds:.0f} s in all; sent again because of: {dict(found.not_answered)}")
        for fault in found.faults[:50]:
            print(f"  {fault}")
    sys.exit(any(found.faults for found in rows.values()))


if __name__ == "__main__":
    main()
