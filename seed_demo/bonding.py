"""Wire bond on the invented floor: three bonders share a lot, spools give out in mid-panel, and one bonder drifts."""

from collections import defaultdict
from datetime import datetime

from app.catalogue.definitions import Step
from app.floor.ends import Said
from app.naming.resolve import Named
from seed_demo.floor import Floor, PanelLot, Story
from seed_demo.hands import Bench, Material, later
from seed_demo.truth import CELLS


class Bonding:
    def __init__(self, floor: Floor) -> None:
        self.floor, self.hands, self.truth = floor, floor.hands, floor.truth
        self.drifted: Bench | None = None
        self.bonded: defaultdict[str, list[str]] = defaultdict(list)  # bonder -> its runs, in order

    def bond(self, lot: PanelLot, step: Step) -> Story:
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
            self.floor.begin(self._bond_group(lot, step, bench, group, starts, ends, drifts), starts)
        lot.at = later(max(ends_of), 10)
        yield lot.at
        if "drifted bonder" in lot.planted:
            self.floor.scrap_later(self.floor.split(lot, groups[-1], lot.at), later(lot.at, 60 * 20))  # until then they stay on hold

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
            first = self.floor.supplies.ready(bench, lot.wire, units, starts, ends)
        run = self.floor.start(lot, step, bench, later(starts, 1), panels)
        codes = [panel.code for panel in panels]
        self.bonded[bench.name].append(run.code)
        if changes:
            yield from self._spool_gives_out(lot, bench, run, panels, first, left, starts, ends)
        else:
            self.floor.touched(run, codes, [first.named.code])
        yield ends
        pull = 2.4 if drifts else float(round(self.floor.rng.normal(6.2, 0.5), 2))
        if drifts:
            self.truth.faults["bonder that drifted"] = run.code
            self.drifted = bench
        self.floor.finish(step, run, ends, {"pull": pull, "shear": float(round(self.floor.rng.normal(19, 1), 2))})

    def _spool_gives_out(
        self, lot: PanelLot, bench: Bench, run: Named, panels: list[Named], first: Material, left: int, starts: datetime, ends: datetime
    ) -> Story:
        """In mid-run, in the middle of a panel. People say much, something or nothing about which panels were done."""
        units = len(panels) * CELLS
        at = starts + (ends - starts) * (left / units)
        yield at
        n, cell = divmod(left, CELLS)
        fresh = self.floor.supplies.batch(lot.wire, at)
        said = int(self.floor.rng.integers(0, 3))
        done, rest = panels[:n], panels[n:]
        words = Said(
            [panel.id for panel in done] if said else None,
            [rest[0].id] if said == 2 else None,
        )
        self.floor.supplies.change(bench, "wire", fresh.named, at, words)
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
            self.floor.panel_reach[panel.code].runs.add(run.code)
            self.floor.panel_reach[panel.code].batches |= could
            if len(could) > 1:
                self.truth.changed.append(panel.code)
