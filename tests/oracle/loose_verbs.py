"""Loose lots, by rule 4: a lot takes in, then is worked on, then gives out; going back makes a new one of what is there."""

from collections.abc import Sequence
from math import floor, sqrt

from tests.oracle import actions as a
from tests.oracle.panel_verbs import PanelVerbs
from tests.oracle.state import must
from tests.oracle.things import Bag, Line, Node, Panel, Unit


class LooseVerbs(PanelVerbs):
    def split_loose(self, loose: str, units: int, u: float = 0.0) -> str:
        """`u`: they were weighed, to that standard uncertainty."""
        bag = self.loose[loose]
        must(bag.busy is None and 0 < units < min(bag.n, len(bag.units)), "nothing would stay")
        self._tick()
        part = self._give_out(bag, units, u=u)
        part.next_step, part.bin, part.grade = bag.next_step, bag.bin, bag.grade
        self._note(a.SplitLoose(at=0, makes=part.name, loose=loose, units=units, u=u))
        return part.name

    def merge_loose(self, into: str, others: Sequence[str], leftover: bool = False) -> str:
        """All of the others into `into`. The name of the lot where they are now."""
        bags = [self.loose[one] for one in (into, *others)]
        must(into not in others and all(bag.n and bag.busy is None for bag in bags), "not there, or in work")
        must(len({(bag.bin, bag.grade) for bag in bags}) == 1, "they differ in bin or grade")
        must(leftover or len({bag.next_step for bag in bags}) == 1, "they differ in the next step")
        self._tick()
        must(all(bag.units and self.is_within(bag) for bag in bags), "nothing to pour, or much more or less than the record says")
        target = self._for_taking_in(bags[0])
        inputs: list[tuple[Node, int]] = [(target.node, target.n)] if target.node else []
        square = sum(bag.square for bag in bags[1:])
        for bag in bags[1:]:
            n = bag.n
            node, units = self._leave_all(bag)
            units = self.chance.sample(units, len(units))
            inputs.append((node, n))
            bag.out, bag.given_out = bag.out + n, True
            self._put(target, units)
            self._leave_containers(bag.name)
        self._take_in(target, inputs, square)
        self._note(a.MergeLoose(at=0, into=into, others=tuple(others), result=target.name, leftover=leftover))
        return target.name

    def sign_difference(self, loose: str, missing: int) -> None:
        """Units that are truly not there any more. No outflow in the sense of rule 4."""
        bag = self.loose[loose]
        there = len(bag.units)
        must(bag.busy is None and 0 < missing < there and bag.n - (there - missing) > bag.spare, "nothing would stay, or it is within counting")
        self._tick()
        book = bag.n
        for unit in self.chance.sample(bag.units, missing):
            bag.units.remove(unit)
        self._state(bag, len(bag.units))
        bag.node.is_counted = True  # type: ignore[union-attr]  # something stays
        bag.difference += book - bag.n
        self._note(a.SignDifference(at=0, loose=loose, counted=bag.n, missing=missing))

    def is_within(self, bag: Bag) -> bool:
        """What is really there is what the record says, within twice its uncertainty."""
        return abs(len(bag.units) - bag.n) <= bag.spare

    def scrap_units(self, thing: str, units: int, u: float = 0.0) -> None:
        """Of a loose lot, weighed or not; or of a panel, where nobody knows the cells. No outflow in the sense of rule 4."""
        if thing in self.panels:
            panel = self.panels[thing]
            there = [unit for unit in panel.good_cells() if unit.there]
            must(panel.busy is None and 0 < units < len(there) and self.may_lose_units(panel), "nothing would stay, or a log may mark them")
            self._tick()
            panel.scrapped += units
            panel.last_event = self.now
            gone = self.chance.sample(there, units)
            for unit in gone:
                unit.there = False
        else:
            bag = self.loose[thing]
            must(bag.busy is None and 0 < units < min(bag.n, len(bag.units)), "nothing would stay")
            self._tick()
            _, gone = self._take(bag, units, u)
            bag.scrapped += units
        self.scrapped += gone
        self._note(a.ScrapUnits(at=0, thing=thing, units=units, u=u))

    def may_lose_units(self, panel: Panel) -> bool:
        """A log that comes later would mark cells that are empty by then."""
        unlogged = [line for work in panel.works for line in work.lines if self.step(work.step).role and not line.run.log_is_whole]
        return not unlogged or not self.bad_dies

    def sample_units(self, loose: str, units: int, kept: bool = True) -> str:
        """No outflow in the sense of rule 4."""
        bag = self.loose[loose]
        must(bag.busy is None and 0 < units < min(bag.n, len(bag.units)), "nothing would stay")
        self._tick()
        node, taken = self._take(bag, units)
        bag.sampled += units
        sample = self._new_bag("sample", [(node, units)], taken)
        sample.kept = kept
        self._note(a.SampleUnits(at=0, makes=sample.name, loose=loose, units=units, kept=kept))
        return sample.name

    def take_bins_out(self, run: str, stay: int = 0) -> dict[str, str]:
        """Ends a test. Chance decides each unit's bin; `stay` units stay in the machine, and so in their lot. Bin -> loose lot."""
        it = self.runs[run]
        bag = self.loose[it.lines[0].thing or ""]
        really = len(bag.units)
        must(it.operation == "test" and it.ended is None and 0 <= stay < really and really - stay <= bag.there, "no test, or all would stay")
        self._tick()
        self._end_lines(it)
        tested = self.chance.sample(bag.units, really - stay)
        weights = [8, *[2] * (len(self.setting.bins) - 1)]
        by_bin: dict[tuple[str, str], list[Unit]] = {}
        for unit in tested:
            by_bin.setdefault(self.chance.choices(self.setting.bins, weights)[0], []).append(unit)
        outs = []
        for (bin_, grade), units in sorted(by_bin.items()):
            part = self._give_out(bag, len(units), units)
            part.next_step, part.bin, part.grade = self.after(it.lines[0].step or ""), bin_, grade
            outs.append(a.BinOut(bin=bin_, grade=grade, units=len(units), makes=part.name))
        self._note(a.TakeBinsOut(at=0, run=run, stay=stay, bins=tuple(outs)))
        return {out.bin: out.makes for out in outs}

    def _loose_in_work(self, bag: Bag, line: Line) -> str:
        """The lot that a run is over: this one, or the new one that goes on where something had left it."""
        target = self._goes_on(bag) if bag.given_out else bag
        line.thing = target.name
        target.busy, target.worked = line.run, True
        self._state(target, target.n, line)
        for unit in target.units:
            unit.trail.append(line.name)
        return target.name

    def _for_taking_in(self, bag: Bag) -> Bag:
        return self._goes_on(bag) if bag.worked or bag.given_out else bag

    def _goes_on(self, bag: Bag) -> Bag:
        """A new loose lot of all that is there, under the same container label."""
        step, bin_, grade = bag.next_step, bag.bin, bag.grade
        must(self.is_within(bag), "much more or less than the record says")
        where = next((container for container, content in self.containers.items() if bag.name in content), None)
        n, spare = bag.n, bag.spare
        node, units = self._leave_all(bag)
        bag.out, bag.given_out = bag.out + n, True
        new = self._new_bag("loose", [(node, n)], units, bag.square)
        new.node.is_rest, new.node.limit = True, spare  # type: ignore[union-attr]  # it is new
        self.loose[new.name] = new
        new.next_step, new.bin, new.grade = step, bin_, grade
        if where is not None:
            self.containers[where] = (new.name,)
        return new

    def _give_out(self, bag: Bag, n: int, units: list[Unit] | None = None, u: float = 0.0) -> Bag:
        """`n` units (these, or as chance has it) leave as a new loose lot."""
        if units is None:
            node, units = self._take(bag, n, u)
        else:
            node = self._leave(bag, n, units)
        bag.out, bag.given_out = bag.out + n, True
        new = self._new_bag("loose", [(node, n)], units, u * u)
        self.loose[new.name] = new
        return new

    def _new_bag(self, kind: str, inputs: Sequence[tuple[Node, int]], units: list[Unit], square: float = 0.0) -> Bag:
        name, n = self._new(kind), sum(n for _, n in inputs)
        bag = Bag(name, self._node(name, n, inputs), [], self.now, taken_in=n, square=square)
        self._put(bag, units)
        if kind == "sample":
            self.samples[name] = bag
        return bag

    def _put(self, bag: Bag, units: list[Unit]) -> None:
        bag.units += units
        for unit in units:
            unit.trail.append(bag.name)

    def _take_in(self, bag: Bag, inputs: list[tuple[Node, int]], square: float) -> None:
        """A new state of the bag: its old one (the first input) and what came, known to the root of `square`."""
        before = bag.n
        if bag.node:
            bag.node.died = self.now
        n = sum(n for _, n in inputs)
        bag.node = self._node(bag.name, n, inputs, is_rest=True)
        bag.node.limit = floor(2 * sqrt(square) + 1e-9)
        bag.taken_in, bag.square = bag.taken_in + n - before, bag.square + square
