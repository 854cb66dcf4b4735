"""Inspection on the invented floor: cells with a fault are marked, a panel is scrapped now and then, units go to the pull test."""

from datetime import datetime
from typing import Any

import numpy as np

from app.catalogue.definitions import Step
from app.floor.marking import mark_panels
from app.floor.samples import sample_cells
from app.floor.scrap import scrap_panel
from app.naming.resolve import Named, code_of
from seed_demo.floor import Floor, PanelLot, Story
from seed_demo.hands import Person, later
from seed_demo.truth import COLUMNS

MARKS = ("lifted wire", "missing wire", "die turned or shifted", "chipped or scratched")


def inspect(floor: Floor, lot: PanelLot, step: Step) -> Story:
    """Cells with a fault are marked; now and then a panel is scrapped, and units go to the pull test."""
    bench = floor.hands.earliest("inspect", lot.at)
    starts = max(lot.at, bench.free_at)
    ends = later(starts, 12)
    bench.free_at = later(ends, 2)
    yield starts
    run = floor.start(lot, step, bench, starts)
    floor.touched(run, lot.codes, [])
    yield ends
    who = floor.hands.certified(step.certificate)
    _mark(floor, lot, run, who, ends)
    floor.finish(step, run, ends)
    if step.barrier is False and floor.rng.random() < 0.4:
        _sample(floor, lot.panels[0], later(ends, 1))
    if step.barrier and floor.rng.random() < 0.15 and len(lot.panels) > 3:
        bent, at = lot.panels[-1], later(ends, 2)
        floor.hands.do(who, "scrap", {"panel": bent.code}, at, lambda s, by: scrap_panel(s, by, bent.id, "bent frame").n)
        floor.truth.alive[floor.truth.units_of_panel(bent.code)] = False
    lot.at = later(ends, 5)


def _mark(floor: Floor, lot: PanelLot, run: Named, who: Person, at: datetime) -> None:
    """Two units in a thousand, with one reason for the lot."""
    bad: dict[int, list[int]] = {}
    for panel in lot.panels:
        units = floor.truth.units_of_panel(panel.code)
        alive = np.flatnonzero(floor.truth.alive[units])
        some = alive[floor.rng.random(len(alive)) < 0.002]
        if len(some):
            bad[panel.id] = some.tolist()
            floor.truth.alive[units[some]] = False
    reason = MARKS[int(floor.rng.integers(0, len(MARKS)))]

    def mark(s: Any, by: Any) -> int:
        by_panel = {panel: [(c // COLUMNS + 1, c % COLUMNS + 1) for c in cells] for panel, cells in bad.items()}
        return len(mark_panels(s, by, by_panel, reason, run.id))

    if bad:
        arguments = {"run": run.code, "reason": reason, "cells": sum(len(cells) for cells in bad.values())}
        floor.hands.do(who, "mark_cells", arguments, at, mark)


def _sample(floor: Floor, panel: Named, at: datetime) -> None:
    units = floor.truth.units_of_panel(panel.code)
    some = np.flatnonzero(floor.truth.alive[units])[:3]
    cells = [(int(c) // COLUMNS + 1, int(c) % COLUMNS + 1) for c in some]

    def take(s: Any, by: Any) -> str:
        return code_of(s, "sample", sample_cells(s, by, panel.id, cells, "pull test", kept=False).item)

    code = floor.hands.do(floor.hands.certified("inspection"), "take_sample", {"panel": panel.code, "cells": len(cells)}, at, take)
    floor.truth.alive[units[some]] = False
    floor.truth.into(code, units[some])
