"""The people of each shift, who has which stations, and what keeps stations from work: jams, refills, planned maintenance, trials."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

import numpy as np

from app.board.production_day import shifts_of
from app.catalogue.definitions import Site
from app.floor.attendance import attend, hand_over
from app.floor.station_states import set_state
from seed_demo.floor import Floor, Story
from seed_demo.hands import Bench, later

# who follows whom through the shifts, by badge, the first of them at the end; and the first and last of the stations that they have (invented)
CREWS = (
    (("E-OP06-5", "E-OP02-D", "E-LD02-9"), "Bonder 01", "Bonder 06"),
    (("E-OP03-B", "E-OP01-F"), "Oven 1", "Oven 4"),
    (("E-LD01-B", "E-OP05-7"), "Taper 1", "Taper 2"),
)
HANDED_OVER = timedelta(days=2)


@dataclass(frozen=True)
class Stop:
    """Why a station stands, how SEMI E10 calls it, and for how many minutes."""

    state: str
    reason: str
    minutes: int


JAM = Stop("unscheduled_down", "jam", 14)
REFILL = Stop("scheduled_down", "refill", 9)
MAINTENANCE = Stop("scheduled_down", "planned maintenance", 120)
TRIAL = Stop("engineering", "trial of a recipe", 90)
BREAKDOWN = Stop("unscheduled_down", "breakdown", 240)
NO_SHIFT = Stop("non_scheduled", "no shift", 480)
# in the order of the days; the first of each day is planned
DAILY = ((MAINTENANCE, "wire bond", 4.0), (JAM, "wire bond", 7.5), (REFILL, "tape", 11.0), (JAM, "tape", 16.5))
# what stands at the end: (stop, station, minutes ago)
AT_LAST = ((MAINTENANCE, "Bonder 12", 65), (BREAKDOWN, "Bonder 09", 50), (JAM, "Taper 4", 6), (TRIAL, "Bonder 30", 40), (REFILL, "Dispenser 2", 4))
UNMANNED = ("Bonder 21", "Bonder 22", "Bonder 23", "Bonder 24", "Bonder 35", "Bonder 36", "Tester 4")  # nobody works there in these days


def stops(floor: Floor, begins: datetime, rng: np.random.Generator) -> Story:
    """A few stops on each day, and those that last beyond the end."""
    for name in UNMANNED:
        floor.begin(_stands(floor, floor.hands.bench(name), NO_SHIFT, begins, to_the_end=True), begins)
    for day in range((floor.ends - begins).days):
        for stop, operation, hours in DAILY:
            at = begins + timedelta(days=day, hours=hours + float(rng.random()) * 2)
            bench = floor.hands.benches_for(operation)[int(rng.integers(0, 4))]
            floor.begin(_stands(floor, bench, stop, at), at)
    for stop, name, ago in AT_LAST:
        at = later(floor.ends, -ago)
        floor.begin(_stands(floor, floor.hands.bench(name), stop, at, to_the_end=True), at)
    yield begins


def _stands(floor: Floor, bench: Bench, stop: Stop, at: datetime, *, to_the_end: bool = False) -> Story:
    """The station stands as soon as it is free, and then goes back to work."""
    at = max(at, bench.free_at)
    until = later(at, stop.minutes)
    bench.free_at = max(bench.free_at, later(floor.ends, stop.minutes) if to_the_end else later(until, 1))
    yield at
    _say(floor, bench, stop.state, stop.reason, at)
    if not to_the_end:
        yield until
        _say(floor, bench, "productive", "back to work", until)


def _say(floor: Floor, bench: Bench, state: str, reason: str, at: datetime) -> None:
    arguments = {"station": bench.code, "state": state, "reason": reason}
    floor.hands.do(floor.hands.certified(None), "set_station_state", arguments, at, lambda s, by: set_state(s, by, bench.id, state, reason).id)


def attendance(floor: Floor, site: Site) -> Story:
    """Two days of shifts: each crew takes its stations over from the one before, by one scan."""
    begins = floor.ends - HANDED_OVER
    days = {begins.date() + timedelta(days=n) for n in range(-1, 4)}
    changes = sorted(shift.begin for day in days for shift in shifts_of(site, day) if begins <= shift.begin <= floor.ends)
    for turn, at in enumerate(changes, 1 - len(changes)):
        yield at
        for crew in CREWS:
            _take(floor, crew, turn, at == changes[0], at)


def _take(floor: Floor, crew: tuple[tuple[str, ...], str, str], turn: int, is_first: bool, at: datetime) -> None:
    badges, first, last = crew
    here, before = (next(one for one in floor.hands.people if one.badge == badges[n % len(badges)]) for n in (turn, turn - 1))
    if not is_first:
        arguments = {"from": before.badge, "to": here.badge}
        floor.hands.do(here, "hand_over", arguments, at, lambda s, by: hand_over(s, by, before.id, here.id))
        return
    for bench in floor.hands.benches:
        if first <= bench.name <= last:
            arguments = {"station": bench.code, "person": here.badge}
            floor.hands.do(here, "attend_station", arguments, at, partial(attend, person=here.id, station=bench.id))
