"""What the program is asked after a history, in the symbols of the history: by its own functions here, over HTTP in `http_answers.py`."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from sqlalchemy.orm import Session

from app.floor.amounts import amount
from app.floor.balance import balance
from app.floor.marks import good_units
from app.genealogy.trace import Trace, trace_back, trace_forward
from app.holds.stopped import station_stops, stops_on
from app.packing.contents import units_of
from tests.replay.driver import Replay


@dataclass(frozen=True)
class Row:
    """An item of a trace: how much, and where it is."""

    least: int
    greatest: int
    where: str


@dataclass(frozen=True)
class Told:
    """A trace. `lines`: line -> least and greatest."""

    items: dict[str, Row]
    runs: frozenset[str]
    lines: dict[str, tuple[int, int]]
    customers: dict[str, int]


class Asked(Protocol):
    def back(self, symbol: str) -> Told: ...

    def forward(self, symbol: str) -> Told: ...

    def stops(self, symbols: Iterable[str]) -> dict[str, set[str]]:
        """Thing -> the holds that stop it."""
        ...

    def station_stops(self, station: str) -> set[str]: ...

    def stations(self) -> Iterable[str]: ...

    def counts(self, symbol: str) -> tuple[int, ...]:
        """What is left; of a loose lot also what came in, went out, was scrapped, sampled, and is missing."""
        ...


class Record:
    """The program's own functions, in one snapshot."""

    def __init__(self, session: Session, replay: Replay) -> None:
        self.session, self.replay = session, replay
        self.symbols = replay.symbols(session)
        self.holds = {thing: symbol for symbol, thing in replay.ids.items() if symbol.startswith("hold:")}

    def back(self, symbol: str) -> Told:
        return self._told(trace_back(self.session, self.replay.named(symbol)))

    def forward(self, symbol: str) -> Told:
        return self._told(trace_forward(self.session, self.replay.named(symbol)))

    def stops(self, symbols: Iterable[str]) -> dict[str, set[str]]:
        ids = {self.replay.ids[symbol]: symbol for symbol in symbols}
        found = stops_on(self.session, list(ids))
        return {symbol: {self.holds[stop.hold] for stop in found.get(item, [])} for item, symbol in ids.items()}

    def station_stops(self, station: str) -> set[str]:
        return {self.holds[stop.hold] for stop in station_stops(self.session, self.replay.stations[station])}

    def stations(self) -> Iterable[str]:
        return self.replay.stations

    def counts(self, symbol: str) -> tuple[int, ...]:
        item, kind = self.replay.ids[symbol], symbol.split(":")[0]
        if kind == "panel":
            return (good_units(self.session, [item])[item],)
        if kind == "lot":
            return (balance(self.session, item).left,)
        if kind == "pack":
            return (units_of(self.session, item),)
        now = amount(self.session, item)
        return now.book, *(now.total(what) for what in ("in", "out", "scrapped", "sampled", "difference"))

    def _told(self, trace: Trace) -> Told:
        rows = [*trace.wafers, *trace.batches, *trace.panels, *trace.lots, *trace.samples, *trace.packs]
        lines = {self.symbols[f"line {line.line}"]: (line.least, line.greatest) for run in trace.runs for line in run.lines}
        items = {self.symbols[row.code]: Row(row.least, row.greatest, row.where) for row in rows}
        return Told(items, frozenset(self.symbols[run.run] for run in trace.runs), lines, trace.customers)
