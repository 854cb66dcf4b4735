"""The floor of the invented factory: its clock, and what may happen to a lot at any step. Lots are stories that wait for stations and one another."""

import heapq
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from itertools import count
from typing import Any

import numpy as np

from app.catalogue.definitions import Step
from app.errors import Refused
from app.floor.counts_at_finish import count_lines, counted_units
from app.floor.ends import Value, finish_run
from app.floor.lots import split_lot, start_lot
from app.floor.scrap import scrap_panel
from app.floor.starts import start_run
from app.genealogy.freed import units_freed
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.ledger.stops import Hold
from app.naming.resolve import Named, code_of
from seed_demo.hands import Bench, Hands, later
from seed_demo.supplies import Supplies
from seed_demo.truth import Ints, Reach, Truth

Story = Generator[Any, None, None]


@dataclass
class PanelLot:
    """A lot of panels on its way. `planted`: what goes wrong with it."""

    named: Named
    product: str
    panels: list[Named]
    order: str | None
    wire: str
    at: datetime
    family: "Campaign"
    planted: set[str] = field(default_factory=set)
    appointed: dict[str, datetime] = field(default_factory=dict)  # step key -> it does not begin before

    @property
    def codes(self) -> list[str]:
        return [panel.code for panel in self.panels]


@dataclass
class Loose:
    """A loose lot: its units, what can be in it, and when it is ready for more."""

    named: Named
    units: Ints
    reach: Reach
    at: datetime


@dataclass
class Campaign:
    """Lots that are poured together for the test."""

    product: str
    order: str | None
    lots: int
    test_at: datetime | None = None  # not before
    ready: list[Loose] = field(default_factory=list)


class Floor:
    def __init__(
        self, hands: Hands, supplies: Supplies, truth: Truth, rng: np.random.Generator, test: Callable[[Campaign], Story], ends: datetime
    ) -> None:
        self.hands, self.supplies, self.truth, self.rng, self.test, self.ends = hands, supplies, truth, rng, test, ends
        self._queue: list[tuple[datetime, int, Story]] = []
        self._number = count()
        self.panel_reach = truth.panel_reach
        self.done_lots = 0
        self.now = datetime.min

    # --- the clock

    def begin(self, story: Story, at: datetime) -> None:
        heapq.heappush(self._queue, (at, next(self._number), story))

    def run(self, say: Callable[[str], None]) -> None:
        """Goes on with whichever story comes first, until the end.

        A story yields the time of its next movement, or who takes it over until then. What comes after the end is left.
        """
        told = 0
        while self._queue and self._queue[0][0] <= self.ends:
            self.now, _, story = heapq.heappop(self._queue)
            try:
                wish = next(story, None)
            except Refused as refusal:
                if refusal.kind != "held":
                    raise
                continue  # what is on hold is put aside
            if isinstance(wish, datetime):
                self.begin(story, max(wish, self.now))
            elif wish is not None:
                wish(story)
            if self.hands.acts - told >= 100:
                told = self.hands.acts
                say(f"{told} movements, {self.done_lots} lots through the floor, {len(self.truth.packs)} packs")

    # --- a lot

    def start_lot(self, campaign: Campaign, wire: str, panels: list[Named], frames: Named, at: datetime, planted: Iterable[str] = ()) -> PanelLot:
        def verb(s: Any, by: Any) -> Named:
            item = start_lot(s, by, campaign.product, [panel.id for panel in panels], order=campaign.order).item
            return Named("lot", item, code_of(s, "lot", item))

        for panel in panels:
            self.panel_reach[panel.code] = Reach(batches={frames.code}, panels={panel.code})
            self.truth.frames[panel.code] = frames.code
        self.truth.batches.of(frames.code)
        named = self.hands.do(self.hands.certified(None), "start_lot", {"product": campaign.product, "panels": len(panels)}, at, verb)
        return PanelLot(named, campaign.product, panels, campaign.order, wire, at, campaign, set(planted))

    def split(self, lot: PanelLot, panels: list[Named], at: datetime) -> PanelLot:
        def verb(s: Any, by: Any) -> Named:
            item = split_lot(s, by, lot.named.id, [panel.id for panel in panels]).item
            return Named("lot", item, code_of(s, "lot", item))

        arguments = {"lot": lot.named.code, "panels": [panel.code for panel in panels]}
        named = self.hands.do(self.hands.certified(None), "split_lot", arguments, at, verb)
        leaving = {panel.id for panel in panels}
        lot.panels = [panel for panel in lot.panels if panel.id not in leaving]
        return PanelLot(named, lot.product, panels, lot.order, lot.wire, at, lot.family)

    def hold_up(self, lot: PanelLot) -> Story:
        """Quality stops a lot: what was found at its step before has to be looked into."""
        yield lot.at
        verb = lambda s, by: int(place_hold(s, by, lot.named, "readings out of limits").id)  # noqa: E731
        arguments = {"subject": lot.named.code, "reason": "readings out of limits"}
        self.hands.do(self.hands.with_duty("quality"), "place_hold", arguments, lot.at, verb)

    def release(self, hold: int, items: list[Named], at: datetime) -> int:
        """A partial release: these items and what comes of them."""

        def verb(s: Any, by: Any) -> int:
            row = s.get_one(Hold, hold)
            freed = units_freed(s, row, items)
            release_hold(s, by, row, items, "concession", "tested and let go", units_freed=freed)
            return freed

        arguments = {"hold": hold, "items": [item.code for item in items]}
        return self.hands.do(self.hands.with_duty("quality"), "release_hold", arguments, at, verb, signed=True)

    def scrap_later(self, lot: PanelLot, at: datetime) -> None:
        self.begin(self._scrapped(lot, at), at)

    def _scrapped(self, lot: PanelLot, at: datetime) -> Story:
        """What quality held and nobody can save."""

        def verb(s: Any, by: Any) -> int:
            return sum(scrap_panel(s, by, panel.id, "broken in handling").n for panel in lot.panels)

        arguments = {"lot": lot.named.code, "panels": len(lot.panels), "reason": "broken in handling"}
        self.hands.do(self.hands.certified("inspection"), "scrap", arguments, at, verb)
        for code in lot.codes:
            self.truth.alive[self.truth.units_of_panel(code)] = False
        yield at

    def campaign_may_begin(self, family: Campaign) -> Story:
        if family.ready and len(family.ready) >= family.lots:
            ready = family.ready
            family.ready = []
            at = max(later(max(one.at for one in ready), 10), family.test_at or self.now)
            self.begin(self.test(Campaign(family.product, family.order, len(ready), ready=ready)), at)
        yield self.now

    # --- a run

    def start(self, lot: PanelLot, step: Step, bench: Bench, at: datetime, panels: list[Named] | None = None, fact: bool = False) -> Named:
        who = self.hands.certified(step.certificate)
        only = [panel.id for panel in panels] if panels else None

        def verb(s: Any, by: Any) -> Named:
            run = start_run(s, by, bench.id, [lot.named], only=only, person=who.id, line_clear=True).run.id
            return Named("run", run, code_of(s, "run", run))

        actor = self.hands.with_duty("lead") if fact else who
        arguments = {"station": bench.code, "things": [lot.named.code], "panels": len(panels or lot.panels)}
        return self.hands.do(actor, "start_run", arguments, at, verb, fact=fact)

    def finish(self, step: Step, run: Named, at: datetime, values: dict[str, float] | None = None, weighed: dict[str, float] | None = None) -> None:
        given = [Value(name, value) for name, value in (values or {}).items()]
        who = self.hands.certified(step.certificate)

        def verb(s: Any, by: Any) -> int:
            lines = finish_run(s, by, self.hands.run_of(s, run), given, person=who.id)
            if weighed:
                count_lines(s, by, lines, counted_units(step.count, weighed))
            return len(lines)

        arguments = {"run": run.code, "values": values or {}} | ({"count": weighed} if weighed else {})
        self.hands.do(who, "finish_run", arguments, at, verb)

    def touched(self, run: Named, panels: Iterable[str], batches: Iterable[str]) -> None:
        """The run did all of these panels with this material; nothing else was said."""
        some, used = list(panels), list(batches)
        self.truth.touched(run.code, some, used)
        for panel in some:
            self.panel_reach[panel].runs.add(run.code)
            self.panel_reach[panel].batches.update(used)
