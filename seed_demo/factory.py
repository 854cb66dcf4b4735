"""The invented factory: a floor with its steps, and the way of a lot through its route."""

from collections.abc import Callable
from datetime import datetime

import numpy as np

from app.catalogue.definitions import Step
from app.floor.lots import merge_lots
from seed_demo.attaching import Attaching
from seed_demo.bonding import Bonding
from seed_demo.curing import Curing
from seed_demo.floor import Campaign, Floor, PanelLot, Story
from seed_demo.hands import Hands, later
from seed_demo.inspecting import inspect
from seed_demo.loosening import to_loose
from seed_demo.supplies import Supplies
from seed_demo.truth import CELLS, Truth


class Factory(Floor):
    def __init__(
        self, hands: Hands, supplies: Supplies, truth: Truth, rng: np.random.Generator, test: Callable[[Campaign], Story], ends: datetime
    ) -> None:
        super().__init__(hands, supplies, truth, rng, test, ends)
        self.attaching, self.curing, self.bonding = Attaching(self), Curing(self), Bonding(self)

    def story(self, lot: PanelLot) -> Story:
        """The way of a lot through its route, up to the loose lot."""
        steps = self.hands.routes[lot.product].steps
        for step in steps:
            lot.at = max(lot.at, lot.appointed.get(step.key, lot.at))
            if f"held before {step.key}" in lot.planted:
                yield from self.hold_up(lot)
                return
            if step.operation == "die attach":
                yield from self.attaching.attach(lot, step)
            elif step.operation == "cure":
                yield from self.curing.cure(lot, step)
            elif step.operation == "plasma clean" and "in two" in lot.planted:
                yield from self._in_two(lot, step)
            elif step.operation == "wire bond":
                yield from self.bonding.bond(lot, step)
            elif step.operation == "inspect":
                yield from inspect(self, lot, step)
            elif step.operation in ("singulate", "outside work"):
                break
            else:
                yield from self._plain(lot, step)
            if not lot.panels or "stays" in lot.planted:
                lot.family.lots -= 1
                yield from self.campaign_may_begin(lot.family)
                return
        yield from to_loose(self, lot, [step for step in steps if step.operation in ("singulate", "outside work", "clean")])

    def _plain(self, lot: PanelLot, step: Step) -> Story:
        """A step that takes the whole lot at one station: plasma, dispensing, moulding."""
        bench = self.hands.earliest(step.operation, lot.at)
        starts = max(lot.at, bench.free_at)
        ends = later(starts, float(step.standard_minutes or 20))
        bench.free_at = later(ends, 2)
        yield starts
        used = [self.supplies.ready(bench, need.part, len(lot.panels) * CELLS, starts, ends) for need in step.needs if need.part]
        run = self.start(lot, step, bench, later(starts, 1))
        self.touched(run, lot.codes, [one.named.code for one in used])
        yield ends
        values = {record.name: float(round(self.rng.normal(170, 2), 1)) for record in step.records}
        self.finish(step, run, ends, values)
        lot.at = later(ends, 5)

    def _in_two(self, lot: PanelLot, step: Step) -> Story:
        """Half of the lot goes ahead, and the lot is one again before the next step."""
        part = self.split(lot, lot.panels[len(lot.panels) // 2 :], lot.at)
        yield from self._plain(part, step)
        lot.at = part.at
        yield from self._plain(lot, step)
        at = later(max(lot.at, part.at), 2)
        yield at
        arguments = {"into": lot.named.code, "others": [part.named.code]}
        self.hands.do(self.hands.certified(None), "merge_lots", arguments, at, lambda s, by: merge_lots(s, by, lot.named.id, [part.named.id]).item)
        lot.panels, lot.at = [*lot.panels, *part.panels], at
