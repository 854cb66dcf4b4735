"""Everything that the simulated factory has, by symbol, and the list of what was done."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from math import floor
from random import Random

from tests.oracle.actions import Action, Setting, StepSpec
from tests.oracle.things import Bag, Batch, Exit, Hold, Line, Mark, Node, Pack, Panel, Run, Unit, Wafer


class Unlawful(Exception):
    """The simulated factory would not do that: a fault of whoever asked."""


class State:
    """Symbols to things. Verbs are in the classes that derive from it."""

    def __init__(self, setting: Setting, seed: int = 0, bad_dies: float = 0.0) -> None:
        self.setting = setting
        self.seed = seed
        self.chance = Random(seed)
        self.bad_dies = bad_dies  # how often a bonder takes a failing die
        self.actions: list[Action] = []
        self.now = 0
        self.wafers: dict[str, Wafer] = {}
        self.batches: dict[str, Batch] = {}
        self.panels: dict[str, Panel] = {}
        self.lots: dict[str, int] = {}  # panel lots -> tick of their start
        self.runs: dict[str, Run] = {}
        self.lines: dict[str, Line] = {}
        self.marks: dict[str, Mark] = {}
        self.loose: dict[str, Bag] = {}
        self.samples: dict[str, Bag] = {}
        self.packs: dict[str, Pack] = {}
        self.scrapped: list[Unit] = []  # but for cells that were marked
        self.nodes: list[Node] = []  # all states of loose lots and samples
        self.holds: dict[str, Hold] = {}
        self.containers: dict[str, tuple[str, ...]] = {}  # panels, or one loose lot
        self._wrong_log: tuple[Run, list[Unit], list[Mark]]  # the last one: its cells and marks
        self._last: Counter[str] = Counter()

    def panels_of(self, lot: str) -> list[Panel]:
        """What a panel lot holds now."""
        return [panel for panel in self.panels.values() if panel.lot == lot]

    def step(self, key: str) -> StepSpec:
        return next(step for step in self.setting.route if step.key == key)

    def step_of(self, operation: str) -> StepSpec:
        return next(step for step in self.setting.route if step.operation == operation)

    def after(self, key: str) -> str | None:
        """The step that follows a step of the route."""
        keys = [step.key for step in self.setting.route]
        following = keys[keys.index(key) + 1 :]
        return following[0] if following else None

    def next_step(self, panel: Panel) -> str | None:
        """The first step of the route that the panel has not done."""
        if panel.singulated:
            return None
        done = {work.step for work in panel.works if work.counts and not work.unfinished}
        return next((step.key for step in self.setting.route if step.key not in done), None)

    def is_open(self, panel: Panel) -> str | None:
        """The step that was begun for the panel by a run that was interrupted, if any."""
        return next((work.step for work in panel.works if work.unfinished), None)

    def with_parents(self, batch: str) -> set[str]:
        """A batch and all that it was mixed from."""
        found, waiting = set(), [batch]
        while waiting:
            one = waiting.pop()
            found.add(one)
            waiting += self.batches[one].parents
        return found

    def batches_of(self, line: Line) -> dict[str, list[str]]:
        """Kind -> the batches of it that the line had, side by side."""
        found: dict[str, list[str]] = {}
        for use in line.uses:
            if use in self.batches:
                found.setdefault(self.batches[use].kind, []).append(use)
        return found

    def bag(self, name: str) -> Bag:
        return self.loose[name] if name in self.loose else self.samples[name]

    def _tick(self) -> int:
        self.now += 1
        return self.now

    def _new(self, kind: str) -> str:
        self._last[kind] += 1
        return f"{kind}:{self._last[kind]}"

    def _note(self, action: Action) -> None:
        self.actions.append(replace(action, at=self.now))

    def _state(self, bag: Bag, n: int, *lines: Line) -> None:
        """A new state of what is left in a bag. Where that is uncertain something may be left when the record says nothing is."""
        old = bag.node
        if old is None:
            raise Unlawful(f"{bag.name} is empty")
        old.died = self.now
        bag.node = self._node(bag.name, n, ((old, n),), lines, is_rest=True) if n or bag.square else None

    def _node(self, thing: str, n: int, inputs: Sequence[tuple[Node | Exit, int]], lines: tuple[Line, ...] = (), *, is_rest: bool = False) -> Node:
        self.nodes.append(Node(thing, n, self.now, tuple(inputs), lines, is_rest=is_rest))
        return self.nodes[-1]

    def _take(self, bag: Bag, n: int, u: float = 0.0) -> tuple[Node, list[Unit]]:
        """`n` units leave a bag, which ones chance decides. The state that they left, and they.

        Where they were weighed, to a standard uncertainty of `u`, chance decides how many they really are, within twice that.
        """
        really = n
        if u:
            spare = floor(2 * u)
            really = self.chance.randint(max(1, n - spare), min(len(bag.units) - 1, n + spare))
        units = self.chance.sample(bag.units, really) if really <= len(bag.units) else []
        return self._leave(bag, n, units, u), units

    def _leave(self, bag: Bag, n: int, units: list[Unit], u: float = 0.0) -> Node:
        """These units, `n` by the record, leave a bag. The state that they left."""
        old = bag.node
        if old is None or not units or not 0 < n <= bag.n + bag.spare - bag.beyond:
            raise Unlawful(f"{n} units of {bag.name}, which has {bag.n}")
        bag.units = [unit for unit in bag.units if unit not in units]
        old.taken, old.spare = n, floor(2 * u)
        bag.square += u * u
        over = max(0, n - bag.n)
        bag.beyond, bag.difference = bag.beyond + over, bag.difference - over
        self._state(bag, max(0, bag.n - n))
        return old

    def _leave_all(self, bag: Bag) -> tuple[Node, list[Unit]]:
        """All that is there leaves a bag, whatever the record says."""
        old, units = bag.node, bag.units
        if old is None:
            raise Unlawful(f"{bag.name} is empty")
        old.died = self.now
        bag.node, bag.units = None, []
        return old, units

    def _leave_containers(self, *things: str) -> None:
        for container, content in list(self.containers.items()):
            self.containers[container] = tuple(thing for thing in content if thing not in things)


def must(condition: bool, words: str) -> None:
    if not condition:
        raise Unlawful(words)
