"""Terminals that scan: threads of an HTTP client, each action with a key of its own, sent again until it is answered.

A round of a terminal: frames come in, two panels, a lot of them, and its runs at three steps, started and finished; now and then a
wafer's file. No two actions have the same arguments, so an action that was done twice stands twice in the journal.
"""

import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import httpx

from app.catalogue.definitions import Body, Product, Role, Route, Station, Step
from app.db import House
from app.journal.act import SYSTEM, act
from app.naming.resolve import code_of
from app.people.tokens import make_token
from benchmarks.installations import client
from tests.small_factory import Factory

STEPS = 3
PATIENCE = 120.0  # seconds until what nobody answers is a fault
_MAP = "wafer: {}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "\n".join(["1" * 40] * 40)


@dataclass
class Floor:
    """`tokens` and `stations`: one each a terminal."""

    tokens: list[str]
    stations: list[str]


def make_floor(house: House, terminals: int) -> Floor:
    steps = tuple(Step(key=f"look{n}", name=f"look {n}", operation="inspect") for n in range(1, STEPS + 1))
    more: list[tuple[str, Body]] = [
        ("product", Product(part_number="LOAD", rows=4, columns=5, roles=(Role(role="red", part="WR"),), units_per_reel=30)),
        ("route", Route(product="LOAD", revision="A", steps=steps)),
        *(("station", Station(name=f"Scope {n:02}", area="hall", operations=("inspect",))) for n in range(terminals)),
    ]
    factory = Factory(house).load(*more)
    tokens: list[str] = []

    def verb(session: Any, by: Any) -> dict[str, Any]:
        tokens[:] = [make_token(session, by, f"terminal {n}", ("operate", "lead", "quality", "engineer", "administer"))[1] for n in range(terminals)]
        return {}

    act(house, SYSTEM, "make_token", {"terminals": terminals}, verb)
    with house.reading() as session:
        stations = [code_of(session, "station", factory.things[f"Scope {n:02}"]) for n in range(terminals)]
    return Floor(tokens, stations)


@dataclass
class Told:
    """An action and what was answered to it, once it was."""

    key: str
    path: str
    body: dict[str, Any]
    status: int = 0
    answer: Any = None
    seconds: float = 0.0
    at: float = 0.0
    kept: Any = None  # what a program found in the database before the action was sent again


@dataclass
class Load:
    """All terminals of a floor. `gate`: while it is closed nobody sends."""

    base: Callable[[int], str]
    floor: Floor
    seed: int
    files_every: int = 8
    gate: threading.Event = field(default_factory=threading.Event)
    told: list[Told] = field(default_factory=list)
    not_answered: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.stopping = False
        self.gate.set()
        self.terminals = [_Terminal(self, n) for n in range(len(self.floor.tokens))]

    def start(self) -> None:
        for terminal in self.terminals:
            terminal.start()

    def stop(self) -> None:
        self.stopping = True
        self.gate.set()
        for terminal in self.terminals:
            terminal.join(timeout=60)

    def park(self) -> list[Told]:
        """Closes the gate, waits until nobody sends, and gives what was sent and not answered."""
        self.gate.clear()
        while not all(terminal.is_parked or not terminal.is_alive() for terminal in self.terminals):
            time.sleep(0.005)
        return [terminal.pending for terminal in self.terminals if terminal.pending]

    def wait_until_answered(self, waited_for: list[Told]) -> None:
        until = time.monotonic() + PATIENCE
        while any(one.status == 0 for one in waited_for) and not self.wrong:
            if time.monotonic() > until:
                late = [f"{one.key} {one.path}" for one in waited_for if one.status == 0]
                self.wrong.append(f"not answered within {PATIENCE:.0f} s: {late[:5]}; sent again because of {dict(self.not_answered)}")
            time.sleep(0.005)


class _Terminal(threading.Thread):
    def __init__(self, load: Load, n: int) -> None:
        super().__init__(daemon=True)
        self.load, self.n = load, n
        self.random = random.Random(f"{load.seed}-{n}")
        self.client = self._new_client()
        self.is_parked, self.pending, self.count, self.rounds = False, None, 0, 0
        self.pending: Told | None

    def run(self) -> None:
        try:
            while not self.load.stopping:
                self._round()
        except _Stopped:
            pass
        except Exception as error:
            self.load.wrong.append(f"terminal {self.n}: {error!r}")
        self.is_parked = True

    def _round(self) -> None:
        self.rounds += 1
        name = f"T{self.n}R{self.rounds}"
        if self.rounds % self.load.files_every == self.n % self.load.files_every:
            self._file(f"W{name}")
        frames = self._post("/batches", part="FRAME", supplier_batch=name)["batch"]
        panels = self._post("/panels", frames=frames, count=2)["panels"]
        lot = self._post("/lots", product="LOAD", panels=panels)["lot"]
        for n in range(1, STEPS + 1):
            run = self._post("/runs", station=self.load.floor.stations[self.n], things=[lot], step=f"look{n}")["run"]
            self._post(f"/runs/{run}/finish")

    def _post(self, path: str, **body: Any) -> Any:
        return self._send(path, body, lambda: self.client.post(f"/api/v1{path}", json=body, headers=self._head()))

    def _file(self, wafer: str) -> Any:
        content = _MAP.format(wafer).encode()
        body = {"part": "WR", "passing": "1"}
        files = [("files", (f"{wafer}.txt", content))]
        return self._send("/wafers", {"wafer": wafer}, lambda: self.client.post("/api/v1/wafers", data=body, files=files, headers=self._head()))

    def _head(self) -> dict[str, str]:
        assert self.pending is not None
        return {"Authorization": f"Bearer {self.load.floor.tokens[self.n]}", "Idempotency-Key": self.pending.key}

    def _send(self, path: str, body: dict[str, Any], once: Callable[[], httpx.Response]) -> Any:
        """Sends until it is answered, always with the same key."""
        self.count += 1
        told = self.pending = Told(f"t{self.n}-{self.count}", path, body)
        began = time.perf_counter()
        while (answer := self._try(once)) is None:
            time.sleep(0.02 + 0.1 * self.random.random())
        told.seconds, told.at = time.perf_counter() - began, time.monotonic()
        told.answer, told.status = answer.json(), answer.status_code
        self.pending = None
        self.load.told.append(told)
        if answer.status_code != 200:
            raise RuntimeError(f"{path} {body}: {answer.status_code} {answer.text[:300]}")
        return told.answer

    def _try(self, once: Callable[[], httpx.Response]) -> httpx.Response | None:
        self.is_parked = not self.load.gate.is_set()
        while not self.load.gate.wait(timeout=1):
            pass
        self.is_parked = False
        if self.load.stopping:
            raise _Stopped
        try:
            answer = once()
        except httpx.TransportError as error:
            self.load.not_answered[type(error).__name__] += 1
            self.client.close()
            self.client = self._new_client()
            return None
        if answer.status_code >= 500:
            self.load.not_answered[str(answer.status_code)] += 1
            return None
        return answer

    def _new_client(self) -> httpx.Client:
        return client(self.load.base(self.n))


class _Stopped(Exception):
    pass
