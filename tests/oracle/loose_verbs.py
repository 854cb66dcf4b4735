"""Loose lots, by rule 4: a lot takes in, then is worked on, then gives out; going back makes a new one of what is there."""

from collections.abc import Sequence

from tests.oracle import actions as a
from tests.oracle.panel_verbs import PanelVerbs
from tests.oracle.state import must
from tests.oracle.things import Bag, Line, Node, Panel, Unit


class LooseVerbs(PanelVerbs):
    def split_loose(self, loose: str, units: int) -> str:
        bag = self.loose[loose]
        must(bag.busy is None and 0 < units < bag.n, "nothing would stay")
        self._tick()
        part = self._give_out(bag, units)
        part.next_step, part.bin, part.grade = bag.next_step, bag.bin, bag.grade
        self._note(a.SplitLoose(at=0, makes=part.name, loose=loose, units=units))
        return part.name

    def merge_loose(self, into: str, others: Sequence[str], leftover: bool = False) -> str:
        """All of the others into `into`. The name of the lot where they are now."""
        bags = [self.loose[one] for one in (into, *others)]
        must(into not in others and all(bag.n and bag.busy is None for bag in bags), "not there, or in work")
        must(len({(bag.bin, bag.grade) for bag in bags}) == 1, "they differ in bin or grade")
        must(leftover or len({bag.next_step for bag in bags}) == 1, "they differ in the next step")
        self._tick()
        target = self._for_taking_in(bags[0])
        inputs: list[tuple[Node, int]] = [(target.node, target.n)] if target.node else []
        for bag in bags[1:]:
            node, units = self._take(bag, bag.n)
            inputs.append((node, len(units)))
            bag.out, bag.given_out = bag.out + len(units), True
            self._put(target, units)
            self._leave_containers(bag.name)
        self._take_in(target, inputs)
        self._note(a.MergeLoose(at=0, into=into, others=tuple(others), result=target.name, leftover=leftover))
        return target.name

    def sign_difference(self, loose: str, missing: int) -> None:
        """Units that are truly not there any more. No outflow in the sense of rule 4."""
        bag = self.loose[loose]
        must(bag.busy is None and 0 < missing < bag.n, "nothing would stay")
        self._tick()
        self._take(bag, missing)
        bag.difference += missing
        self._note(a.SignDifference(at=0, loose=loose, counted=bag.n, missing=missing))

    def scrap_units(self, thing: str, units: int) -> None:
        """Of a loose lot; or of a panel, where nobody knows the cells. No outflow in the sense of rule 4."""
        if thing in self.panels:
            panel = self.panels[thing]
            there = [unit for unit in panel.good_cells() if unit.there]
            must(panel.busy is None and 0 < units < len(there) and self.may_lose_units(panel), "nothing would stay, or a log may mark them")
            self._tick()
            panel.scrapped += units
            panel.last_event = self.now
            for unit in self.chance.sample(there, units):
                unit.there = False
        else:
            bag = self.loose[thing]
            must(bag.busy is None and 0 < units < bag.n, "nothing would stay")
            self._tick()
            self._take(bag, units)
            bag.scrapped += units
        self._note(a.ScrapUnits(at=0, thing=thing, units=units))

    def may_lose_units(self, panel: Panel) -> bool:
        """A log that comes later would mark cells that are empty by then."""
        unlogged = [line for work in panel.works for line in work.lines if self.step(work.step).role and not line.run.log_is_whole]
        return not unlogged or not self.bad_dies

    def sample_units(self, loose: str, units: int, kept: bool = True) -> str:
        """No outflow in the sense of rule 4."""
        bag = self.loose[loose]
        must(bag.busy is None and 0 < units < bag.n, "nothing would stay")
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
        must(it.operation == "test" and it.ended is None and 0 <= stay < bag.n, "no test, or all would stay")
        self._tick()
        self._end_lines(it)
        tested = self.chance.sample(bag.units, bag.n - stay)
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
        where = next((container for container, content in self.containers.items() if bag.name in content), None)
        new = self._give_out(bag, bag.n, list(bag.units))
        new.next_step, new.bin, new.grade = step, bin_, grade
        if where is not None:
            self.containers[where] = (new.name,)
        return new

    def _give_out(self, bag: Bag, n: int, units: list[Unit] | None = None) -> Bag:
        """`n` units (these, or as chance has it) leave as a new loose lot."""
        if units is None:
            node, units = self._take(bag, n)
        else:
            node = self._take_these(bag, units)
        bag.out, bag.given_out = bag.out + n, True
        new = self._new_bag("loose", [(node, n)], units)
        self.loose[new.name] = new
        return new

    def _take_these(self, bag: Bag, units: list[Unit]) -> Node:
        node = bag.node
        must(node is not None and len(units) <= bag.n, f"{len(units)} units of {bag.name}")
        bag.units = [unit for unit in bag.units if unit not in units]
        self._state(bag, bag.n - len(units))
        return node  # type: ignore[return-value]  # checked above

    def _new_bag(self, kind: str, inputs: Sequence[tuple[Node, int]], units: list[Unit]) -> Bag:
        name, n = self._new(kind), sum(n for _, n in inputs)
        bag = Bag(name, Node(name, n, self.now, tuple(inputs)), [], self.now, taken_in=n)
        self._put(bag, units)
        if kind == "sample":
            self.samples[name] = bag
        return bag

    def _put(self, bag: Bag, units: list[Unit]) -> None:
        bag.units += units
        for unit in units:
            unit.trail.append(bag.name)

    def _take_in(self, bag: Bag, inputs: list[tuple[Node, int]]) -> None:
        """A new state of the bag: its old one (the first input) and what came."""
        before = bag.n
        if bag.node:
            bag.node.died = self.now
        n = sum(n for _, n in inputs)
        bag.node = Node(bag.name, n, self.now, tuple(inputs))
        bag.taken_in += n - before
