"""What the program says after a history, against the oracle: origins, where things went, amounts, stops, counts, and `check`."""

from collections import Counter
from collections.abc import Iterable, Iterator
from random import Random

from app.genealogy.checks import check
from tests.oracle import stops
from tests.oracle.acts import CUSTOMERS
from tests.oracle.answers import Bounds, of_kind, sources_of
from tests.oracle.factory import Factory
from tests.replay.asked import Asked, Record, Told
from tests.replay.driver import Replay

_AT_MOST = 30  # origins asked forward, and subjects asked for amounts


def differences(replay: Replay, oracle: Factory) -> list[str]:
    """Everything in which they differ, in words."""
    with replay.house.snapshot() as session:
        found = list(disagreements(Record(session, replay), oracle))
    return found + [f"check: {finding}" for finding in check(replay.house)]


def disagreements(asked: Asked, oracle: Factory) -> Iterator[str]:
    one = _Compared(asked, oracle)
    for subject in [*one.holders, *one.lots]:
        yield from one.back(subject)
    for origin in one.some_origins():
        yield from one.forward(origin)
        yield from one.back_of_any_kind(origin)
    yield from one.stopped()
    yield from one.counted()


class _Compared:
    def __init__(self, asked: Asked, oracle: Factory) -> None:
        self.asked, self.oracle = asked, oracle
        named = [*oracle.panels, *oracle.loose, *oracle.samples, *oracle.packs]
        self.holders = [name for name in named if sum(source.n for source in sources_of(oracle, name))]
        self.lots = [lot for lot in oracle.lots if any(panel.good_units() for panel in oracle.panels_of(lot))]
        self.chance = Random(oracle.seed)

    def back(self, subject: str) -> Iterator[str]:
        """All origins that can be, those that must, and their amounts."""
        trace = self.asked.back(subject)
        told, true = _origins(trace) - {subject}, self.oracle.possible(subject)
        yield from _two_sets(f"back {subject}", told, set(true))
        amounts = {symbol: (row.least, row.greatest) for symbol, row in trace.items.items() if symbol != subject}
        amounts |= trace.lines
        network = Bounds(self.oracle, [subject])
        for origin in sorted(amounts.keys() & true):
            yield from _bounds(f"back {subject} {origin}", amounts[origin], network.of(origin))

    def some_origins(self) -> list[str]:
        """Of each kind some, as chance has it."""
        oracle = self.oracle
        runs = [run for run in oracle.runs.values() if not run.void]
        kinds = [
            oracle.wafers, oracle.batches, oracle.panels, oracle.lots, oracle.loose, oracle.samples, oracle.packs, [run.name for run in runs],
            [line.name for run in runs for line in run.lines],
        ]  # fmt: skip
        first = [origin for names in kinds for origin in self.chance.sample(list(names), min(2, len(names)))]
        rest = sorted({name for names in kinds for name in names} - set(first))
        return sorted(first + self.chance.sample(rest, min(_AT_MOST - len(first), len(rest))))

    def back_of_any_kind(self, subject: str) -> Iterator[str]:
        """Wafers, batches, runs, lines and what is empty now have origins too: of a batch what it was mixed from, else those of its panels."""
        told = set(self.asked.back(subject).items) - {subject}
        if subject in self.oracle.wafers:
            yield from _two_sets(f"back {subject}", told, set())
        elif subject in self.oracle.batches:
            yield from _two_sets(f"back {subject}", told, self.oracle.with_parents(subject) - {subject})
        elif subject in self.oracle.lines:
            panels = {panel.name for panel in self.oracle.lines[subject].panels}
            yield from _two_sets(f"back {subject}", panels - told, set())

    def forward(self, origin: str) -> Iterator[str]:
        """The packs, loose lots, samples and panels that hold units of it now, where they are, how many, and with which customers."""
        trace = self.asked.forward(origin)
        true, network = self.oracle.forward(origin), self.oracle
        told = {symbol for symbol in trace.items if symbol in self.holders} - {origin}
        yield from _two_sets(f"forward {origin}", told, set(true))
        for thing in sorted(told & set(true)):
            row = trace.items[thing]
            yield from _bounds(f"forward {origin} {thing}", (row.least, row.greatest), network.bounds([thing], origin))
            if of_kind([thing], "pack") and not _same_place(row.where, true[thing]):
                yield f"forward {origin} {thing}: is at {row.where}, should be {true[thing]}"
        places = dict(true) | ({origin: network.packs[origin].place} if origin in network.packs and origin in self.holders else {})
        customers = dict(Counter(place for thing, place in places.items() if place in CUSTOMERS and thing in network.packs))
        if trace.customers != customers:
            yield f"forward {origin}: customers {trace.customers}, should be {customers}"

    def stopped(self) -> Iterator[str]:
        """Holds that stop each thing. What could be argued is not asked."""
        oracle = self.oracle
        things = [*self.holders, *oracle.batches, *oracle.wafers] if stops.in_force(oracle) else []
        together = self.asked.stops(things) if things else {}
        for thing in things:
            true = oracle.stopped(thing)
            for how, told in (("alone", self.asked.stops([thing])[thing]), ("together", together[thing])):
                yield from _two_sets(f"stops {thing} {how}", told, set(true.surely), true.arguably)
        for station in self.asked.stations():
            yield from _two_sets(f"stops {station}", self.asked.station_stops(station), set(stops.station_stops(oracle, station)))

    def counted(self) -> Iterator[str]:
        """Units in, out, scrapped, sampled, missing and left."""
        for name, true in self.oracle.counts().items():
            kind = name.split(":")[0]
            if kind not in ("panel", "lot", "loose", "pack") or (name in self.oracle.panels and self.oracle.panels[name].singulated):
                continue
            told, wanted = self.asked.counts(name), (true.left,)
            if kind == "loose":
                wanted = (true.left, true.units_in, true.out, true.scrapped, true.sampled, true.difference)  # type: ignore[assignment]
            if told != wanted:
                yield f"counts {name}: {told}, should be {wanted}"


def _origins(trace: Told) -> set[str]:
    return {*trace.items, *trace.runs, *trace.lines}


def _two_sets(what: str, told: set[str], true: set[str], doubtful: Iterable[str] = ()) -> Iterator[str]:
    if missing := sorted(true - told - set(doubtful)):
        yield f"{what}: lacks {', '.join(missing)}"
    if more := sorted(told - true - set(doubtful)):
        yield f"{what}: has {', '.join(more)} too much"


def _bounds(what: str, told: tuple[int, int], true: tuple[int, int]) -> Iterator[str]:
    if told[0] > true[0] or told[1] < true[1]:
        yield f"{what}: bounds {told} do not contain {true}"


def _same_place(told: str, true: str) -> bool:
    return told == f"shipped: {true}" or (true in ("floor", "returned") and told.startswith(true))
