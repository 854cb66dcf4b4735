"""Scans: 32 terminals at once, each with a lot of 24 panels, start and finish, through the server; and what holds cost a start."""

import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
from sqlalchemy import text
from sqlalchemy.orm import Session

from app import clock
from app.floor.lots import start_lot
from app.floor.starts import would_start
from app.holds.place import place_hold
from app.journal.act import SYSTEM, By, act
from app.naming.resolve import Named, code_of
from app.people.sign_in import begin_session, form_token
from benchmarks.block import take_all_off
from benchmarks.measuring import Measure, Timed, once
from benchmarks.server import Client, free_port, serving
from benchmarks.site import Site
from seed_demo.build import PANELS
from seed_demo.factory import Factory
from seed_demo.hands import Bench, Hands
from seed_demo.packing import Packing
from seed_demo.supplies import Supplies
from seed_demo.truth import Truth

TERMINALS = 32
BOUND = {"sqlite": 2.5, "postgresql": 3.0}


class _Floor:
    """Lots at the first step of their route, stations with what it needs on them, and someone who may do it."""

    def __init__(self, site: Site) -> None:
        self.site, self.at = site, clock.now()
        self.hands = Hands(site.house, self.at)
        truth, rng = Truth(PANELS), np.random.default_rng()
        self.supplies = Supplies(self.hands, truth, rng)
        self.supplies._serial = iter(range(site.history.blocks * 1000 + rng.integers(10**9), 10**12))  # type: ignore[assignment]  # wafers' names
        self.factory = Factory(self.hands, self.supplies, truth, rng, Packing(4500).test, self.at + timedelta(days=1))
        self.product = next(iter(self.hands.routes))
        self.step = self.hands.routes[self.product].steps[0]
        self.clear()
        benches = self.hands.benches_for(self.step.operation)
        self.benches = [one for one in benches if self._is_ready(one)]
        self.who = self.hands.certified(self.step.certificate)

    def _is_ready(self, bench: Bench) -> bool:
        for need in self.step.needs:
            self.supplies.ready(bench, need.part or "", 1, self.at, self.at + timedelta(hours=1))
        self.factory.attaching.new_wafer(bench, self.step.role or "red", self.at)
        return True

    def lots(self, n: int) -> list[str]:
        frames = next(part.number for part in self.hands.parts.values() if part.kind == "lead frame" and self._fits(part.number))
        _, panels = self.supplies.panels(frames, n * PANELS, self.at)
        found = []
        for i in range(n):
            some = [panel.id for panel in panels[i * PANELS : (i + 1) * PANELS]]
            verb = lambda s, by, some=some: code_of(s, "lot", start_lot(s, by, self.product, some).item)  # noqa: E731
            found.append(self.hands.do(self.who, "start_lot", {"product": self.product}, self.at, verb))
        return found

    def _fits(self, frame: str) -> bool:
        return ("CAV" in frame) == ("C20" in self.product)

    def clear(self) -> None:
        take_all_off(self.hands, clock.now())


def scan_measure(site: Site) -> Iterator[Measure]:
    """A scan is a form that is sent and the page that follows it; the bare endpoint's is the same."""
    floor, rounds = _Floor(site), max(1, min(5, site.rounds // 2))
    terminals = TERMINALS if site.rounds > 1 else 2
    lots = floor.lots(terminals * (rounds + 1))
    sessions = [begin_session(site.house, floor.who.id, None) for _ in range(terminals)]
    timed = Timed(rows=1)
    with serving(site.house, free_port()) as port:
        clients = [Client(port, session=one) for one in sessions]
        for n in range(rounds + 1):  # the first one warms up
            some = lots[n * terminals : (n + 1) * terminals]
            with_token = list(zip(clients, map(form_token, sessions), strict=True))
            ours = _all(_scan, [(*one, floor.benches[i % len(floor.benches)].code, some[i]) for i, one in enumerate(with_token)])
            bare = _all(_bare, with_token)
            if n:
                timed.ours += ours
                timed.yardstick += bare
    floor.clear()
    flush = _flush_ms(site.house.data_dir)
    yield timed.measure("scan", BOUND[site.kind], f"{terminals} terminals at once; the disk's flush takes {flush:.2f} ms")


def _scan(client: Client, token: str, station: str, lot: str) -> list[float]:
    taken = []
    for verb in ("start", "finish"):
        form = {"form_token": token, "station": station, "asked": lot, "asks": verb, "key": f"{lot} {verb}", "confirmed": "yes"}
        taken.append(once(partial(_sent, client, f"/floor/{verb}", urlencode(form)))[0])
    return taken


def _bare(client: Client, token: str) -> list[float]:
    form = urlencode({"form_token": token})
    return [once(lambda: _read(client, client.post("/bare", form)))[0] for _ in range(2)]


def _sent(client: Client, path: str, form: str) -> None:
    """Posts a form and reads the page that it leads to."""
    _read(client, client.post(path, form))


def _read(client: Client, path: str) -> None:
    status, body = client.get(path)
    if status != 200:
        raise RuntimeError(f"{path} answered {status}: {body[:500]!r}")


def _all(what: Callable[..., list[float]], arguments: list[tuple[Any, ...]]) -> list[float]:
    """All terminals at once; the milliseconds of each movement."""
    taken: list[float] = []
    broken: list[BaseException] = []

    def one(given: tuple[Any, ...]) -> None:
        try:
            taken.extend(what(*given))
        except BaseException as error:
            broken.append(error)

    threads = [threading.Thread(target=one, args=(given,)) for given in arguments]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if broken:
        raise broken[0]
    return taken


def _flush_ms(folder: Path) -> float:
    import os
    import statistics

    def flush() -> None:
        file.write(b"x" * 4096)
        file.flush()
        os.fsync(file.fileno())

    path = folder / "flushed"
    with path.open("wb") as file:
        found = statistics.median(once(flush)[0] for _ in range(50))
    path.unlink()
    return found


def gate_holds_measure(site: Site) -> Iterator[Measure]:
    """The gates of a start with fifty holds in force, one of them on a station's week, against the same with one. None of them stops it."""
    floor = _Floor(site)
    lots = floor.lots(2)
    others = [*site.subjects("pack"), *site.subjects("wafer"), *site.subjects("run"), *site.subjects("panel")]
    bonder = floor.hands.benches_for("wire bond")[-1]
    _place(site, (others * 5)[:49])
    span = (clock.now() - timedelta(days=14), clock.now() - timedelta(days=7))
    week = Named("station", bonder.id, bonder.code)
    act(site.house, SYSTEM, "place_hold", {"of": bonder.code}, lambda s, by: {"hold": place_hold(s, by, week, "measured", span=span).id})

    def gates(session: Session, lot: str) -> None:
        found = would_start(session, floor.benches[0].id, [_lot(session, lot)], person=floor.who.id, at=clock.now())
        if found.refusal:
            raise found.refusal

    def taken(*, with_one: bool) -> float:
        """Milliseconds for the second of two lots: the first reads what is asked once. All but one hold are away inside the transaction, or none."""
        with Session(site.house.write_engine, autoflush=False) as session:
            session.execute(text(f"update hold set closed_e = e where closed_e is null and {_BUT_ONE if with_one else 'false'}"))
            gates(session, lots[0])
            milliseconds, _ = once(lambda: gates(session, lots[1]))
            session.rollback()
        return milliseconds

    timed = Timed(rows=50)
    for n in range(-1, max(1, 3 * site.rounds)):
        sides = {with_one: taken(with_one=with_one) for with_one in ((True, False) if n % 2 else (False, True))}
        if n >= 0:
            timed.ours.append(sides[False])
            timed.yardstick.append(sides[True])
    _take_back(site)
    floor.clear()
    yield timed.measure("gate-holds", 1.1, "the gates alone; the yardstick has all holds but one taken away in a transaction that is rolled back")


_BUT_ONE = "id > (select min(id) from hold where closed_e is null)"


def _lot(session: Any, code: str) -> Named:
    from app.naming.resolve import resolve

    return resolve(session, code)


def _place(site: Site, subjects: list[Named]) -> None:
    for one in subjects:
        act(site.house, SYSTEM, "place_hold", {"of": one.code}, partial(_held, one))


def _held(one: Named, session: Session, by: By) -> dict[str, Any]:
    return {"hold": place_hold(session, by, one, "measured").id}


def _take_back(site: Site) -> None:
    """The history is used again: no hold stays in force."""
    from sqlalchemy import select

    from app.holds.release import release_hold
    from app.ledger.stops import Hold

    with site.house.reading() as session:
        holds = list(session.scalars(select(Hold.id).where(Hold.closed_e.is_(None))))
    for hold in holds:
        verb = lambda s, by, hold=hold: {"r": release_hold(s, by, s.get_one(Hold, hold), [], "concession", "measured", units_freed=0).id}  # noqa: E731
        act(site.house, SYSTEM, "release_hold", {"hold": hold}, verb, signed=True)
