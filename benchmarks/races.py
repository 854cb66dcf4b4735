"""Several calls at the same moment on the same things, over the JSON API: does one win where only one can, and is the record whole after it?

    python -m benchmarks.races --seconds 120 --seed 1 --database postgresql      # or sqlite, or both
    python -m benchmarks.races --bursts 100 --only packed shipped

A burst makes a state of the plant (`race_scenes.py`) and sends two to six of the calls that are possible in it at once, each with a key of its
own: often one call twice. The server waits a little, at random, between its statements, so that acts cross that seldom would. After a burst:
no 500 and no 503, one winner where only one can win, as many units as before. After ten of them: `check`, with the journal's verification.
"""

import argparse
import random
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import httpx
from sqlalchemy import event, func, select
from sqlalchemy.engine import Engine
from sqlalchemy.orm import Session

from app import listed
from app.db import RecordSession
from app.errors import Refused
from app.floor import ends
from app.floor.amounts import OUT_OF_BOOK, books
from app.floor.station_states import set_state
from app.genealogy.checks import check
from app.holds.release import release_hold
from app.ledger.corrections import not_void
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Item, Sample
from app.ledger.judgements import Judgement
from app.ledger.places import Load, Mount
from app.ledger.runs import Line, Run, StationState, Use
from app.ledger.stops import Hold
from app.ovens import loads
from app.packing.contents import units_of
from benchmarks import race_file_scenes, race_office_scenes, race_scenes
from benchmarks.installations import client, installation
from benchmarks.race_scenes import Ask, Plant, Scene, make_plant

SCENES = (*race_scenes.SCENES, *race_file_scenes.SCENES, *race_office_scenes.SCENES)
MOST = 6
CHECK_EVERY = 10
_CHOICES = 8
MEANT = ("against", "does not close", "leans one way", "began with it later")  # counts that differ: a scene counts so, and people sign for it
_WAITS, _LONGEST = 0.1, 0.005  # share of statements that wait, and for how long at most
_HELD_BACK, _LONGEST_BEFORE_COMMIT = 0.7, 0.12  # the same of commits


@dataclass
class Found:
    bursts: int = 0
    calls: int = 0
    pairs: set[tuple[str, str]] = field(default_factory=set)
    answers: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    done: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0


@dataclass(frozen=True)
class Told:
    ask: Ask
    status: int
    answer: Any

    def __str__(self) -> str:
        why = "" if self.status == 200 else f" {self.answer.get('kind') or ''} {self.answer.get('title')}"
        return f"{self.ask.name} {self.ask.path} {self.ask.body}: {self.status}{why}"


def shake() -> None:
    """The server's statements wait a little now and then: in the server's own process."""
    chance, answered = random.Random(), listed._answered

    def wait(*_: Any) -> None:
        if chance.random() < _WAITS:
            time.sleep(chance.random() * _LONGEST)

    def waited(*given: Any, **named: Any) -> Any:
        wait()
        return answered(*given, **named)

    def hold_back(_session: Session) -> None:
        """What others read meanwhile is as it was before: where one forgets a lock, both win."""
        if chance.random() < _HELD_BACK:
            time.sleep(chance.random() * _LONGEST_BEFORE_COMMIT)

    listed._answered = waited
    event.listen(RecordSession, "before_commit", hold_back)
    event.listen(Engine, "after_cursor_execute", wait)


def races(kind: str, seconds: float = 0, bursts: int = 0, seed: int = 1, only: list[str] | None = None, say: Any = None) -> Found:
    found, chance, began = Found(), random.Random(seed), time.monotonic()
    with installation(kind) as one:
        plant = make_plant(one.house, MOST)
        one.server.prepare = shake
        one.server.start()
        one.server.wait()
        terminals, lately = _Terminals(one.server.url, plant.tokens), list[str]()
        scenes = [scene for scene in SCENES if not only or scene.__name__ in only]
        while found.bursts < bursts or time.monotonic() - began < seconds:
            scene = scenes[found.bursts % len(scenes)]
            told = _burst(plant, scene(plant, chance), terminals, chance, found)
            lately.append(f"{scene.__name__}: " + "\n      ".join(map(str, told)))
            _tidy(plant)
            if found.bursts % CHECK_EVERY == 0:
                _look(plant, found, lately)
            if callable(say):
                say(f"{found.bursts:5} {scene.__name__:10} {len(found.faults)} faults")
        _look(plant, found, lately)
        if any("500" in fault for fault in found.faults):
            found.faults.append(one.server.said.read_text()[-6000:])
    found.seconds = time.monotonic() - began
    return found


def _burst(plant: Plant, scene: Scene, terminals: "_Terminals", chance: random.Random, found: Found) -> list[Told]:
    told = terminals.send(_chosen(scene.asks, chance, found.pairs))
    found.bursts += 1
    found.calls += len(told)
    found.pairs |= _pairs([one.ask for one in told])
    for one in told:
        found.answers[str(one.status)] += 1
        found.done[one.ask.name] += one.status == 200
        if one.status != 200:
            found.refused[one.answer.get("kind") or str(one.status)] += 1
    told_all = "\n      ".join(map(str, told))
    found.faults += [f"{fault}\n      {told_all}" for fault in [*_wrong_answers(told), *_wrong_record(plant, scene)]]
    return told


def _chosen(asks: list[Ask], chance: random.Random, tried: set[tuple[str, str]]) -> list[Ask]:
    """Of some choices the one with the most pairs that were not tried yet. Half of them have a call twice."""
    return max((_choice(asks, chance) for _ in range(_CHOICES)), key=lambda some: len(_pairs(some) - tried))


def _choice(asks: list[Ask], chance: random.Random) -> list[Ask]:
    some = chance.sample(asks, min(len(asks), chance.randint(2, MOST - 1)))
    return [*some, chance.choice(some)] if chance.random() < 0.5 else some


def _pairs(asks: list[Ask]) -> set[tuple[str, str]]:
    return {(min(one.name, two.name), max(one.name, two.name)) for one, two in combinations(asks, 2)}


def _wrong_answers(told: list[Told]) -> Iterator[str]:
    may_lack_duty = any(one.ask.ends_duties for one in told)
    for one in told:
        lacks_duty = may_lack_duty and one.status == 403 and one.answer.get("kind") == "duty"
        if one.status >= 500 or (one.status in (400, 401, 403) and not lacks_duty):
            yield f"{one.ask.name} was answered {one.status}: {one.answer}"
    if any(one.ask.frees for one in told):
        return
    for word, n in Counter(one.ask.once for one in told if one.status == 200 and one.ask.once).items():
        if n > (word != "never"):
            yield f"{n} won where only one can: {word}"


def _wrong_record(plant: Plant, scene: Scene) -> Iterator[str]:
    with plant.house.reading() as session:
        is_on = select(Mount.id).where(Mount.station == Run.station, Mount.item == Use.item, Mount.closed_e.is_(None)).exists()
        gone = select(Use.line).join(Line, Line.id == Use.line).join(Run, Run.id == Line.run).where(Line.closed_e.is_(None), not_void(), ~is_on)
        for line in session.scalars(gone.distinct()):
            yield f"line {line} is open over material that is not on its station any more"
        replaced = select(Judgement.replaces).where(Judgement.replaces.is_not(None))
        twice = select(Judgement.line).where(Judgement.id.not_in(replaced)).group_by(Judgement.line).having(func.count() > 1)
        for line in session.scalars(twice):
            yield f"line {line} has two judgements in force"
        yield from scene.wrong(session)
        if scene.roots and (units := _units_below(session, scene.roots)) != scene.units:
            yield f"there were {scene.units} units, and now {units}"


def _units_below(session: Session, roots: Any) -> int:
    """In all that came of these lots, in any form, and out of them by scrap and samples."""
    down = select(Item.id).where(Item.id.in_(list(roots))).cte(recursive=True)
    down = down.union(select(Flow.child).join(down, Flow.parent == down.c.id))
    kinds = {row.id: row.kind for row in session.execute(select(Item.id, Item.kind).where(Item.id.in_(select(down.c.id))))}
    lots = [item for item, kind in kinds.items() if kind == "lot"]
    packs = [item for item, kind in kinds.items() if kind == "pack"]
    gone = select(func.sum(CountEntry.units)).where(CountEntry.item.in_(lots), CountEntry.kind.in_(OUT_OF_BOOK))
    samples = select(func.sum(Sample.units)).where(Sample.item.in_(list(kinds)))
    there = sum(books(session, lots).values()) + sum(units_of(session, pack) for pack in packs)
    return there + sum(session.scalar(one) or 0 for one in (gone, samples))


def _look(plant: Plant, found: Found, lately: list[str]) -> None:
    wrong = [one for one in map(str, check(plant.house)) if not any(word in one for word in MEANT) and one not in plant.known]
    plant.known.update(wrong)
    if wrong:
        found.faults.append("check: " + "\n   ".join(wrong) + "\n    after\n    " + "\n    ".join(lately))
    lately.clear()


def _tidy(plant: Plant) -> None:
    """What runs is aborted, loads are cancelled, stations are up and free again: the next burst finds them so."""
    with plant.house.reading() as session:
        runs = list(session.scalars(select(Run.id).join(Line, Line.run == Run.id).where(Line.closed_e.is_(None)).distinct()))
        waiting = list(session.scalars(select(Load.id).where(Load.run.is_(None), Load.closed_e.is_(None))))
        holds = list(session.scalars(select(Hold.id).where(Hold.kind.in_(("station", "span")), Hold.closed_e.is_(None))))
        down = list(session.scalars(select(StationState.station).where(StationState.closed_e.is_(None), StationState.state != "productive")))
    for run in runs:
        _try(plant, "abort_run", lambda s, by, run=run: bool(ends.abort_run(s, by, s.get_one(Run, run))))
    for load in waiting:
        _try(plant, "cancel_load", lambda s, by, load=load: bool(loads.cancel_load(s, by, s.get_one(Load, load))))
    for hold in holds:
        _try(plant, "release_hold", lambda s, by, hold=hold: release_hold(s, by, s.get_one(Hold, hold), [], "concession", "over", units_freed=0).id)
    for station in down:
        _try(plant, "set_station_state", lambda s, by, station=station: set_state(s, by, station, "productive", "over").id)


def _try(plant: Plant, action: str, verb: Any) -> None:
    with suppress(Refused):
        plant.factory.do(action, verb)


class _Terminals:
    """Each has its own connection, open before the burst."""

    def __init__(self, url: str, tokens: list[str]) -> None:
        self.clients = [client(url, timeout=60) for _ in tokens]
        self.tokens, self.sent = tokens, 0
        self.pool = ThreadPoolExecutor(len(tokens))

    def send(self, asks: list[Ask]) -> list[Told]:
        barrier = threading.Barrier(len(asks))
        self.sent += 1
        return list(self.pool.map(lambda n: self._one(n, asks[n], barrier), range(len(asks))))

    def _one(self, n: int, ask: Ask, barrier: threading.Barrier) -> Told:
        head = {"Authorization": f"Bearer {self.tokens[n]}", "Idempotency-Key": f"{self.sent}-{n}"}
        barrier.wait()
        answer = self._post(n, ask, head)
        return Told(ask, answer.status_code, answer.json())

    def _post(self, n: int, ask: Ask, head: dict[str, str]) -> httpx.Response:
        path = f"/api/v1{ask.path}"
        if ask.files:
            return self.clients[n].post(path, data=ask.body, files=[(ask.field, one) for one in ask.files], headers=head)
        return self.clients[n].post(path, json=ask.body, headers=head)


def table(rows: dict[str, Found]) -> str:
    lines = ["| database | bursts | calls | pairs of calls | done | refused | faults |", "| " + "--- | " * 7]
    for kind, found in rows.items():
        done = found.answers["200"]
        counts = (found.bursts, found.calls, len(found.pairs), done, found.calls - done, len(found.faults))
        lines.append(f"| {kind} | " + " | ".join(f"{n:,}" for n in counts) + " |")
    return "\n".join(lines)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--seconds", type=float, default=0, help="on each database")
    asked.add_argument("--bursts", type=int, default=0, help="at least so many")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--database", choices=("sqlite", "postgresql", "both"), default="both")
    asked.add_argument("--only", nargs="*", choices=[scene.__name__ for scene in SCENES], help="scenes")
    how = asked.parse_args()
    kinds = ("sqlite", "postgresql") if how.database == "both" else (how.database,)
    tell = lambda line: print(line, file=sys.stderr, flush=True)  # noqa: E731
    rows = {kind: races(kind, how.seconds, how.bursts, how.seed, how.only, tell) for kind in kinds}
    print(table(rows))
    for kind, found in rows.items():
        print(f"{kind}: {found.seconds:.0f} s; refused as {dict(found.refused.most_common())}")
        print(f"  never done: {sorted(name for name, n in found.done.items() if not n)}")
        for fault in found.faults[:40]:
            print(f"  {fault}")
    sys.exit(any(found.faults for found in rows.values()))


if __name__ == "__main__":
    main()
