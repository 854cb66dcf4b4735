"""Ovens on the invented floor: lots wait for a load of their recipe; once a shelf stays cold, and twice the logger's file comes late."""

from collections import defaultdict
from datetime import datetime, timedelta
from functools import partial
from itertools import cycle
from typing import Any, NamedTuple

from sqlalchemy import select

from app.catalogue.definitions import Step
from app.floor.at_risk import go_on_at_risk
from app.floor.dispositions import dispose
from app.ledger.places import Load
from app.ledger.stops import Hold
from app.naming.resolve import Named, code_of
from app.ovens.judging import end_load, import_logger_file, read_logger_file
from app.ovens.loads import add_to_load, begin_load, start_load, version
from app.ovens.logger_table import Stated
from seed_demo.files import cure_minutes, logger_file
from seed_demo.floor import Floor, PanelLot, Story
from seed_demo.hands import Bench, Person, later


class Waiting(NamedTuple):
    """A lot that waits for an oven, and what it goes on with afterwards."""

    lot: PanelLot
    story: Story


class Curing:
    def __init__(self, floor: Floor) -> None:
        self.floor, self.hands, self.truth = floor, floor.hands, floor.truth
        self._waiting: defaultdict[str, list[Waiting]] = defaultdict(list)  # recipe -> lots
        self.loads = 0
        self.planted_left = {"cold shelf", "late logger file", "at risk now"}

    def cure(self, lot: PanelLot, step: Step) -> Story:
        yield partial(self._into_the_queue, step.recipe or "", lot)
        yield from self._cold_ones_stay(lot)

    def _into_the_queue(self, recipe: str, lot: PanelLot, story: Story) -> None:
        waiting = self._waiting[recipe]
        waiting.append(Waiting(lot, story))
        if len(waiting) == 1:
            hurry = self.hands.recipes[recipe].name.startswith("ENC")  # wet encapsulant has two hours
            self.floor.begin(self._load(recipe), later(self.floor.now, 25 if hurry else 100))

    def _load(self, recipe: str) -> Story:
        """One load of what waits for a recipe: each lot on a shelf of its own, whatever product and cure it is."""
        waiting = self._waiting[recipe]
        some, self._waiting[recipe] = waiting[:6], waiting[6:]
        if self._waiting[recipe]:
            self.floor.begin(self._load(recipe), later(self.floor.now, 5))
        oven = self._oven_for(recipe)
        filled = max(self.floor.now, oven.free_at)
        starts = later(filled, 12 if self.floor.ends - filled > timedelta(minutes=75) else 90)  # the last one is still being filled at the end
        body = self.hands.recipes[recipe]
        soak = body.soak_minutes + 15
        minutes = cure_minutes(soak, body.set_point_c)
        oven.free_at = later(starts, minutes + 25)
        self.loads += 1
        yield filled
        who = self.hands.certified("ovens")
        load = self._filled(oven, recipe, some, who, filled)
        yield starts
        run = self._started(load, who, later(starts, 1))
        began = self.hands.last
        ends = later(began, minutes - 1)
        oven.free_at = max(oven.free_at, later(ends, 25))
        for one in some:
            self.floor.touched(run, one.lot.codes, [])
        yield ends
        self.hands.do(who, "end_load", {"load": load.code}, ends, lambda s, by: len(end_load(s, by, s.get_one(Load, load.id), person=who.id)))
        cold, late = self._planted_here(some, recipe)
        data = self._trace_of(oven, began, soak, body.set_point_c, cold)
        name = f"{oven.name.replace(' ', '-').lower()}-{starts:%m%d-%H%M}.csv"
        if cold is not None:
            self.truth.faults["cold shelf"] = run.code
            some[cold].lot.planted.add("cold shelf")
        if late:
            self.truth.faults.setdefault("late logger file", run.code)
            self.floor.begin(self._file_comes(oven, name, data), later(ends, 100 if late == "late logger file" else 1440))
            yield later(ends, 6)
            for one in some:
                self._goes_on_at_risk(one.lot, later(ends, 6))
        else:
            yield from self._file_comes(oven, name, data)
        for one in some:
            one.lot.at = later(ends, 12)
            self.floor.begin(one.story, one.lot.at)

    def _oven_for(self, recipe: str) -> Bench:
        """The one that is free first. The last of them is kept free for encapsulant, which can't wait."""
        ovens = self.hands.benches_for("cure")
        return self.hands.earliest("cure", self.floor.now, ovens if recipe.startswith("ENC") else ovens[:-1])

    def _filled(self, oven: Bench, recipe: str, some: list[Waiting], who: Person, at: datetime) -> Named:
        def begin(s: Any, by: Any) -> Named:
            load = begin_load(s, by, oven.id, recipe)
            for one, shelf in zip(some, cycle(oven.body.shelves), strict=False):
                add_to_load(s, by, load, [one.lot.named], shelf)
            return Named("load", load.id, code_of(s, "load", load.id))

        arguments = {"station": oven.code, "recipe": recipe, "things": [one.lot.named.code for one in some]}
        return self.hands.do(who, "add_to_load", arguments, at, begin)

    def _started(self, load: Named, who: Person, at: datetime) -> Named:
        def start(s: Any, by: Any) -> Named:
            row = s.get_one(Load, load.id)
            run = start_load(s, by, row, version(s, row), person=who.id).run.id
            return Named("run", run, code_of(s, "run", run))

        return self.hands.do(who, "start_load", {"load": load.code}, at, start)

    def _trace_of(self, oven: Bench, began: datetime, soak: float, set_point_c: float, cold: int | None) -> bytes:
        """What the oven's logger wrote, with the shelf of the lot `cold` fourteen degrees too low."""
        shelves, sensors = oven.body.shelves, oven.body.sensors
        low = [sensor.name for sensor in sensors if cold is not None and sensor.shelf == shelves[cold % len(shelves)]]
        return logger_file(self.floor.rng, began, soak, set_point_c, [sensor.name for sensor in sensors], low, 14.0)

    def _goes_on_at_risk(self, lot: PanelLot, at: datetime) -> None:
        panels = [panel.id for panel in lot.panels]
        verb = lambda s, by: len(go_on_at_risk(s, by, panels, "logger file comes later"))  # noqa: E731
        self.hands.do(self.hands.with_duty("lead"), "go_on_at_risk", {"lot": lot.named.code}, at, verb, signed=True)

    def _planted_here(self, some: list[Waiting], recipe: str) -> tuple[int | None, str]:
        """Once a cold shelf, and twice a file that comes late: at first, and on the last day."""
        if recipe.startswith("DIE") and "at risk now" in self.planted_left and self.floor.ends - self.floor.now < timedelta(hours=5):
            self.planted_left.discard("at risk now")
            return None, "at risk now"
        if self.loads >= 4 and "late logger file" in self.planted_left and recipe.startswith("DIE"):
            self.planted_left.discard("late logger file")
            return None, "late logger file"
        if self.loads >= 6 and "cold shelf" in self.planted_left and recipe.startswith("DIE"):
            whole = [n for n, one in enumerate(some) if len(one.lot.panels) == 24 and "wrong map" not in one.lot.planted]
            if whole:
                self.planted_left.discard("cold shelf")
                return whole[0], ""
        return None, ""

    def _file_comes(self, oven: Bench, name: str, data: bytes) -> Story:
        stated = Stated(zone="UTC", unit="C")
        kept, trace = read_logger_file(self.hands.house, name, data, stated)
        arguments = {"station": oven.code, "file": [kept.name, kept.digest]}
        verb = lambda s, by: len(import_logger_file(s, by, oven.id, kept, trace, stated).judged)  # noqa: E731
        at = later(self.floor.now, 5)
        yield at
        self.hands.do(self.hands.certified("ovens"), "import_logger_file", arguments, at, verb, source="file")

    def _cold_ones_stay(self, lot: PanelLot) -> Story:
        """Quality lets half of a lot from the cold shelf go, by concession after a test; the other half stays on hold, split off."""
        if "cold shelf" not in lot.planted:
            return
        lot.planted.discard("cold shelf")
        quality, going = self.hands.with_duty("quality"), lot.panels[:12]
        at = later(self.floor.now, 60)
        yield at
        self.floor.scrap_later(self.floor.split(lot, lot.panels[12:], at), later(at, 60 * 20))

        def decide(s: Any, by: Any) -> int:
            lines = select(Hold).where(Hold.kind == "line", Hold.reason.startswith("The cure"), Hold.closed_e.is_(None))
            hold = s.scalars(lines.order_by(Hold.id.desc())).first()
            dispose(s, by, hold.subject, "concession", "shear test of six units passed")
            return int(hold.id)

        hold = self.hands.do(quality, "dispose", {"lot": lot.named.code, "what": "concession"}, at, decide, signed=True)
        self.floor.release(hold, going, later(at, 2))
        lot.at = later(at, 5)
