"""The floor of the invented factory: lots as stories that wait for stations, ovens and one another, in the order of their times."""

import heapq
from collections import defaultdict
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import count
from typing import Any

import numpy as np
from sqlalchemy import select

from app.catalogue.definitions import Step
from app.errors import Refused
from app.final_test.singulate import singulate
from app.floor.at_risk import go_on_at_risk
from app.floor.counts_at_finish import EMPTY, FULL, PIECES, PIECES_G, U_PIECE_SHARE, U_SCALE_G, count_lines, counted_units
from app.floor.dispositions import dispose
from app.floor.ends import Said, Value, finish_run
from app.floor.lots import merge_lots, split_lot, start_lot
from app.floor.marks import mark_panels
from app.floor.mounts import mount
from app.floor.moves import move_item
from app.floor.placements import import_placements, read_log
from app.floor.samples import sample_cells
from app.floor.scrap import scrap_panel
from app.floor.starts import start_run
from app.genealogy.freed import units_freed
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.ledger.places import Load
from app.ledger.stops import Hold
from app.naming.resolve import Named, code_of
from app.ovens.judging import end_load, import_logger_file, read_logger_file
from app.ovens.loads import add_to_load, begin_load, start_load, version
from app.ovens.logger_table import Stated
from seed_demo.files import LOG_HEAD, cure_minutes, logger_file, placement_lines
from seed_demo.hands import Bench, Hands, Material, later
from seed_demo.supplies import Supplies, WaferInUse
from seed_demo.truth import CELLS, COLUMNS, ROLES, Ints, Reach, Truth

Story = Generator[Any, None, None]
JAR_G, PIECE_G = 182.4, 0.0104  # an empty jar, one unit (invented)
MARKS = ("lifted wire", "missing wire", "die turned or shifted", "chipped or scratched")


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


@dataclass
class InOven:
    """A lot that waits for an oven."""

    lot: PanelLot
    step: Step


class Factory:
    def __init__(
        self, hands: Hands, supplies: Supplies, truth: Truth, rng: np.random.Generator, test: Callable[[Campaign], Story], ends: datetime
    ) -> None:
        self.hands, self.supplies, self.truth, self.rng, self.test, self.ends = hands, supplies, truth, rng, test, ends
        self._queue: list[tuple[datetime, int, Story]] = []
        self._number = count()
        self._waiting: defaultdict[str, list[tuple[InOven, Story]]] = defaultdict(list)
        self._wafers: dict[str, WaferInUse] = {}  # station name -> what is on it
        self.panel_reach = truth.panel_reach
        self.loads = 0
        self.done_lots = 0
        self.planted_left = {"cold shelf", "late logger file", "at risk now"}
        self.drifted: Bench | None = None
        self.bonded: defaultdict[str, list[str]] = defaultdict(list)  # bonder -> its runs, in order
        self.now = datetime.min

    # --- the clock

    def begin(self, story: Story, at: datetime) -> None:
        heapq.heappush(self._queue, (at, next(self._number), story))

    def run(self, say: Callable[[str], None]) -> None:
        """Goes on with whichever story comes first, until the end. A story yields the time of its next movement; what comes later is left."""
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
            elif isinstance(wish, InOven):
                self._into_the_queue(wish, story)
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

    def story(self, lot: PanelLot, from_step: str | None = None) -> Story:
        """The way of a lot through its route, up to the loose lot."""
        steps = self.hands.routes[lot.product].steps
        first = next((i for i, step in enumerate(steps) if step.key == from_step), 0)
        for step in steps[first:]:
            lot.at = max(lot.at, lot.appointed.get(step.key, lot.at))
            if lot.planted & {f"held before {step.key}"}:
                yield from self._is_held(lot)
                return
            if step.operation == "die attach":
                yield from self._attach(lot, step)
            elif step.operation == "cure":
                yield from self._cure(lot, step)
            elif step.operation == "plasma clean" and "in two" in lot.planted:
                yield from self._in_two(lot, step)
            elif step.operation == "wire bond":
                yield from self._bond(lot, step)
            elif step.operation == "inspect":
                yield from self._look(lot, step)
            elif step.operation in ("singulate", "outside work"):
                break
            else:
                yield from self._plain(lot, step)
            if not lot.panels or "stays" in lot.planted:
                lot.family.lots -= 1
                yield from self._campaign_may_begin(lot.family)
                return
        yield from self._to_loose(lot, [step for step in steps if step.operation in ("singulate", "outside work", "clean")])

    def _start(self, lot: PanelLot, step: Step, bench: Bench, at: datetime, panels: list[Named] | None = None, fact: bool = False) -> Named:
        who = self.hands.certified(step.certificate)
        only = [panel.id for panel in panels] if panels else None

        def verb(s: Any, by: Any) -> Named:
            run = start_run(s, by, bench.id, [lot.named], only=only, person=who.id, line_clear=True).run.id
            return Named("run", run, code_of(s, "run", run))

        actor = self.hands.with_duty("lead") if fact else who
        arguments = {"station": bench.code, "things": [lot.named.code], "panels": len(panels or lot.panels)}
        return self.hands.do(actor, "start_run", arguments, at, verb, fact=fact)

    def _finish(self, step: Step, run: Named, at: datetime, values: dict[str, float] | None = None, weighed: dict[str, float] | None = None) -> None:
        given = [Value(name, value) for name, value in (values or {}).items()]
        who = self.hands.certified(step.certificate)

        def verb(s: Any, by: Any) -> int:
            lines = finish_run(s, by, self.hands.run_of(s, run), given, person=who.id)
            if weighed:
                count_lines(s, by, lines, counted_units(step.count, weighed))
            return len(lines)

        arguments = {"run": run.code, "values": values or {}} | ({"count": weighed} if weighed else {})
        self.hands.do(who, "finish_run", arguments, at, verb)

    def _touched(self, run: Named, panels: Iterable[str], batches: Iterable[str]) -> None:
        """The run did all of these panels with this material; nothing else was said."""
        some, used = list(panels), list(batches)
        self.truth.touched(run.code, some, used)
        for panel in some:
            self.panel_reach[panel].runs.add(run.code)
            self.panel_reach[panel].batches.update(used)

    def _plain(self, lot: PanelLot, step: Step) -> Story:
        """A step that takes the whole lot at one station: plasma, dispensing, moulding."""
        bench = self.hands.earliest(step.operation, lot.at)
        starts = max(lot.at, bench.free_at)
        ends = later(starts, float(step.standard_minutes or 20))
        bench.free_at = later(ends, 2)
        yield starts
        used = [self.supplies.ready(bench, need.part, len(lot.panels) * CELLS, starts, ends) for need in step.needs if need.part]
        run = self._start(lot, step, bench, later(starts, 1))
        self._touched(run, lot.codes, [one.named.code for one in used])
        yield ends
        values = {record.name: float(round(self.rng.normal(170, 2), 1)) for record in step.records}
        self._finish(step, run, ends, values)
        lot.at = later(ends, 5)

    def _in_two(self, lot: PanelLot, step: Step) -> Story:
        """Half of the lot goes ahead, and the lot is one again before the next step."""
        part = self._split(lot, lot.panels[len(lot.panels) // 2 :], lot.at)
        yield from self._plain(part, step)
        lot.at = part.at
        yield from self._plain(lot, step)
        at = later(max(lot.at, part.at), 2)
        yield at
        arguments = {"into": lot.named.code, "others": [part.named.code]}
        self.hands.do(self.hands.certified(None), "merge_lots", arguments, at, lambda s, by: merge_lots(s, by, lot.named.id, [part.named.id]).item)
        lot.panels, lot.at = [*lot.panels, *part.panels], at

    # --- die attach

    def _attach(self, lot: PanelLot, step: Step) -> Story:
        if "expired syringe" in lot.planted and step.role == "green":
            yield from self._with_expired_syringe(lot, step)
        benches = [one for i, one in enumerate(self.hands.benches_for("die attach")) if i // 2 == ROLES.index(step.role or "red")]
        groups = [lot.panels[:12], lot.panels[12:]] if len(lot.panels) > 12 and self.rng.random() < 0.2 else [lot.panels]
        ends_of = []
        for group in groups:
            bench = self.hands.earliest("die attach", lot.at, benches)
            starts = max(lot.at, bench.free_at)
            ends = later(starts, 4 + len(group) * CELLS / 40_000 * 60)
            bench.free_at = later(ends, 4)
            ends_of.append(ends)
            story = self._attach_group(lot, step, bench, group, starts, ends)
            self.begin(story, starts)
        lot.at = later(max(ends_of), 10)
        yield lot.at
        if "wrong map" in lot.planted and step.role == "red":
            lot.planted.add("stays")
            self._scrap_later(lot, later(lot.at, 60 * 20))

    def _attach_group(self, lot: PanelLot, step: Step, bench: Bench, panels: list[Named], starts: datetime, ends: datetime) -> Story:
        yield starts
        role, units = step.role or "red", len(panels) * CELLS
        wrong = "wrong map" in lot.planted and role == "red"
        used = [self.supplies.ready(bench, need.part, units, starts, ends) for need in step.needs if need.part]
        if bench.name not in self._wafers or wrong or self._wafers[bench.name].left < 100:
            self._new_wafer(bench, role, starts, wrong_edge=wrong)
        run = self._start(lot, step, bench, later(starts, 1), panels)
        self._touched(run, [panel.code for panel in panels], [one.named.code for one in used])
        parts = [self._place(bench, panels, starts, ends, role, 0)]
        done = parts[0][1]
        while done < units:  # the wafer gives out in mid-run
            at = starts + (ends - starts) * (done / units)
            yield at
            fresh = self.supplies.wafer(role, at)
            ready = [panel.id for panel in panels[: done // CELLS]]
            self.supplies.change(bench, "wafer", fresh.named, at, Said(ready, [panels[done // CELLS].id] if done % CELLS else []))
            self._wafers[bench.name] = fresh
            parts.append(self._place(bench, panels, starts, ends, role, done))
            done = parts[-1][1]
        yield ends
        self._finish(step, run, ends)
        name = f"{bench.name.replace(' ', '-').lower()}-{ends:%m%d%H%M}.csv"
        kept, log = read_log(self.hands.house, name, (LOG_HEAD + "\n" + "".join(text for text, _ in parts)).encode())
        yield later(ends, 3)
        who = self.hands.certified(step.certificate)
        self.hands.do(
            who, "import_placements", {"station": bench.code, "file": [kept.name, kept.digest]}, later(ends, 3),
            lambda s, by: import_placements(s, by, bench.id, kept, log).as_json(), source="file",
        )  # fmt: skip
        if wrong:
            self._off_wafer(bench, ends)

    def _place(self, bench: Bench, panels: list[Named], starts: datetime, ends: datetime, role: str, done: int) -> tuple[str, int]:
        """Dies of the wafer that is on the station onto the next cells, as far as it goes; one in two thousand is lost."""
        wafer, units, r = self._wafers[bench.name], len(panels) * CELLS, ROLES.index(role)
        picks = min(units - done + 12, wafer.left)
        lost = self.rng.random(picks) < 0.0005
        kept = np.flatnonzero(~lost)[: units - done]
        picks = int(kept[-1]) + 1 if len(kept) else picks
        x, y = wafer.take(picks)
        cell = np.full(picks, -1, dtype=np.int64)
        cell[kept] = np.arange(done, done + len(kept))
        unit = np.concatenate([self.truth.units_of_panel(panel.code) for panel in panels])[done : done + len(kept)]
        self.truth.wafer[r, unit] = self.truth.wafers.of(wafer.named.code)
        self.truth.die_x[r, unit], self.truth.die_y[r, unit] = x[kept], y[kept]
        seconds = (ends - starts).total_seconds()
        begins = starts + timedelta(seconds=60 + (seconds - 90) * done / units)
        codes = [panels[c // CELLS].code if c >= 0 else "" for c in cell.tolist()]
        length = (seconds - 90) * len(kept) / units
        text = placement_lines(begins, length, [wafer.named.code] * picks, x, y, codes, np.where(cell < 0, -1, cell % CELLS), COLUMNS)
        return text, done + len(kept)

    def _new_wafer(self, bench: Bench, role: str, at: datetime, *, wrong_edge: bool = False) -> None:
        fresh = self.supplies.wafer(role, at, wrong_edge=wrong_edge)
        self._off_wafer(bench, at)
        who = self.hands.with_duty("lead")
        arguments = {"station": bench.code, "item": fresh.named.code}
        self.hands.do(who, "mount", arguments, at, lambda s, by: mount(s, by, bench.id, fresh.named.id, "wafer"))
        self._wafers[bench.name] = fresh
        bench.on["wafer"] = Material(fresh.named, "", 0, None)

    def _off_wafer(self, bench: Bench, at: datetime) -> None:
        before = self._wafers.pop(bench.name, None)
        if before is not None:
            bench.on["wafer"] = Material(before.named, "", 0, None)
            self.supplies.off(bench, "wafer", at)

    def _with_expired_syringe(self, lot: PanelLot, step: Step) -> Story:
        """At night, without the server, four panels were done with a syringe that had expired. It is entered as it was, and held."""
        some = lot.panels[:4]
        part = self._split(lot, some, lot.at)
        bench = self.hands.benches_for("die attach")[4]
        starts = max(lot.at, bench.free_at)
        ends = later(starts, 10)
        bench.free_at = later(ends, 30)
        yield starts
        need = step.needs[0].part or ""
        old = self.supplies.batch(need, starts, expires_at=starts - timedelta(days=3), opened=False)
        self.truth.faults["expired syringe"] = old.named.code
        self.supplies.off(bench, "adhesive", starts)
        if bench.name not in self._wafers or self._wafers[bench.name].left < 4 * CELLS + 20:
            self._new_wafer(bench, step.role or "green", starts)
        lead, told = self.hands.with_duty("lead"), later(starts, 1)
        self.hands.do(
            lead, "mount", {"station": bench.code, "item": old.named.code, "paper": True}, starts,
            lambda s, by: mount(s, by, bench.id, old.named.id), fact=True,
        )  # fmt: skip
        bench.on["adhesive"] = old
        run = self._start(part, step, bench, told, fact=True)
        self._touched(run, part.codes, [old.named.code])
        text, _ = self._place(bench, part.panels, starts, ends, step.role or "green", 0)
        yield ends
        self._finish(step, run, ends)
        kept, log = read_log(self.hands.house, f"night-{ends:%m%d%H%M}.csv", (LOG_HEAD + "\n" + text).encode())
        self.supplies.off(bench, "adhesive", later(ends, 1))
        yield later(ends, 60)
        self.hands.do(
            lead, "import_placements", {"station": bench.code, "file": [kept.name, kept.digest]}, later(ends, 60),
            lambda s, by: import_placements(s, by, bench.id, kept, log).as_json(), source="file",
        )  # fmt: skip
        lot.at = later(ends, 61)
        self._scrap_later(part, later(ends, 60 * 20))

    def _split(self, lot: PanelLot, panels: list[Named], at: datetime) -> PanelLot:
        def verb(s: Any, by: Any) -> Named:
            item = split_lot(s, by, lot.named.id, [panel.id for panel in panels]).item
            return Named("lot", item, code_of(s, "lot", item))

        arguments = {"lot": lot.named.code, "panels": [panel.code for panel in panels]}
        named = self.hands.do(self.hands.certified(None), "split_lot", arguments, at, verb)
        leaving = {panel.id for panel in panels}
        lot.panels = [panel for panel in lot.panels if panel.id not in leaving]
        return PanelLot(named, lot.product, panels, lot.order, lot.wire, at, lot.family)

    def _scrap_later(self, lot: PanelLot, at: datetime) -> None:
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

    def _is_held(self, lot: PanelLot) -> Story:
        """Quality stops a lot: what was found at its step before has to be looked into."""
        yield lot.at
        verb = lambda s, by: int(place_hold(s, by, lot.named, "readings out of limits").id)  # noqa: E731
        arguments = {"subject": lot.named.code, "reason": "readings out of limits"}
        self.hands.do(self.hands.with_duty("quality"), "place_hold", arguments, lot.at, verb)

    # --- ovens

    def _cure(self, lot: PanelLot, step: Step) -> Story:
        yield InOven(lot, step)
        yield from self._cold_ones_stay(lot)

    def _into_the_queue(self, one: InOven, story: Story) -> None:
        waiting = self._waiting[one.step.recipe or ""]
        waiting.append((one, story))
        if len(waiting) == 1:
            hurry = self.hands.recipes[one.step.recipe or ""].name.startswith("ENC")  # wet encapsulant has two hours
            self.begin(self._load(one.step.recipe or ""), later(self.now, 25 if hurry else 100))

    def _load(self, recipe: str) -> Story:
        """One load of what waits for a recipe: each lot on a shelf of its own, whatever product and cure it is."""
        waiting, body = self._waiting[recipe], self.hands.recipes[recipe]
        some, self._waiting[recipe] = waiting[:6], waiting[6:]
        if self._waiting[recipe]:
            self.begin(self._load(recipe), later(self.now, 5))
        ovens = self.hands.benches_for("cure")
        oven = self.hands.earliest("cure", self.now, ovens if recipe.startswith("ENC") else ovens[:-1])  # the last one is kept free for them
        filled = max(self.now, oven.free_at)
        starts = later(filled, 12 if self.ends - filled > timedelta(minutes=75) else 90)  # the last one is still being filled at the end
        soak = body.soak_minutes + 15
        ends = later(starts, cure_minutes(soak, body.set_point_c))
        oven.free_at = later(ends, 25)
        self.loads += 1
        yield filled
        who, shelves = self.hands.certified("ovens"), oven.body.shelves

        def begin(s: Any, by: Any) -> Named:
            load = begin_load(s, by, oven.id, recipe)
            for n, (one, _) in enumerate(some):
                add_to_load(s, by, load, [one.lot.named], shelves[n % len(shelves)])
            return Named("load", load.id, code_of(s, "load", load.id))

        arguments = {"station": oven.code, "recipe": recipe, "things": [one.lot.named.code for one, _ in some]}
        load = self.hands.do(who, "add_to_load", arguments, filled, begin)
        yield starts

        def start(s: Any, by: Any) -> Named:
            row = s.get_one(Load, load.id)
            run = start_load(s, by, row, version(s, row), person=who.id).run.id
            return Named("run", run, code_of(s, "run", run))

        run = self.hands.do(who, "start_load", {"load": load.code}, later(starts, 1), start)
        began = self.hands.last
        ends = later(began, cure_minutes(soak, body.set_point_c) - 1)
        oven.free_at = max(oven.free_at, later(ends, 25))
        for one, _ in some:
            self._touched(run, one.lot.codes, [])
        yield ends
        self.hands.do(who, "end_load", {"load": load.code}, ends, lambda s, by: len(end_load(s, by, s.get_one(Load, load.id), person=who.id)))
        cold, late = self._planted_here(some, recipe)
        if cold is not None:
            self.truth.faults["cold shelf"] = run.code
        sensors = [sensor.name for sensor in oven.body.sensors]
        cold_ones = [sensor.name for sensor in oven.body.sensors if cold is not None and sensor.shelf == shelves[cold]]
        data = logger_file(self.rng, began, soak, body.set_point_c, sensors, cold_ones, 14.0)
        name = f"{oven.name.replace(' ', '-').lower()}-{starts:%m%d-%H%M}.csv"
        if late:
            self.truth.faults.setdefault("late logger file", run.code)
            self.begin(self._file_comes(oven, name, data), later(ends, 100 if late == "late logger file" else 1440))
            yield later(ends, 6)
            for one, _ in some:
                self._goes_on_at_risk(one.lot, later(ends, 6))
        else:
            yield from self._file_comes(oven, name, data)
        for n, (one, story) in enumerate(some):
            one.lot.at = later(ends, 12)
            if n == cold:
                one.lot.planted.add("cold shelf")
            self.begin(story, one.lot.at)

    def _goes_on_at_risk(self, lot: PanelLot, at: datetime) -> None:
        panels = [panel.id for panel in lot.panels]
        verb = lambda s, by: len(go_on_at_risk(s, by, panels, "logger file comes later"))  # noqa: E731
        self.hands.do(self.hands.with_duty("lead"), "go_on_at_risk", {"lot": lot.named.code}, at, verb, signed=True)

    def _planted_here(self, some: list[tuple[InOven, Story]], recipe: str) -> tuple[int | None, str]:
        """Once a cold shelf, and twice a file that comes late: at first, and on the last day."""
        if recipe.startswith("DIE") and "at risk now" in self.planted_left and self.ends - self.now < timedelta(hours=5):
            self.planted_left.discard("at risk now")
            return None, "at risk now"
        if self.loads >= 4 and "late logger file" in self.planted_left and recipe.startswith("DIE"):
            self.planted_left.discard("late logger file")
            return None, "late logger file"
        if self.loads >= 6 and "cold shelf" in self.planted_left and recipe.startswith("DIE"):
            whole = [n for n, (one, _) in enumerate(some) if len(one.lot.panels) == 24 and "wrong map" not in one.lot.planted]
            if whole:
                self.planted_left.discard("cold shelf")
                return whole[0], ""
        return None, ""

    def _file_comes(self, oven: Bench, name: str, data: bytes) -> Story:
        stated = Stated(zone="UTC", unit="C")
        kept, trace = read_logger_file(self.hands.house, name, data, stated)
        arguments = {"station": oven.code, "file": [kept.name, kept.digest]}
        verb = lambda s, by: len(import_logger_file(s, by, oven.id, kept, trace, stated))  # noqa: E731
        at = later(self.now, 5)
        yield at
        self.hands.do(self.hands.certified("ovens"), "import_logger_file", arguments, at, verb, source="file")

    def _cold_ones_stay(self, lot: PanelLot) -> Story:
        """Quality lets half of a lot from the cold shelf go, by concession after a test; the other half stays on hold, split off."""
        if "cold shelf" not in lot.planted:
            return
        lot.planted.discard("cold shelf")
        quality, going = self.hands.with_duty("quality"), lot.panels[:12]
        at = later(self.now, 60)
        yield at
        self._scrap_later(self._split(lot, lot.panels[12:], at), later(at, 60 * 20))

        def decide(s: Any, by: Any) -> int:
            lines = select(Hold).where(Hold.kind == "line", Hold.reason.startswith("The cure"), Hold.closed_e.is_(None))
            hold = s.scalars(lines.order_by(Hold.id.desc())).first()
            dispose(s, by, hold.subject, "concession", "shear test of six units passed")
            return int(hold.id)

        hold = self.hands.do(quality, "dispose", {"lot": lot.named.code, "what": "concession"}, at, decide, signed=True)
        self.release(hold, going, later(at, 2))
        lot.at = later(at, 5)

    def release(self, hold: int, items: list[Named], at: datetime) -> int:
        """A partial release: these items and what comes of them."""

        def verb(s: Any, by: Any) -> int:
            row = s.get_one(Hold, hold)
            freed = units_freed(s, row, items)
            release_hold(s, by, row, items, "concession", "tested and let go", units_freed=freed)
            return freed

        arguments = {"hold": hold, "items": [item.code for item in items]}
        return self.hands.do(self.hands.with_duty("quality"), "release_hold", arguments, at, verb, signed=True)

    # --- wire bond and inspection

    def _bond(self, lot: PanelLot, step: Step) -> Story:
        """Three bonders share a lot, each with a magazine of it."""
        size = min(8, len(lot.panels))
        groups = [lot.panels[i : i + size] for i in range(0, len(lot.panels), size)]
        benches = self._bonders(lot.wire)
        ends_of = []
        for group in groups:
            bench = self.hands.earliest("wire bond", lot.at, benches)
            starts = max(lot.at, bench.free_at)
            ends = later(starts, 4 + len(group) * CELLS / 3000 * 60)
            bench.free_at = later(ends, 5)
            ends_of.append(ends)
            drifts = "drifted bonder" in lot.planted and group is groups[-1]
            self.begin(self._bond_group(lot, step, bench, group, starts, ends, drifts), starts)
        lot.at = later(max(ends_of), 10)
        yield lot.at
        if "drifted bonder" in lot.planted:
            self._scrap_later(self._split(lot, groups[-1], lot.at), later(lot.at, 60 * 20))  # until then they stay on hold

    def _bonders(self, wire: str) -> list[Bench]:
        benches = self.hands.benches_for("wire bond")
        gold = len(benches) * 2 // 3
        return benches[:gold] if "AU" in wire else benches[gold:]

    def _bond_group(self, lot: PanelLot, step: Step, bench: Bench, panels: list[Named], starts: datetime, ends: datetime, drifts: bool) -> Story:
        yield starts
        units = len(panels) * CELLS
        there = bench.on.get("wire")
        left = there.left if there and there.part == lot.wire else 0
        changes = 400 < left < units
        if changes and there:
            first, there.left = there, 0
        else:
            first = self.supplies.ready(bench, lot.wire, units, starts, ends)
        run = self._start(lot, step, bench, later(starts, 1), panels)
        codes = [panel.code for panel in panels]
        self.bonded[bench.name].append(run.code)
        if changes:
            yield from self._spool_gives_out(lot, bench, run, panels, first, left, starts, ends)
        else:
            self._touched(run, codes, [first.named.code])
        yield ends
        pull = 2.4 if drifts else float(round(self.rng.normal(6.2, 0.5), 2))
        if drifts:
            self.truth.faults["bonder that drifted"] = run.code
            self.drifted = bench
        self._finish(step, run, ends, {"pull": pull, "shear": float(round(self.rng.normal(19, 1), 2))})

    def _spool_gives_out(
        self, lot: PanelLot, bench: Bench, run: Named, panels: list[Named], first: Material, left: int, starts: datetime, ends: datetime
    ) -> Story:
        """In mid-run, in the middle of a panel. People say much, something or nothing about which panels were done."""
        units = len(panels) * CELLS
        at = starts + (ends - starts) * (left / units)
        yield at
        n, cell = divmod(left, CELLS)
        fresh = self.supplies.batch(lot.wire, at)
        said = int(self.rng.integers(0, 3))
        done, rest = panels[:n], panels[n:]
        words = Said(
            [panel.id for panel in done] if said else None,
            [rest[0].id] if said == 2 else None,
        )
        self.supplies.change(bench, "wire", fresh.named, at, words)
        fresh.left -= units - left
        bench.on["wire"] = fresh
        old, new = first.named.code, fresh.named.code
        self.truth.touched(run.code, [panel.code for panel in done], [old])
        if cell:
            self.truth.touched(run.code, [rest[0].code], [old], 0, cell - 1)
        self.truth.touched(run.code, [rest[0].code], [new], cell, CELLS - 1)
        self.truth.touched(run.code, [panel.code for panel in rest[1:]], [new])
        for i, panel in enumerate(panels):
            if said and i < n:
                could = {old}
            elif said == 2 and i > n:
                could = {new}
            else:
                could = {old, new}
            self.panel_reach[panel.code].runs.add(run.code)
            self.panel_reach[panel.code].batches |= could
            if len(could) > 1:
                self.truth.changed.append(panel.code)

    def _look(self, lot: PanelLot, step: Step) -> Story:
        """Cells with a fault are marked; now and then a panel is scrapped, and units go to the pull test."""
        bench = self.hands.earliest("inspect", lot.at)
        starts = max(lot.at, bench.free_at)
        ends = later(starts, 12)
        bench.free_at = later(ends, 2)
        yield starts
        run = self._start(lot, step, bench, starts)
        self._touched(run, lot.codes, [])
        yield ends
        who = self.hands.certified(step.certificate)
        bad: dict[int, list[int]] = {}
        for panel in lot.panels:
            units = self.truth.units_of_panel(panel.code)
            alive = np.flatnonzero(self.truth.alive[units])
            some = alive[self.rng.random(len(alive)) < 0.002]
            if len(some):
                bad[panel.id] = some.tolist()
                self.truth.alive[units[some]] = False
        reason = MARKS[int(self.rng.integers(0, len(MARKS)))]

        def mark(s: Any, by: Any) -> int:
            by_panel = {panel: [(c // COLUMNS + 1, c % COLUMNS + 1) for c in cells] for panel, cells in bad.items()}
            return len(mark_panels(s, by, by_panel, reason, run.id))

        arguments = {"run": run.code, "reason": reason, "cells": sum(len(cells) for cells in bad.values())}
        if bad:
            self.hands.do(who, "mark_cells", arguments, ends, mark)
        self._finish(step, run, ends)
        if step.barrier is False and self.rng.random() < 0.4:
            self._sample(lot, lot.panels[0], later(ends, 1))
        if step.barrier and self.rng.random() < 0.15 and len(lot.panels) > 3:
            bent, at = lot.panels[-1], later(ends, 2)
            self.hands.do(who, "scrap", {"panel": bent.code}, at, lambda s, by: scrap_panel(s, by, bent.id, "bent frame").n)
            self.truth.alive[self.truth.units_of_panel(bent.code)] = False
        lot.at = later(ends, 5)

    def _sample(self, lot: PanelLot, panel: Named, at: datetime) -> None:
        units = self.truth.units_of_panel(panel.code)
        some = np.flatnonzero(self.truth.alive[units])[:3]
        cells = [(int(c) // COLUMNS + 1, int(c) % COLUMNS + 1) for c in some]

        def take(s: Any, by: Any) -> str:
            return code_of(s, "sample", sample_cells(s, by, panel.id, cells, "pull test", kept=False).item)

        code = self.hands.do(self.hands.certified("inspection"), "take_sample", {"panel": panel.code, "cells": len(cells)}, at, take)
        self.truth.alive[units[some]] = False
        self.truth.into(code, units[some])

    # --- from panels to loose units

    def _to_loose(self, lot: PanelLot, steps: list[Step]) -> Story:
        parting, *cleaning = steps
        bench = self.hands.earliest(parting.operation, lot.at)
        outside = parting.operation == "outside work"
        starts = lot.at if outside else max(lot.at, bench.free_at)
        ends = later(starts, 1200 if outside else 30)
        bench.free_at = bench.free_at if outside else later(ends, 2)
        yield starts
        if outside:
            who = self.hands.certified(None)
            verb = lambda s, by: str(move_item(s, by, lot.named.id, "outside", bench.name))  # noqa: E731
            self.hands.do(who, "move_item", {"lot": lot.named.code, "to": bench.name}, starts, verb)
        run = self._start(lot, parting, bench, later(starts, 1))
        living = {code: self.truth.units_of_panel(code)[self.truth.alive[self.truth.units_of_panel(code)]] for code in lot.codes}
        self._touched(run, [code for code, units in living.items() if len(units)], [])
        yield ends
        units = np.concatenate(list(living.values()))
        counted = len(units) + round(float(self.rng.normal(0, 6)))
        who = self.hands.certified(parting.certificate)

        def part(s: Any, by: Any) -> Named:
            item = singulate(s, by, self.hands.run_of(s, run), person=who.id, counted=(counted, "weight", 15.0)).item
            return Named("lot", item, code_of(s, "lot", item))

        named = self.hands.do(who, "singulate", {"run": run.code, "counted": counted}, ends, part)
        if outside:
            back = lambda s, by: str(move_item(s, by, named.id, "floor"))  # noqa: E731
            self.hands.do(who, "move_item", {"lot": named.code, "to": "floor"}, ends, back)
        reach = Reach()
        for code, some in living.items():
            if len(some):
                reach.take(self.panel_reach[code])
                reach.wafers |= {self.truth.wafers.codes[n] for n in np.unique(self.truth.wafer[:, some]).tolist() if n >= 0}
        self.truth.into(named.code, units)
        loose = Loose(named, units, reach, later(ends, 5))
        for step in cleaning:
            yield from self.clean(loose, step)
        self.done_lots += 1
        lot.family.ready.append(loose)
        yield from self._campaign_may_begin(lot.family)

    def clean(self, loose: Loose, step: Step) -> Story:
        benches = self.hands.benches_for("clean")
        bench = benches[0] if step.key == "sieve" else benches[-1]
        starts = max(loose.at, bench.free_at)
        ends = later(starts, 15)
        bench.free_at = later(ends, 1)
        yield starts
        who = self.hands.certified(step.certificate)

        def start(s: Any, by: Any) -> Named:
            run = start_run(s, by, bench.id, [loose.named], person=who.id).run.id
            return Named("run", run, code_of(s, "run", run))

        run = self.hands.do(who, "start_run", {"station": bench.code, "things": [loose.named.code]}, starts, start)
        loose.reach.runs.add(run.code)
        self.truth.worked(run.code, loose.units)
        yield ends
        self._finish(step, run, ends, weighed=self._weighed(len(loose.units)) if step.count == "weight" else None)
        loose.at = later(ends, 3)

    def _weighed(self, units: int) -> dict[str, float]:
        """What the scale shows for a jar of so many, for the empty jar, and for some counted pieces."""
        noise, share = self.rng.normal(0, U_SCALE_G / 2), self.rng.normal(0, U_PIECE_SHARE / 2)
        full, pieces = JAR_G + units * PIECE_G + noise, PIECES * PIECE_G * (1 + share)
        return {FULL: round(float(full), 2), EMPTY: JAR_G, PIECES_G: round(float(pieces), 4)}

    def _campaign_may_begin(self, family: Campaign) -> Story:
        if family.ready and len(family.ready) >= family.lots:
            ready = family.ready
            family.ready = []
            at = max(later(max(one.at for one in ready), 10), family.test_at or self.now)
            self.begin(self.test(Campaign(family.product, family.order, len(ready), ready=ready)), at)
        yield self.now
