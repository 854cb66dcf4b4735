"""Who plays a history: makes choices, knows what is free, and has the material for a run at hand. No acts yet."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from tests.oracle.actions import Group, Setting, StepSpec
from tests.oracle.factory import Factory
from tests.oracle.stops import in_force, station_stops
from tests.oracle.things import Bag, Pack, Panel, Run

T = TypeVar("T")


class Choices(Protocol):
    """Where choices come from: Hypothesis, or a seeded generator. 0 is the simplest."""

    def below(self, n: int) -> int: ...


@dataclass(frozen=True)
class Profile:
    """What may occur. `without`: names of acts that don't. Numbers of acts are chosen up to the given ones, a part of the factory each."""

    without: frozenset[str] = frozenset()
    lots: int = 3
    panels: int = 4  # of a lot
    cell_acts: int = 24
    loose_acts: int = 12
    pack_acts: int = 24
    judged_logs: bool | None = None  # None: either
    off_tape: str | None = None  # None: either
    holds: int = 3  # in force at a time
    weighings: int = 0


@dataclass
class Player:
    factory: Factory
    choices: Choices
    profile: Profile
    _free: dict[str, bool] = field(default_factory=dict)
    _free_at: int = -1

    @property
    def setting(self) -> Setting:
        return self.factory.setting

    def pick(self, things: Sequence[T]) -> T:
        return things[self.choices.below(len(things))]

    def between(self, low: int, high: int) -> int:
        return low + self.choices.below(high - low + 1)

    def rarely(self, one_in: int = 4) -> bool:
        return self.choices.below(one_in) == one_in - 1

    def some(self, things: Sequence[T], least: int = 1) -> list[T]:
        """At least so many of them, in their order; all of them is the simplest choice."""
        n = len(things) - self.choices.below(len(things) - least + 1)
        start = self.choices.below(len(things) - n + 1)
        return list(things[start : start + n])

    def is_free(self, *things: str) -> bool:
        """No hold stops it, nor arguably so. Asked anew when something was done."""
        if not in_force(self.factory):
            return True
        if self._free_at != self.factory.now:
            self._free, self._free_at = {}, self.factory.now
        for thing in things:
            if thing not in self._free:
                stops = self.factory.stopped(thing)
                self._free[thing] = not stops.surely and not stops.arguably
            if not self._free[thing]:
                return False
        return True

    def held_alike(self, things: Sequence[str]) -> bool:
        """Held and free things are never merged."""
        if not in_force(self.factory):
            return True
        stops = [self.factory.stopped(thing) for thing in things]
        return len({stop.surely for stop in stops}) == 1 and not any(stop.arguably for stop in stops)

    def open_runs(self) -> list[Run]:
        return [run for run in self.factory.runs.values() if run.ended is None and run.operation != "tape"]

    def station(self, operation: str) -> str | None:
        """A station for it that has no open run and is not held."""
        busy = {run.station for run in self.factory.runs.values() if run.ended is None}
        able = [name for name, does in self.setting.stations if does == operation and name not in busy]
        able = [name for name in able if not station_stops(self.factory, name)]
        return self.pick(able) if able else None

    def ready_panels(self, step: str | None = None) -> list[Panel]:
        """Panels that may start their next step (or that very step) now."""
        found = []
        for panel in self.factory.panels.values():
            following = self.factory.next_step(panel)
            wanted = following is not None and (step is None or following == step)
            if wanted and panel.lot and panel.busy is None and panel.good_units() > 0 and self.is_free(panel.name):
                found.append(panel)
        return found

    def idle_panels(self) -> list[Panel]:
        """Panels in lots that are in no run."""
        return [panel for panel in self.factory.panels.values() if panel.lot and panel.busy is None and not panel.singulated]

    def idle_loose(self) -> list[Bag]:
        return [bag for bag in self.factory.loose.values() if bag.n > 0 and bag.units and bag.busy is None]

    def packs_here(self) -> list[Pack]:
        return [pack for pack in self.factory.packs.values() if pack.closed and pack.slots and pack.place in ("floor", "returned")]

    def material(self, step: StepSpec, cells: int) -> list[str]:
        """What is mounted for a run of the step over so many cells."""
        uses = [self.batch(kind) for kind in step.needs]
        for kind in step.needs if self.may("side_by_side") else ():
            uses += [self.batch(kind, other_than=uses)] if self.rarely(4) else []
        return [*uses, self.wafer(step.role, cells)] if step.role else uses

    def batch(self, kind: str, other_than: Sequence[str] = ()) -> str:
        have = [b.name for b in self.factory.batches.values() if b.kind == kind and b.name not in other_than and self.is_free(b.name)]
        if not have or (len(have) < 3 and self.rarely(6)):
            if len(have) > 1 and self.may("mix_batches") and self.rarely(2):
                return self.factory.mix_batches(have[:2])
            return self.factory.receive_batch(kind)
        return self.pick(have)

    def wafer(self, role: str, cells: int, other_than: str | None = None) -> str:
        mounted = {use for run in self.open_runs() for line in run.lines if line.is_open for use in line.uses}
        have = [
            wafer.name
            for wafer in self.factory.wafers.values()
            if wafer.role == role and wafer.name not in mounted and wafer.name != other_than and len(wafer.left()) >= cells
        ]
        have = [name for name in have if self.is_free(name)]
        if not have or (len(have) < 2 and self.rarely(4)):
            side = 10 if cells <= 80 else 16
            failing = [(x, y) for x in range(0, side, 3) for y in range(0, side, 4)] if self.factory.bad_dies else [(0, 0)]
            return self.factory.receive_wafer(role, side, side, failing)
        return self.pick(have)

    def may(self, act: str) -> bool:
        return act not in self.profile.without and (self.profile.weighings > 0 or not act.startswith("weigh"))

    def groups_of(self, panels: Sequence[Panel]) -> list[Group]:
        """Panels by lot and step."""
        keys = dict.fromkeys((panel.lot, self.factory.next_step(panel)) for panel in panels)
        return [
            Group(step or "", lot, tuple(p.name for p in panels if (p.lot, self.factory.next_step(p)) == (lot, step))) for lot, step in keys
        ]
