"""What is in a thing: truth (what chance did), possible and must (what the declarations allow and force), by brute force.

Possible is collected state by state, backward from what is in the thing now: a path of states along which at least one unit went can be
the path of any one of them. Must asks how many units without that origin could be there instead (a maximum flow, augmented path by path).
An origin is a symbol: wafer, batch, run, line, panel, lot, loose, sample, pack. A thing is no origin of itself.
"""

from collections import Counter, defaultdict, deque
from collections.abc import Iterable, Iterator
from random import Random

from tests.oracle.state import State
from tests.oracle.things import FOREVER, Balance, Exit, Line, Node, Pack, Panel, Unit, exit_now
from tests.oracle.true_counts import TrueCounts, true_counts

Source = Node | Exit
Origins = frozenset[str]


def of_kind(origins: Iterable[str], *kinds: str) -> Origins:
    return frozenset(origin for origin in origins if origin.split(":")[0] in kinds)


def units_in(state: State, thing: str) -> int:
    """How many units are in it now, by the record."""
    return sum(source.n for source in sources_of(state, thing))


def sources_of(state: State, thing: str) -> list[Source]:
    """What is in a thing now: the states of its pockets or bag; of a panel or panel lot, its good cells."""
    if thing in state.packs:
        return [slot.node for slot in state.packs[thing].slots]
    if thing in state.loose or thing in state.samples:
        node = state.bag(thing).node
        return [node] if node else []
    panels = [state.panels[thing]] if thing in state.panels else state.panels_of(thing)
    return [exit_now(panel, FOREVER, panel.good_cells(), panel.good_units()) for panel in panels if panel.good_units()]


def truth(state: State, thing: str) -> Origins:
    """Everything that the units now in it really come from."""
    if thing in state.packs:
        units = [slot.unit for slot in state.packs[thing].slots]
    elif thing in state.loose or thing in state.samples:
        units = state.bag(thing).units
    else:
        panels = [state.panels[thing]] if thing in state.panels else state.panels_of(thing)
        units = [unit for panel in panels for unit in panel.good_cells() if unit.there]
    return frozenset().union(*(truth_of_unit(state, unit) for unit in units)) - {thing}


def true_number(state: State, thing: str, origin: str) -> int:
    """How many of the units now in a loose lot, sample or pack really are of `origin`."""
    units = [slot.unit for slot in state.packs[thing].slots] if thing in state.packs else state.bag(thing).units
    return sum(origin in truth_of_unit(state, unit) for unit in units)


def truth_of_unit(state: State, unit: Unit) -> Origins:
    panel = unit.panel
    found = {panel.name, *_lots_when(unit), *state.with_parents(panel.frame)}
    for work in panel.works:
        if unit in work.really:
            found |= really_of_line(state, work.really[unit], unit)
    found |= {die[0] for _, die in unit.dies.values()}
    for name in unit.trail:
        found |= really_of_line(state, state.lines[name], unit) if name in state.lines else {name}
    return frozenset(found)


def origins_of_line(state: State, line: Line) -> Origins:
    """The line, its run, and the batches that it had. Wafers are a matter of cells."""
    return _of_line(line, [state.with_parents(batch) for its in state.batches_of(line).values() for batch in its])


def certain_of_line(state: State, line: Line) -> Origins:
    """Of several batches of a kind that lay side by side each unit had one, so that only what all of them come from is certain."""
    return _of_line(line, [set.intersection(*(state.with_parents(batch) for batch in its)) for its in state.batches_of(line).values()])


def really_of_line(state: State, line: Line, unit: Unit) -> Origins:
    """Which of several batches of a kind the unit had, chance decides."""
    chance = Random(f"{state.seed} {line.name} {unit.panel.name} {unit.cell}")
    return _of_line(line, [state.with_parents(chance.choice(its)) for its in state.batches_of(line).values()])


def _of_line(line: Line, batches: Iterable[set[str]]) -> Origins:
    return frozenset() if line.run.void else frozenset({line.name, line.run.name}).union(*batches)


def possible(state: State, thing: str) -> Origins:
    """Everything that can be in what is in the thing now."""
    found: set[str] = set()
    for source in ancestry(sources_of(state, thing)):
        found |= possible_of_source(state, source)
    return frozenset(found) - {thing}


def possible_of_source(state: State, source: Source) -> Origins:
    if isinstance(source, Node):
        return frozenset({source.thing}).union(*(origins_of_line(state, line) for line in source.lines))
    return frozenset().union(*(possible_of_unit(state, unit, source) for unit in source.cells))


def ancestry(sources: Iterable[Source]) -> list[Source]:
    """All states and exits above, each once, nearest first."""
    found: dict[int, Source] = {}
    waiting = deque(sources)
    while waiting:
        source = waiting.popleft()
        if id(source) in found:
            continue
        found[id(source)] = source
        waiting.extend(before for before, _ in inputs_of(source))
    return list(found.values())


def inputs_of(source: Source) -> tuple[tuple[Source, int], ...]:
    return source.inputs if isinstance(source, Node) else ()


def possible_of_unit(state: State, unit: Unit, exit_: Exit) -> Origins:
    found = {unit.panel.name, *exit_.lots, *state.with_parents(unit.panel.frame)}
    for _, lines, _ in exit_.works:
        for line in lines:
            found |= origins_of_line(state, line)
    for wafers, _ in wafers_of_unit(state, unit, exit_):
        found |= wafers
    return frozenset(found)


def certain_of_unit(state: State, unit: Unit, exit_: Exit) -> Origins:
    found = {unit.panel.name, *exit_.lots, *state.with_parents(unit.panel.frame)}
    for _, lines, perhaps_none in exit_.works:
        if not perhaps_none and lines:
            found |= frozenset.intersection(*(certain_of_line(state, line) for line in lines))
    for _, wafers in wafers_of_unit(state, unit, exit_):
        found |= wafers
    return frozenset(found)


def wafers_of_unit(state: State, unit: Unit, exit_: Exit) -> Iterator[tuple[Origins, Origins]]:
    """For each die attach of the panel: the wafers that can have given the die, and those that surely have.

    Where a log says which die is on this cell, that is it; else it may be of any wafer that was mounted in a line of that doing.
    """
    for work, lines, perhaps_none in exit_.works:
        role = state.step(work.step).role
        if role is None:
            continue
        lines = tuple(line for line in lines if not line.run.void)
        logged = frozenset(line.run.log[unit][0] for line in lines if line.run.log and unit in line.run.log)
        mounted = frozenset(use for line in lines for use in line.uses if use in state.wafers and state.wafers[use].role == role)
        is_told = any(line.run.log for line in lines)
        surely = mounted if len(mounted) == 1 and not is_told and not perhaps_none else frozenset()
        yield logged or mounted, logged or surely


def must_be(state: State, thing: str) -> Origins:
    """Everything of which at least one unit is in the thing, however the units mixed."""
    network = Bounds(state, [thing])
    return frozenset(origin for origin in possible(state, thing) if network.of(origin)[0] > 0)


def bounds(state: State, things: Iterable[str], origin: str) -> tuple[int, int]:
    """The least and the greatest number of units of `origin` that can be in these things together."""
    return Bounds(state, things).of(origin)


class Bounds:
    """The network above some things, asked for one origin after the other. Equal questions are answered once.

    Least: all, less the most that can be there without it. Greatest: the most that can come through states or cells that have it.
    """

    def __init__(self, state: State, things: Iterable[str]) -> None:
        self.state = state
        self.targets = [source for thing in things for source in sources_of(state, thing)]
        self.targets = list({id(source): source for source in self.targets}.values())
        self.all = ancestry(self.targets)
        self.certain = {id(s): self._certain(s) for s in self.all}
        self.possible = {id(s): self._possible(s) for s in self.all}
        self.seen: dict[object, tuple[int, int]] = {}
        ways = {tuple(way.of(s) for s in self.all): way for way in true_counts(state)}  # so many units each: the draws follow
        self.ways = list(ways.values())

    def of(self, origin: str) -> tuple[int, int]:
        through, having = ({id(s) for s in self.all if isinstance(s, Node) and origin in told[id(s)][0]} for told in (self.certain, self.possible))
        exits = [s for s in self.all if isinstance(s, Exit)]
        surely_not = {id(s): min(s.n, sum(origin not in certain for certain in self.certain[id(s)])) for s in exits}
        perhaps = {id(s): min(s.n, sum(origin in possible for possible in self.possible[id(s)])) for s in exits}
        question = (frozenset(through), frozenset(having), tuple(surely_not.values()), tuple(perhaps.values()))
        if question not in self.seen:
            each = [self._of_way(way, through, having, surely_not, perhaps) for way in self.ways]
            self.seen[question] = min(least for least, _ in each), max(greatest for _, greatest in each)
        return self.seen[question]

    def _of_way(
        self, way: TrueCounts, through: set[int], having: set[int], surely_not: dict[int, int], perhaps: dict[int, int]
    ) -> tuple[int, int]:
        """All units of the states `through` are of the origin, and those of the states `having` can be."""
        least = sum(way.of(source) for source in self.targets) - self._flow(way, surely_not, closed=through, begins=set())
        has = {id(s): way.of(s) for s in self.all if id(s) in having}
        return least, self._flow(way, perhaps | has, closed=set(), begins=having)

    def _flow(self, way: TrueCounts, supply: dict[int, int], closed: set[int], begins: set[int]) -> int:
        """The greatest flow from supplies into the targets. Nothing passes `closed`; nothing from above enters `begins`."""
        room: defaultdict[object, dict[object, int]] = defaultdict(dict)
        for source in self.all:
            if id(source) in closed:
                continue
            for before, n in inputs_of(source) if id(source) not in begins else ():
                if id(before) not in closed:
                    room[id(before)][id(source)] = room[id(before)].get(id(source), 0) + way.into(source, before, n)
                    room[id(source)].setdefault(id(before), 0)
        for key, n in supply.items():
            if n and key not in closed:
                room["from"][key] = n
        for target in self.targets:
            if id(target) not in closed:
                room[id(target)]["to"] = way.of(target)
        return _max_flow(room)

    def _certain(self, source: Source) -> list[Origins]:
        if isinstance(source, Node):
            return [frozenset({source.thing}).union(*(certain_of_line(self.state, line) for line in source.lines))]
        return [certain_of_unit(self.state, unit, source) for unit in source.cells]

    def _possible(self, source: Source) -> list[Origins]:
        if isinstance(source, Node):
            return [possible_of_source(self.state, source)]
        return [possible_of_unit(self.state, unit, source) for unit in source.cells]


def holders(state: State) -> list[str]:
    """All things that hold units now: panels, loose lots, samples, packs."""
    named = [*state.panels, *state.loose, *state.samples, *state.packs]
    return [name for name in named if units_in(state, name) > 0]


def forward(state: State, origin: str) -> dict[str, str]:
    """Everything that can hold units of `origin` now, the origin itself left out; and where it is."""
    return {thing: place_of(state, thing) for thing in holders(state) if origin in possible(state, thing)}


def place_of(state: State, thing: str) -> str:
    if thing in state.packs:
        return state.packs[thing].place
    if thing in state.samples and not state.samples[thing].kept:
        return "destroyed"
    return "floor"


def singulated_lots(state: State, thing: str) -> Origins:
    """The panel lots that held the panels when they were made loose: how lots in a pack are counted."""
    exits = [source for source in ancestry(sources_of(state, thing)) if isinstance(source, Exit) and not source.to_sample]
    return frozenset(exit_.lot for exit_ in exits if exit_.lot)


def counts(state: State) -> dict[str, Balance]:
    """The balance of every panel, loose lot, sample, pack, wafer (passing dies, as logged) and panel lot (its panels of now)."""
    found = {name: _of_panel(panel) for name, panel in state.panels.items()}
    for lot in state.lots:
        found[lot] = _added(found[panel.name] for panel in state.panels_of(lot))
    for name, bag in {**state.loose, **state.samples}.items():
        destroyed = 0 if bag.kept else bag.n
        found[name] = Balance(
            units_in=bag.taken_in, left=bag.n - destroyed, out=bag.out, scrapped=bag.scrapped + destroyed, sampled=bag.sampled,
            difference=bag.difference,
        )  # fmt: skip
    found |= {name: _of_pack(pack) for name, pack in state.packs.items()}
    for name, wafer in state.wafers.items():
        logged = {die for run in state.runs.values() if run.log and not run.void for die in run.log.values()}
        out = sum((name, *die) in logged for die in wafer.dies if die not in wafer.failing)
        passing = len(wafer.dies) - len(wafer.failing)
        found[name] = Balance(units_in=passing, left=passing - out, out=out)
    return found


def faults(state: State) -> list[str]:
    """What is wrong with the simulation itself: a balance that does not close, a unit that is lost or in two places."""
    found = [f"{name} does not close: {balance}" for name, balance in counts(state).items() if not balance.closes]
    for bag in [*state.loose.values(), *state.samples.values()]:
        if len(bag.units) != bag.n and not bag.square:
            found.append(f"{bag.name} has {len(bag.units)} units, the record says {bag.n}")
    there = [unit for bag in [*state.loose.values(), *state.samples.values()] for unit in bag.units]
    there += [slot.unit for pack in state.packs.values() for slot in pack.slots]
    there += [unit for panel in state.panels.values() for unit in panel.units.values() if unit.there]
    found += [f"cell {unit.cell} of {unit.panel.name} is in {n} places" for unit, n in Counter(there).items() if n > 1]
    for panel in state.panels.values():
        really = sum(unit.there for unit in panel.good_cells())
        if really != panel.good_units():
            found.append(f"{panel.name} has {really} units, the record says {panel.good_units()}")
    return found


def _of_panel(panel: Panel) -> Balance:
    sampled = sum(exit_.n for exit_ in panel.exits if exit_.to_sample)
    out = sum(exit_.n for exit_ in panel.exits if not exit_.to_sample)
    gone = {unit for exit_ in panel.exits for unit in exit_.cells}
    marked = sum(panel.is_marked(cell) and unit not in gone for cell, unit in panel.units.items())
    return Balance(units_in=len(panel.units), left=panel.good_units(), out=out, scrapped=panel.scrapped, sampled=sampled, marked=marked)


def _of_pack(pack: Pack) -> Balance:
    return Balance(units_in=pack.taken_in, left=len(pack.slots), out=pack.out, sampled=pack.sampled)


def _added(balances: Iterable[Balance]) -> Balance:
    each = list(balances)
    return Balance(*(sum(getattr(one, name) for one in each) for name in Balance.__dataclass_fields__))


def _lots_when(unit: Unit) -> tuple[str, ...]:
    """The lots that held the panel while the unit was on it."""
    exits = [exit_ for exit_ in unit.panel.exits if unit in exit_.cells]
    return exits[0].lots if exits else tuple(unit.panel.lots)


def _max_flow(room: defaultdict[object, dict[object, int]]) -> int:
    """By shortest augmenting paths (Edmonds and Karp, 1972; from memory). `room` is used up."""
    total = 0
    while (path := _shortest(room)) is not None:
        n = min(room[a][b] for a, b in path)
        for a, b in path:
            room[a][b] -= n
            room[b][a] = room[b].get(a, 0) + n
        total += n
    return total


def _shortest(room: defaultdict[object, dict[object, int]]) -> list[tuple[object, object]] | None:
    came: dict[object, object] = {"from": None}
    waiting: deque[object] = deque(["from"])
    while waiting and "to" not in came:
        at = waiting.popleft()
        for there, n in room[at].items():
            if n > 0 and there not in came:
                came[there] = at
                waiting.append(there)
    if "to" not in came:
        return None
    path: list[tuple[object, object]] = []
    at = "to"
    while at != "from":
        path.append((came[at], at))
        at = came[at]
    return path[::-1]
