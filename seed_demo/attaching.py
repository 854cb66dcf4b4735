"""Die attach on the invented floor: wafers on stations, dies onto cells, change-overs in mid-run, and a night with an expired syringe."""

from datetime import datetime, timedelta

import numpy as np

from app.catalogue.definitions import Step
from app.floor.ends import Said
from app.floor.mounts import mount
from app.floor.placements import import_placements, read_log
from app.naming.resolve import Named
from seed_demo.files import LOG_HEAD, placement_lines
from seed_demo.floor import Floor, PanelLot, Story
from seed_demo.hands import Bench, Material, later
from seed_demo.supplies import WaferInUse
from seed_demo.truth import CELLS, COLUMNS, ROLES


class Attaching:
    def __init__(self, floor: Floor) -> None:
        self.floor, self.hands, self.supplies, self.truth = floor, floor.hands, floor.supplies, floor.truth
        self._wafers: dict[str, WaferInUse] = {}  # station name -> what is on it

    def attach(self, lot: PanelLot, step: Step) -> Story:
        if "expired syringe" in lot.planted and step.role == "green":
            yield from self._with_expired_syringe(lot, step)
        benches = [one for i, one in enumerate(self.hands.benches_for("die attach")) if i // 2 == ROLES.index(step.role or "red")]
        groups = [lot.panels[:12], lot.panels[12:]] if len(lot.panels) > 12 and self.floor.rng.random() < 0.2 else [lot.panels]
        ends_of = []
        for group in groups:
            bench = self.hands.earliest("die attach", lot.at, benches)
            starts = max(lot.at, bench.free_at)
            ends = later(starts, 4 + len(group) * CELLS / 40_000 * 60)
            bench.free_at = later(ends, 4)
            ends_of.append(ends)
            story = self._attach_group(lot, step, bench, group, starts, ends)
            self.floor.begin(story, starts)
        lot.at = later(max(ends_of), 10)
        yield lot.at
        if "wrong map" in lot.planted and step.role == "red":
            lot.planted.add("stays")
            self.floor.scrap_later(lot, later(lot.at, 60 * 20))

    def _attach_group(self, lot: PanelLot, step: Step, bench: Bench, panels: list[Named], starts: datetime, ends: datetime) -> Story:
        yield starts
        role, units = step.role or "red", len(panels) * CELLS
        wrong = "wrong map" in lot.planted and role == "red"
        used = [self.supplies.ready(bench, need.part, units, starts, ends) for need in step.needs if need.part]
        if bench.name not in self._wafers or wrong or self._wafers[bench.name].left < 100:
            self.new_wafer(bench, role, starts, wrong_edge=wrong)
        run = self.floor.start(lot, step, bench, later(starts, 1), panels)
        self.floor.touched(run, [panel.code for panel in panels], [one.named.code for one in used])
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
        self.floor.finish(step, run, ends)
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
        lost = self.floor.rng.random(picks) < 0.0005
        kept = np.flatnonzero(~lost)[: units - done]
        picks = int(kept[-1]) + 1 if len(kept) else picks
        x, y = wafer.take(picks)
        cell = np.full(picks, -1, dtype=np.int64)
        cell[kept] = np.arange(done, done + len(kept))
        unit = np.concatenate([self.truth.units_of_panel(panel.code) for panel in panels])[done : done + len(kept)]
        self.truth.wafer[r, unit] = self.truth.wafers.of(wafer.named.code)
        self.truth.die_x[r, unit], self.truth.die_y[r, unit] = x[kept], y[kept]
        if wafer.nm is not None:
            self.truth.green_nm[unit] = wafer.nm[y[kept], x[kept]]
        seconds = (ends - starts).total_seconds()
        begins = starts + timedelta(seconds=60 + (seconds - 90) * done / units)
        codes = [panels[c // CELLS].code if c >= 0 else "" for c in cell.tolist()]
        length = (seconds - 90) * len(kept) / units
        text = placement_lines(begins, length, [wafer.named.code] * picks, x, y, codes, np.where(cell < 0, -1, cell % CELLS), COLUMNS)
        return text, done + len(kept)

    def new_wafer(self, bench: Bench, role: str, at: datetime, *, wrong_edge: bool = False) -> None:
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
        part = self.floor.split(lot, some, lot.at)
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
            self.new_wafer(bench, step.role or "green", starts)
        lead, told = self.hands.with_duty("lead"), later(starts, 1)
        self.hands.do(
            lead, "mount", {"station": bench.code, "item": old.named.code, "paper": True}, starts,
            lambda s, by: mount(s, by, bench.id, old.named.id), fact=True,
        )  # fmt: skip
        bench.on["adhesive"] = old
        run = self.floor.start(part, step, bench, told, fact=True)
        self.floor.touched(run, part.codes, [old.named.code])
        text, _ = self._place(bench, part.panels, starts, ends, step.role or "green", 0)
        yield ends
        self.floor.finish(step, run, ends)
        kept, log = read_log(self.hands.house, f"night-{ends:%m%d%H%M}.csv", (LOG_HEAD + "\n" + text).encode())
        self.supplies.off(bench, "adhesive", later(ends, 1))
        yield later(ends, 60)
        self.hands.do(
            lead, "import_placements", {"station": bench.code, "file": [kept.name, kept.digest]}, later(ends, 60),
            lambda s, by: import_placements(s, by, bench.id, kept, log).as_json(), source="file",
        )  # fmt: skip
        lot.at = later(ends, 61)
        self.floor.scrap_later(part, later(ends, 60 * 20))
