"""From panels to loose units on the invented floor: cut in the house or outside, counted by weight, cleaned and dried."""

from typing import Any

import numpy as np

from app.catalogue.definitions import Step
from app.final_test.singulate import singulate
from app.floor.counts_at_finish import EMPTY, FULL, PIECES, PIECES_G, U_PIECE_SHARE, U_SCALE_G
from app.floor.moves import move_item
from app.floor.starts import start_run
from app.naming.resolve import Named, code_of
from seed_demo.floor import Floor, Loose, PanelLot, Story
from seed_demo.hands import later
from seed_demo.truth import Ints, Reach

JAR_G, PIECE_G = 182.4, 0.0104  # an empty jar, one unit (invented)


def to_loose(floor: Floor, lot: PanelLot, steps: list[Step]) -> Story:
    parting, *cleaning = steps
    bench = floor.hands.earliest(parting.operation, lot.at)
    outside = parting.operation == "outside work"
    starts = lot.at if outside else max(lot.at, bench.free_at)
    ends = later(starts, 1200 if outside else 30)
    bench.free_at = bench.free_at if outside else later(ends, 2)
    yield starts
    if outside:
        who = floor.hands.certified(None)
        verb = lambda s, by: str(move_item(s, by, lot.named.id, "outside", bench.name))  # noqa: E731
        floor.hands.do(who, "move_item", {"lot": lot.named.code, "to": bench.name}, starts, verb)
    run = floor.start(lot, parting, bench, later(starts, 1))
    of_panels = {code: floor.truth.units_of_panel(code) for code in lot.codes}
    living = {code: units[floor.truth.alive[units]] for code, units in of_panels.items()}
    floor.touched(run, [code for code, units in living.items() if len(units)], [])
    yield ends
    units = np.concatenate(list(living.values()))
    counted = len(units) + round(float(floor.rng.normal(0, 6)))
    who = floor.hands.certified(parting.certificate)

    def part(s: Any, by: Any) -> Named:
        item = singulate(s, by, floor.hands.run_of(s, run), person=who.id, counted=(counted, "weight", 15.0)).item
        return Named("lot", item, code_of(s, "lot", item))

    named = floor.hands.do(who, "singulate", {"run": run.code, "counted": counted}, ends, part)
    if outside:
        back = lambda s, by: str(move_item(s, by, named.id, "floor"))  # noqa: E731
        floor.hands.do(who, "move_item", {"lot": named.code, "to": "floor"}, ends, back)
    floor.truth.into(named.code, units)
    loose = Loose(named, units, _reach(floor, living), later(ends, 5))
    for step in cleaning:
        yield from clean(floor, loose, step)
    floor.done_lots += 1
    lot.family.ready.append(loose)
    yield from floor.campaign_may_begin(lot.family)


def _reach(floor: Floor, living: dict[str, Ints]) -> Reach:
    """What can be in the units that are left of these panels."""
    reach = Reach()
    for code, units in living.items():
        if len(units):
            reach.take(floor.panel_reach[code])
            reach.wafers |= {floor.truth.wafers.codes[n] for n in np.unique(floor.truth.wafer[:, units]).tolist() if n >= 0}
    return reach


def clean(floor: Floor, loose: Loose, step: Step) -> Story:
    benches = floor.hands.benches_for("clean")
    bench = benches[0] if step.key == "sieve" else benches[-1]
    starts = max(loose.at, bench.free_at)
    ends = later(starts, 15)
    bench.free_at = later(ends, 1)
    yield starts
    who = floor.hands.certified(step.certificate)

    def start(s: Any, by: Any) -> Named:
        run = start_run(s, by, bench.id, [loose.named], person=who.id).run.id
        return Named("run", run, code_of(s, "run", run))

    run = floor.hands.do(who, "start_run", {"station": bench.code, "things": [loose.named.code]}, starts, start)
    loose.reach.runs.add(run.code)
    floor.truth.worked(run.code, loose.units)
    yield ends
    floor.finish(step, run, ends, weighed=_weighed(floor, len(loose.units)) if step.count == "weight" else None)
    loose.at = later(ends, 3)


def _weighed(floor: Floor, units: int) -> dict[str, float]:
    """What the scale shows for a jar of so many, for the empty jar, and for some counted pieces."""
    noise, share = floor.rng.normal(0, U_SCALE_G / 2), floor.rng.normal(0, U_PIECE_SHARE / 2)
    full, pieces = JAR_G + units * PIECE_G + noise, PIECES * PIECE_G * (1 + share)
    return {FULL: round(float(full), 2), EMPTY: JAR_G, PIECES_G: round(float(pieces), 4)}
