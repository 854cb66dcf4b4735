"""The acts of a history. Each looks whether it is lawful now, does it, and says whether it did anything."""

from dataclasses import replace

from tests.oracle.actions import Group
from tests.oracle.player import Player
from tests.oracle.stops import in_force
from tests.oracle.things import Bag, Panel, Run, Unit

CELL_ACTS = (
    ("advance", 10), ("end_run", 6), ("change_over", 8), ("import_log", 3), ("mark", 2), ("split_lot", 2), ("merge_lots", 2),
    ("sample_cells", 2), ("take_back_mark", 1), ("scrap_on_panel", 1), ("fill_container", 1), ("void", 1), ("hold", 2), ("release", 2),
)  # fmt: skip
LOOSE_ACTS = (
    ("work_loose", 8), ("split_loose", 3), ("merge_loose", 4), ("leftover", 3), ("scrap_loose", 1), ("sample_loose", 2),
    ("sign_difference", 1), ("fill_container", 1), ("retest", 1), ("import_log", 1), ("fill", 2), ("hold", 1), ("release", 1),
    ("weigh_out", 6), ("weigh_scrap", 2),
)  # fmt: skip
PACK_ACTS = (
    ("fill", 8), ("fill_more", 4), ("close", 3), ("cut", 4), ("re_reel", 4), ("join", 3), ("off_tape", 2), ("sample_pockets", 1),
    ("dry_pack", 4), ("ship", 5), ("take_back", 5), ("work_loose", 2), ("merge_loose", 2), ("split_loose", 1), ("import_log", 1),
    ("hold", 4), ("release", 4), ("weigh_out", 4), ("weigh_scrap", 1),
)  # fmt: skip
CUSTOMERS = ("customer:1", "customer:2")
UNCERTAINTIES = (0.5, 1.0)  # of a scale, in units
CONTAINERS = ("container:1", "container:2", "container:3")


class CellActs(Player):
    def advance(self, whole: bool = False) -> bool:
        """Starts the next step of some panels; now and then of several lots. `whole`: of all that can, and ends it."""
        ready = self.ready_panels()
        if self.setting.judged_logs:
            ready = [panel for panel in ready if not self._lacks_log(panel)]
        if not ready:
            return False
        first = ready[0] if whole else self.pick(ready)
        step = self.factory.step(self.factory.next_step(first) or "")
        station = self.station(step.operation)
        if station is None:
            return False
        run = self.factory.start_run(station, *self._what(first, ready, whole))
        if step.operation == "singulate":
            self.factory.singulate(run)
        elif whole or self.rarely(4):
            self._finish(self.factory.runs[run])
        return True

    def end_run(self) -> bool:
        runs = [run for run in self.open_runs() if run.is_over_panels]
        if not runs:
            return False
        run = self.pick(runs)
        if run.operation == "cure":
            if self.may("abort") and self.rarely(3):
                self.factory.abort_run(run.name)
                return True
        elif self.may("interrupt") and self.rarely(3):
            if self.may("abort_elsewhere") and self.rarely(6):
                self.factory.abort_run(run.name)
            else:
                self.factory.interrupt_run(run.name, *self._said(run))
            self._log_at_once(run)
            return True
        self._finish(run)
        return True

    def change_over(self) -> bool:
        runs = [run for run in self.open_runs() if run.is_over_panels and run.operation != "cure" and run.lines[-1].uses]
        if not runs:
            return False
        run = self.pick(runs)
        off = self.pick(run.lines[-1].uses)
        cells = sum(len(panel.units) for line in run.lines if line.is_open for panel in line.panels)
        if off in self.factory.wafers:
            on = self.wafer(self.factory.wafers[off].role, cells, other_than=off)
        else:
            on = self.batch(self.factory.batches[off].kind, other_than=run.lines[-1].uses)
        self.factory.change_over(run.name, off, on, *self._said(run))
        return True

    def import_log(self) -> bool:
        runs = [run for run in self.factory.runs.values() if run.operation == "die attach" and run.ended and not run.log_is_whole and not run.void]
        if not runs:
            return False
        self._import(self.pick(runs), whole=False)
        return True

    def mark(self) -> bool:
        panels = [panel for panel in self.idle_panels() if self._there(panel)]
        if not panels:
            return False
        panel = self.pick(panels)
        self.factory.mark_cells(panel.name, [unit.cell for unit in self.some(self._there(panel))][: self.between(1, 3)])
        return True

    def take_back_mark(self) -> bool:
        marks = [mark for mark in self.factory.marks.values() if self.factory.may_take_back(mark)]
        if not marks:
            return False
        self.factory.take_back_mark(self.pick(marks).name)
        return True

    def sample_cells(self) -> bool:
        panels = [panel for panel in self.idle_panels() if len(self._there(panel)) > 1]
        if not panels:
            return False
        panel = self.pick(panels)
        cells = [unit.cell for unit in self.some(self._there(panel))][: self.between(1, 2)]
        self.factory.sample_cells(panel.name, cells, kept=not self.rarely(2))
        return True

    def scrap_on_panel(self) -> bool:
        panels = [panel for panel in self.idle_panels() if len(self._there(panel)) > 1 and self.factory.may_lose_units(panel)]
        if not panels:
            return False
        self.factory.scrap_units(self.pick(panels).name, 1)
        return True

    def split_lot(self) -> bool:
        lots: dict[str, list[Panel]] = {}
        for panel in self.idle_panels():
            lots.setdefault(panel.lot or "", []).append(panel)
        able = [lot for lot, panels in lots.items() if len(self.factory.panels_of(lot)) > 1 and panels]
        if not able:
            return False
        lot = self.pick(able)
        leave = self.some(lots[lot])[: len(self.factory.panels_of(lot)) - 1]
        self.factory.split_lot(lot, [panel.name for panel in leave])
        return True

    def merge_lots(self) -> bool:
        stand: dict[object, list[str]] = {}
        for lot in self.factory.lots:
            panels = self.factory.panels_of(lot)
            stands = {(self.factory.next_step(panel), self.factory.is_open(panel)) for panel in panels}
            if len(stands) == 1 and not any(panel.busy for panel in panels):
                stand.setdefault(stands.pop(), []).append(lot)
        able = [lots for lots in stand.values() if len(lots) > 1]
        if not able:
            return False
        lots = self.pick(able)
        if not self.held_alike([panel.name for lot in lots for panel in self.factory.panels_of(lot)]):
            return False
        self.factory.merge_lots(lots[0], self.some(lots[1:]))
        return True

    def fill_container(self) -> bool:
        empty = [name for name in CONTAINERS if not self.factory.containers.get(name)]
        panels = [panel.name for panel in self.idle_panels()]
        loose = [bag.name for bag in self.idle_loose()]
        if not empty or not (panels or loose):
            return False
        if loose and (not panels or self.rarely(2)):
            self.factory.put_in_container(empty[0], loose=self.pick(loose))
        else:
            self.factory.put_in_container(empty[0], panels=self.some(panels))
        return True

    def void(self) -> bool:
        runs = [run for run in self.factory.runs.values() if run.operation != "singulate" and self.factory.may_be_void(run)]
        if not runs:
            return False
        self.factory.void_run(self.pick(runs).name)
        return True

    def _what(self, first: Panel, ready: list[Panel], whole: bool) -> tuple[list[Group], list[str]]:
        """Groups and material of a start: some panels of one lot, or of several; an oven takes any cures, shelf by shelf."""
        step = self.factory.step(self.factory.next_step(first) or "")
        alike = [panel for panel in ready if self.factory.next_step(panel) == step.key]
        mine = [panel for panel in alike if panel.lot == first.lot]
        panels = mine if whole else self.some(mine)
        if step.operation == "cure":
            cures = [panel for panel in ready if self.factory.step(self.factory.next_step(panel) or "").operation == "cure"]
            panels = panels + [panel for panel in cures if panel not in mine] if self.rarely(3) else panels
            return [replace(group, shelf=self.pick(self.setting.shelves)) for group in self.groups_of(panels)], []
        if self.rarely(5):
            panels = panels + [panel for panel in alike if panel not in mine]
        cells = sum(len(panel.units) for panel in panels)
        return self.groups_of(panels), self.material(step, cells)

    def _finish(self, run: Run) -> None:
        self.factory.finish_run(run.name)
        self._log_at_once(run)

    def _log_at_once(self, run: Run) -> None:
        if self.setting.judged_logs and run.operation == "die attach":
            self._import(run, whole=True)

    def _import(self, run: Run, *, whole: bool) -> None:
        """Its log at once, or in two files; now and then wrong at first, while all of it is on the panels."""
        rows = len(self.factory._placed_in(run)) - len(run.log or {})
        first = None
        if rows > 1 and self.may("log_in_parts") and self.rarely(3):
            first = self.between(1, rows - 1)
        panels = [panel for line in run.lines for panel in line.panels]
        if (first or rows) > 1 and self.may("wrong_log") and self.rarely(4) and not any(panel.exits or panel.busy for panel in panels):
            self.factory.import_placements(run.name, first, is_wrong=True)
            self.factory.import_placements(run.name, first, corrects=True)
        else:
            self.factory.import_placements(run.name, first)
        if whole and first is not None:
            self.factory.import_placements(run.name)

    def _said(self, run: Run) -> tuple[list[str] | None, list[str] | None]:
        """What is said of done and in work: nothing, both, one of them."""
        panels = [panel.name for line in run.lines if line.is_open for panel in line.panels]
        done = panels[: self.choices.below(len(panels))]
        in_work = panels[len(done) : len(done) + self.choices.below(2)]
        return self.pick([(None, None), (done, in_work), (done, None), (None, in_work)])

    def _lacks_log(self, panel: Panel) -> bool:
        lines = [line for work in panel.works for line in work.lines if self.factory.step(work.step).role]
        return any(line.run.ended and not line.run.log_is_whole for line in lines)

    def _there(self, panel: Panel) -> list[Unit]:
        """Good cells whose unit is really there."""
        return [unit for unit in panel.good_cells() if unit.there]


class LooseActs(CellActs):
    def work_loose(self) -> bool:
        """The next step of a loose lot, ended at once."""
        tape = self.factory.step_of("tape").key
        bags = [bag for bag in self.idle_loose() if bag.next_step not in (None, tape) and self.is_free(bag.name)]
        return self._work(self.pick(bags), repeat=False) if bags else False

    def retest(self) -> bool:
        """Units of a bin, or what stayed in the machine, are tested again."""
        tape = self.factory.step_of("tape").key
        bags = [bag for bag in self.idle_loose() if bag.next_step == tape and self.is_free(bag.name)]
        return self._work(self.pick(bags), repeat=True) if bags else False

    def split_loose(self) -> bool:
        bags = [bag for bag in self.idle_loose() if _whole(bag) > 1]
        if not bags:
            return False
        bag = self.pick(bags)
        self.factory.split_loose(bag.name, self.between(1, _whole(bag) - 1))
        return True

    def weigh_out(self) -> bool:
        bags = [bag for bag in self.idle_loose() if _whole(bag) > 3]
        if not bags or self._weighed() >= self.profile.weighings:
            return False
        bag = self.pick(bags)
        self.factory.split_loose(bag.name, self.between(2, _whole(bag) - 1), self.pick(UNCERTAINTIES))
        return True

    def weigh_scrap(self) -> bool:
        bags = [bag for bag in self.idle_loose() if _whole(bag) > 3]
        if not bags or self._weighed() >= self.profile.weighings:
            return False
        self.factory.scrap_units(self.pick(bags).name, self.between(1, 2), self.pick(UNCERTAINTIES))
        return True

    def _weighed(self) -> int:
        return sum(node.spare > 0 for node in self.factory.nodes)

    def merge_loose(self) -> bool:
        alike: dict[object, list[Bag]] = {}
        for bag in self.idle_loose():
            if not self._is_leftover(bag) and self.factory.is_within(bag):
                alike.setdefault((bag.next_step, bag.bin, bag.grade), []).append(bag)
        able = [bags for bags in alike.values() if len(bags) > 1]
        if not able:
            return False
        bags = self.pick(able)
        into = self.pick(bags)
        others = self.some([bag.name for bag in bags if bag is not into])[:2]
        if not self.held_alike([into.name, *others]):
            return False
        self.factory.merge_loose(into.name, others)
        return True

    def leftover(self) -> bool:
        """What stayed in the machine joins the next lot before its test."""
        rest = [bag for bag in self.idle_loose() if self._is_leftover(bag)]
        test = self.factory.step_of("test").key
        nexts = [bag for bag in self.idle_loose() if bag.next_step == test and bag.bin is None]
        if not rest or not nexts:
            return False
        bag, into = self.pick(rest), self.pick(nexts)
        if not (self.factory.is_within(bag) and self.factory.is_within(into)):
            return False
        if not self.held_alike([bag.name, into.name]):
            return False
        self.factory.merge_loose(into.name, [bag.name], leftover=True)
        return True

    def scrap_loose(self) -> bool:
        bags = [bag for bag in self.idle_loose() if _whole(bag) > 2]
        if not bags:
            return False
        self.factory.scrap_units(self.pick(bags).name, self.between(1, 2))
        return True

    def sample_loose(self) -> bool:
        bags = [bag for bag in self.idle_loose() if _whole(bag) > 2]
        if not bags:
            return False
        self.factory.sample_units(self.pick(bags).name, self.between(1, 2), kept=not self.rarely(2))
        return True

    def sign_difference(self) -> bool:
        bags = [bag for bag in self.idle_loose() if _whole(bag) > 2 and bag.n - len(bag.units) + 1 > bag.spare]
        if not bags:
            return False
        self.factory.sign_difference(self.pick(bags).name, self.between(1, 2))
        return True

    def _work(self, bag: Bag, repeat: bool) -> bool:
        step = self.factory.step_of("test") if repeat else self.factory.step(bag.next_step or "")
        station = self.station(step.operation)
        if station is None:
            return False
        n = len(bag.units)
        if not self.factory.is_within(bag):  # for nobody but quality
            return False
        run = self.factory.start_run(station, [Group(step.key, loose=bag.name)], self.material(step, 0), repeat)
        if step.operation == "test":
            stays = self.may("leftover") and not repeat and n > 3 and self.rarely(3)
            self.factory.take_bins_out(run, self.between(1, 2) if stays else 0)
        else:
            self.factory.finish_run(run)
        return True

    def _is_leftover(self, bag: Bag) -> bool:
        return bag.bin is None and bag.next_step == self.factory.step_of("tape").key


class PackActs(LooseActs):
    def fill(self) -> bool:
        parts = self._parts(self.setting.pack_size)
        station = self.station("tape")
        if not parts or station is None:
            return False
        self.factory.fill_pack(station, parts, self.material(self.factory.step_of("tape"), 0), close=not self.rarely(3))
        return True

    def fill_more(self) -> bool:
        packs = [pack for pack in self.factory.packs.values() if not pack.closed and len(pack.slots) < pack.size and self.is_free(pack.name)]
        if not packs:
            return False
        pack = self.pick(packs)
        parts = self._parts(pack.size - len(pack.slots), (pack.bin, pack.grade))
        if not parts:
            return False
        self.factory.fill_more(pack.name, parts)
        return True

    def close(self) -> bool:
        packs = [pack.name for pack in self.factory.packs.values() if not pack.closed]
        if not packs:
            return False
        self.factory.close_pack(self.pick(packs))
        return True

    def cut(self) -> bool:
        packs = [pack for pack in self.packs_here() if len(pack.slots) > 1]
        if not packs:
            return False
        pack = self.pick(packs)
        self.factory.cut_pack(pack.name, self.between(1, len(pack.slots) - 1))
        return True

    def re_reel(self) -> bool:
        packs = self.packs_here()
        if not packs:
            return False
        self.factory.re_reel(self.pick(packs).name)
        return True

    def join(self) -> bool:
        alike: dict[object, list[str]] = {}
        for pack in self.packs_here():
            if len(pack.slots) < pack.size:
                alike.setdefault((pack.bin, pack.grade), []).append(pack.name)
        able = [packs for packs in alike.values() if len(packs) > 1]
        if not able:
            return False
        packs = self.some(self.pick(able), least=2)[:3]
        if not self.held_alike(packs) or not self.factory.fit_in_one(packs):
            return False
        self.factory.join_packs(packs)
        return True

    def off_tape(self) -> bool:
        packs = self.packs_here()
        if not packs:
            return False
        pack = self.pick(packs)
        first = self.between(1, len(pack.slots))
        self.factory.take_off_tape(pack.name, first, self.between(first, len(pack.slots)))
        return True

    def sample_pockets(self) -> bool:
        packs = [pack for pack in self.packs_here() if len(pack.slots) > 2]
        if not packs:
            return False
        pack = self.pick(packs)
        first = self.between(1, len(pack.slots) - 1)
        self.factory.sample_pockets(pack.name, first, first + self.choices.below(2), kept=not self.rarely(2))
        return True

    def dry_pack(self) -> bool:
        if not any(step.operation == "dry pack" for step in self.setting.route):
            return False
        packs = [pack.name for pack in self.packs_here() if (not pack.sealed or pack.given_out) and self.is_free(pack.name)]
        station = self.station("dry pack")
        if not packs or station is None:
            return False
        self.factory.dry_pack(station, self.pick(packs), self.material(self.factory.step_of("dry pack"), 0))
        return True

    def ship(self) -> bool:
        dry = any(step.operation == "dry pack" for step in self.setting.route)
        packs = [pack.name for pack in self.packs_here() if (pack.sealed or not dry) and self.is_free(pack.name)]
        if not packs:
            return False
        self.factory.ship(self.some(packs), self.pick(CUSTOMERS))
        return True

    def take_back(self) -> bool:
        packs = [pack for pack in self.factory.packs.values() if pack.place in CUSTOMERS and pack.slots]
        if not packs:
            return False
        pack = self.pick(packs)
        part = self.between(1, len(pack.slots))
        self.factory.take_back(pack.name, None if part == len(pack.slots) or self.rarely(4) else part)
        return True

    def _parts(self, room: int, like: tuple[str | None, str | None] | None = None) -> list[tuple[str, int]]:
        """Units of one or more loose lots of one bin, to fill a pack with."""
        tape = self.factory.step_of("tape").key
        bags = [bag for bag in self.idle_loose() if bag.next_step == tape and bag.bin and bag.grade != "reject" and self.is_free(bag.name)]
        bags = [bag for bag in bags if like in (None, (bag.bin, bag.grade)) and bag.there > 0]
        if not bags:
            return []
        first = self.pick(bags)
        parts: list[tuple[str, int]] = []
        for bag in [first, *(bag for bag in bags if bag is not first and (bag.bin, bag.grade) == (first.bin, first.grade))][:3]:
            if room:
                most = min(room, bag.there)
                n = most - (self.choices.below(most) if self.rarely(2) else 0)
                parts.append((bag.name, n))
                room -= n
        return parts


def _whole(bag: Bag) -> int:
    """How many units are in a loose lot, really and by the record."""
    return min(bag.n, len(bag.units))


class Acts(PackActs):
    def hold(self) -> bool:
        if len(in_force(self.factory)) >= self.profile.holds:
            return False
        subjects = [kind for kind in self._subjects() if kind]
        if not subjects:
            return False
        subject = self.pick(self.pick(subjects))
        if subject.startswith("span:"):
            at = self.between(1, self.factory.now) - 0.5
            self.factory.place_hold(subject.removeprefix("span:"), (at, None if self.rarely(3) else at + self.between(1, 12)))
        else:
            self.factory.place_hold(subject)
        return True

    def release(self) -> bool:
        holds = in_force(self.factory)
        if not holds:
            return False
        hold = self.pick(holds)
        held = [thing for thing in self._releasable() if hold.name in self.factory.stopped(thing).surely]
        if not held or (hold.subject.startswith("station:") and hold.span is None) or self.rarely(3):
            self.factory.release_hold(hold.name)
        else:
            self.factory.release_hold(hold.name, list(dict.fromkeys([self.pick(held), self.pick(held)])))
        return True

    def _subjects(self) -> list[list[str]]:
        f = self.factory
        stations = [f"station:{name}" for name, _ in self.setting.stations]
        runs = [run for run in f.runs.values() if not run.void]
        lots = [lot for lot in f.lots if any(panel.good_units() for panel in f.panels_of(lot))]  # a panel without goes with the last that has some
        return [
            list(f.wafers), [run.name for run in runs], [line.name for run in runs for line in run.lines], list(f.batches),
            [panel.name for panel in f.panels.values() if panel.lot], lots,
            [bag.name for bag in f.loose.values()], list(f.packs), [name for name, content in f.containers.items() if content],
            [f"span:{name}" for name in stations], list(f.samples), stations,
        ]  # fmt: skip

    def _releasable(self) -> list[str]:
        f = self.factory
        lots = [lot for lot in f.lots if f.panels_of(lot)]
        full = [name for name, content in f.containers.items() if content]
        panels = [panel.name for panel in f.panels.values() if panel.lot]
        now = [*panels, *(bag.name for bag in f.loose.values() if bag.n), *(pack.name for pack in f.packs.values() if pack.slots)]
        return [*now, *lots, *(name for name in full if all(thing in f.panels or thing in f.loose for thing in f.containers[name]))]
