"""What the program says after a history, against the oracle: origins, where things went, amounts, stops, counts, and `check`."""

from collections.abc import Iterable, Iterator
from random import Random

from sqlalchemy.orm import Session

from app.floor.amounts import amount
from app.floor.balance import balance
from app.floor.marks import good_units
from app.genealogy.checks import check
from app.genealogy.trace import ItemRow, Trace, trace_back, trace_forward
from app.holds.stopped import station_stops, stops_on
from app.packing.contents import units_of
from tests.oracle import stops
from tests.oracle.answers import Bounds, ancestry, of_kind, sources_of
from tests.oracle.factory import Factory
from tests.oracle.things import Exit
from tests.replay.driver import Replay

ITEMS = ("wafer", "batch", "panel", "lot", "loose", "sample", "pack")
_AT_MOST = 24  # origins asked forward, and subjects asked for amounts


def differences(replay: Replay, oracle: Factory) -> list[str]:
    """Everything in which they differ, in words."""
    found: list[str] = []
    with replay.house.snapshot() as session:
        one = _Compared(session, replay, oracle)
        for subject in one.holders:
            found += one.back(subject)
        for origin in one.some_origins():
            found += one.forward(origin)
            found += one.back_of_any_kind(origin)
        found += one.stopped()
        found += one.counted()
    found += [f"check: {finding}" for finding in check(replay.house)]
    return found


class _Compared:
    def __init__(self, session: Session, replay: Replay, oracle: Factory) -> None:
        self.session, self.replay, self.oracle = session, replay, oracle
        self.symbols = replay.symbols(session)
        named = [*oracle.panels, *oracle.loose, *oracle.samples, *oracle.packs]
        self.holders = [name for name in named if sum(source.n for source in sources_of(oracle, name))]
        self.lots = [lot for lot in oracle.lots if any(panel.good_units() for panel in oracle.panels_of(lot))]
        self.chance = Random(oracle.seed)

    def back(self, subject: str) -> Iterator[str]:
        """All origins that can be, those that must, and their amounts."""
        trace = trace_back(self.session, self.replay.named(subject))
        rows, lines = self._rows(trace), {f"line {line.line}": line for run in trace.runs for line in run.lines}
        runs = {self.symbols[run.run] for run in trace.runs}
        told = ({*rows} | runs | {self.symbols[line] for line in lines}) - {subject}
        true = self.oracle.possible(subject)
        yield from _two_sets(f"back {subject}", told, set(true), self._untold(subject))
        amounts = {symbol: (row.least, row.most) for symbol, row in rows.items() if symbol.split(":")[0] in ("wafer", "batch", "panel")}
        amounts |= {self.symbols[line]: (row.least, row.most) for line, row in lines.items()}
        network = Bounds(self.oracle, [subject])
        for origin in sorted(amounts.keys() & true):
            yield from _bounds(f"back {subject} {origin}", amounts[origin], network.of(origin))

    def some_origins(self) -> list[str]:
        oracle = self.oracle
        runs = [run for run in oracle.runs.values() if not run.void]
        every = [*oracle.wafers, *oracle.batches, *oracle.panels, *oracle.lots, *oracle.loose, *oracle.samples, *oracle.packs]
        every += [run.name for run in runs] + [line.name for run in runs for line in run.lines]
        return sorted(self.chance.sample(every, min(_AT_MOST, len(every))))

    def back_of_any_kind(self, subject: str) -> Iterator[str]:
        """Wafers, batches, runs, lines and what is empty now have origins too: of a batch what it was mixed from, else those of its panels."""
        trace = trace_back(self.session, self.replay.named(subject))
        told = set(self._rows(trace)) - {subject}
        if subject in self.oracle.wafers:
            yield from _two_sets(f"back {subject}", told, set(), ())
        elif subject in self.oracle.batches:
            yield from _two_sets(f"back {subject}", told, self.oracle.with_parents(subject) - {subject}, ())
        elif subject in self.oracle.lines:
            panels = {panel.name for panel in self.oracle.lines[subject].panels}
            yield from _two_sets(f"back {subject}", panels - told, set(), ())

    def forward(self, origin: str) -> Iterator[str]:
        """The packs, loose lots, samples and panels that hold units of it now, where they are, and how many."""
        rows = self._rows(trace_forward(self.session, self.replay.named(origin)))
        true = self.oracle.forward(origin)
        told = {symbol for symbol in rows if symbol in self.holders} - {origin}
        doubtful = {holder for holder in self.holders if origin in self._untold(holder)}
        yield from _two_sets(f"forward {origin}", told, set(true), doubtful)
        for thing in sorted(told & set(true)):
            if of_kind([thing], "pack", "loose", "sample"):
                yield from _bounds(f"forward {origin} {thing}", (rows[thing].least, rows[thing].most), self.oracle.bounds([thing], origin))
            if of_kind([thing], "pack") and not _same_place(rows[thing].where, true[thing]):
                yield f"forward {origin} {thing}: is at {rows[thing].where}, should be {true[thing]}"

    def stopped(self) -> Iterator[str]:
        """Holds that stop each thing. What could be argued is not asked."""
        oracle = self.oracle
        things = [*self.holders, *oracle.batches, *oracle.wafers] if stops.in_force(oracle) else []
        ids = {self.replay.ids[thing]: thing for thing in things}
        holds = {thing: symbol for symbol, thing in self.replay.ids.items() if symbol.startswith("hold:")}
        together = stops_on(self.session, list(ids))
        for item, thing in ids.items():
            true = oracle.stopped(thing)
            doubtful = true.arguably | (true.surely | true.arguably if self._doubt(thing) else set())
            for how, found in (("alone", stops_on(self.session, [item]).get(item, [])), ("together", together.get(item, []))):
                told = {holds[stop.hold] for stop in found}
                yield from _two_sets(f"stops {thing} {how}", told, set(true.surely), doubtful)
        for station, number in self.replay.stations.items():
            told = {holds[stop.hold] for stop in station_stops(self.session, number)}
            yield from _two_sets(f"stops {station}", told, set(stops.station_stops(oracle, station)), set())

    def counted(self) -> Iterator[str]:
        """Units in, out, scrapped, sampled, missing and left."""
        for name, true in self.oracle.counts().items():
            kind = name.split(":")[0]
            if kind == "wafer":
                continue
            item = self.replay.ids[name]
            told: tuple[int, ...]
            wanted: tuple[int, ...]
            if kind == "panel":
                left = 0 if self.oracle.panels[name].singulated else good_units(self.session, [item])[item]
                told, wanted = (left,), (true.left,)
            elif kind == "lot":
                told, wanted = (balance(self.session, item).left,), (true.left,)
            elif kind == "loose":
                now = amount(self.session, item)
                told = (now.book, now.total("in"), now.total("out"), now.total("scrapped"), now.total("sampled"), now.total("difference"))
                wanted = (true.left, true.units_in, true.out, true.scrapped, true.sampled, true.difference)
            elif kind == "pack":
                told, wanted = (units_of(self.session, item),), (true.left,)
            else:
                continue
            if told != wanted:
                yield f"counts {name}: {told}, should be {wanted}"

    def _rows(self, trace: Trace) -> dict[str, ItemRow]:
        rows = [*trace.wafers, *trace.batches, *trace.panels, *trace.lots, *trace.samples, *trace.packs]
        return {self.symbols[row.code]: row for row in rows}

    def _untold(self, thing: str) -> set[str]:
        """Wafers that were mounted in runs whose log says nothing of a panel: the program can't know that no further log comes."""
        found: set[str] = set()
        for source in ancestry(sources_of(self.oracle, thing)):
            if isinstance(source, Exit):
                placing = [line for work, lines, _ in source.works if self.oracle.step(work.step).role for line in lines]
                silent = [line for line in placing if line.run.log is not None and source.panel not in {unit.panel for unit in line.run.log}]
                found |= {use for line in silent for use in line.uses if use in self.oracle.wafers}
        return found

    def _doubt(self, thing: str) -> bool:
        untold = self._untold(thing)
        return any(hold.subject in untold for hold in stops.in_force(self.oracle))


def _two_sets(what: str, told: set[str], true: set[str], doubtful: Iterable[str]) -> Iterator[str]:
    if missing := sorted(true - told - set(doubtful)):
        yield f"{what}: lacks {', '.join(missing)}"
    if more := sorted(told - true - set(doubtful)):
        yield f"{what}: has {', '.join(more)} too much"


def _bounds(what: str, told: tuple[int, int], true: tuple[int, int]) -> Iterator[str]:
    if told[0] > true[0] or told[1] < true[1]:
        yield f"{what}: bounds {told} do not contain {true}"


def _same_place(told: str, true: str) -> bool:
    return told == f"shipped: {true}" or (true in ("floor", "returned") and told.startswith(true))
