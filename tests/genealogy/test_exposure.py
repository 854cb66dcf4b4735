"""Exposure on random histories: sets and bounds equal what the oracle finds in its own simulated units, alone and for several things together."""

from collections.abc import Iterator
from datetime import UTC, datetime
from random import Random

import pytest
from sqlalchemy.orm import Session

from app.db import House
from app.floor.ends import finish_run
from app.floor.loose import split_loose
from app.genealogy.exposure import ExposedRow, Exposure, _Answer, exposure
from app.genealogy.exposure_network import network
from app.genealogy.exposure_numbers import exposure_numbers
from app.genealogy.suspects import Suspect, any_of, suspected
from app.ledger.runs import Run
from app.naming.resolve import codes_of_items, resolve
from benchmarks.quick import QuickSettings
from tests.genealogy.made import made_loose
from tests.oracle.answers import of_kind, truth_of_unit
from tests.oracle.factory import Factory
from tests.oracle.histories import random_history
from tests.oracle.player import Profile
from tests.people.signing_in import person
from tests.replay.driver import Replay
from tests.small_factory import Factory as Factory_

LONG = Profile(off_tape="first")


@pytest.mark.parametrize("seed", range(2))
def test_exposure_equals_the_oracle(house: House, seed: int) -> None:
    assert list(differences(house, 3000 + seed)) == []


def test_a_log_that_tells_of_other_panels_takes_nothing_from_what_a_mount_says(house: House) -> None:
    """One of a line's panels was begun at another station, whose log tells of it; of the line's own run none came."""
    history = random_history(205, Profile(off_tape="first", without=frozenset({"side_by_side"})))
    replay, oracle = Replay(house, history).run(), Factory.replay(history)
    with house.snapshot() as session:
        assert oracle.bounds(["loose:2"], "wafer:3") == (3, 11)
        assert list(_one(session, replay, oracle, "wafer:3", Random(205))) == []


def test_what_was_weighed_out_of_a_lot_is_known_to_twice_its_uncertainty(house: House) -> None:
    """80 units, all of the suspected panels' lot; half of them weighed with a standard uncertainty of 2.3: 36 to 44 left, 36 to 44 stayed."""
    factory = Factory_(house).load()
    *_, lot, _, loose = made_loose(factory)
    part = factory.do("split_loose", lambda s, by: split_loose(s, by, loose.id, 40, "weight", 2.3).item)
    with house.reading() as session:
        rows = {row.code: row.exposed for row in exposure(session, [Suspect(lot)]).lots}
        codes = codes_of_items(session, [part, loose.id])
    assert [(rows[codes[one]].units, rows[codes[one]].least, rows[codes[one]].greatest) for one in (part, loose.id)] == [(40, 36, 44), (40, 36, 44)]


def test_a_person_is_suspected_of_what_they_began_and_of_what_was_handed_to_them(house: House) -> None:
    factory = Factory_(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    begun = {name: person(house, name, "operate") for name in ("Asha", "Bela", "Chris")}
    with house.reading() as session:
        who = {name: resolve(session, badge) for name, badge in begun.items()}
    lot = factory.lot(factory.panels(1))
    run = factory.start("Attach", lot, person=who["Asha"].id)
    factory.do("finish_run", lambda s, by: len(finish_run(s, by, s.get_one(Run, run), person=who["Bela"].id)))
    long_ago = datetime(2020, 1, 1, tzinfo=UTC)
    with house.reading() as session:
        greatest = {name: exposure(session, [Suspect(one, since=long_ago)]).total.exposed.greatest for name, one in who.items()}
    assert greatest["Asha"] == greatest["Bela"] > 0 == greatest["Chris"]


def differences(house: House, seed: int, profile: Profile = LONG, origins: int = 25) -> Iterator[str]:
    """Everything in which the program's exposure and the oracle differ after one random history, in words."""
    history = random_history(seed, profile)
    replay, oracle = Replay(house, history).run(), Factory.replay(history)
    with house.snapshot() as session:
        names = _origins(oracle, Random(seed), origins)
        for origin in names:
            yield from _one(session, replay, oracle, origin, Random(f"{seed} {origin}"))
        for line in oracle.lines.values():
            for batches in [] if line.run.void else oracle.batches_of(line).values():
                if len(batches) > 1:
                    yield from _side_by_side(session, replay, line.name, batches)


def _origins(oracle: Factory, chance: Random, at_most: int) -> list[str]:
    runs = [run for run in oracle.runs.values() if not run.void]
    lines = [line.name for run in runs for line in run.lines]
    names = [*oracle.wafers, *oracle.batches, *oracle.panels, *oracle.lots, *(run.name for run in runs), *lines]
    return sorted(chance.sample(names, min(at_most, len(names))))


def _one(session: Session, replay: Replay, oracle: Factory, origin: str, chance: Random) -> Iterator[str]:
    symbols = replay.symbols(session)
    told = exposure(session, [Suspect(replay.named(origin))])
    rows = {symbols[row.code]: row for row in (*told.packs, *told.lots) if row.words != "panels"}
    true = {thing for thing in oracle.forward(origin) if thing.split(":")[0] in ("pack", "loose", "sample")}
    if (set(rows) ^ true) - {origin}:
        yield f"{origin}: {sorted(set(rows) - true)} too much, {sorted(true - set(rows))} missing"
    for thing in sorted(set(rows) & true):
        one = rows[thing].exposed
        if (one.least, one.greatest) != oracle.bounds([thing], origin):
            yield f"{origin} in {thing}: {(one.least, one.greatest)}, should be {oracle.bounds([thing], origin)}"
        if not one.least <= one.expected <= one.greatest:
            yield f"{origin} in {thing}: expected {one.expected} outside {(one.least, one.greatest)}"
    packs = sorted(of_kind(rows, "pack") & true)
    if len(packs) > 1:
        some = chance.sample(packs, min(3, len(packs)))
        bounds = _together(session, replay, origin, some)
        if bounds != oracle.bounds(some, origin):
            yield f"{origin} in {some} together: {bounds}, should be {oracle.bounds(some, origin)}"
    yield from _truth(oracle, origin, rows)
    yield from _truth_of_scrap(oracle, origin, told)
    yield from _adds_up(origin, told)


def _side_by_side(session: Session, replay: Replay, line: str, batches: list[str]) -> Iterator[str]:
    """Each unit of a line had one of its batches of a kind: any of all of them is the line itself."""
    any_of_them = any_of([suspected(session, Suspect(replay.named(batch), lines=(replay.ids[line],))) for batch in batches])
    told, true = exposure_numbers(session, [any_of_them]), exposure_numbers(session, [suspected(session, Suspect(replay.named(line)))])
    if told != true:
        yield f"{batches} of {line}: {told}, should be {true}"


def _together(session: Session, replay: Replay, origin: str, packs: list[str]) -> tuple[int, int]:
    net = network(session, [suspected(session, Suspect(replay.named(origin)))])
    names = [name for pack in packs for name in _Answer(session, net).names["pack", replay.ids[pack]]]
    return net.mixing.bounds(names)


def _truth(oracle: Factory, origin: str, rows: dict[str, ExposedRow]) -> Iterator[str]:
    """What chance put into a thing is inside its bounds; what must be there is there."""
    for thing, row in rows.items():
        is_there = origin in oracle.truth(thing)
        if (row.exposed.least > 0 and not is_there) or (row.exposed.greatest == 0 and is_there):
            yield f"{origin} in {thing}: truth {is_there}, bounds {(row.exposed.least, row.exposed.greatest)}"


def _truth_of_scrap(oracle: Factory, origin: str, told: Exposure) -> Iterator[str]:
    """Of what was scrapped so many really were of the origin: nobody knows it of the cells that were marked, which are in the same row."""
    row = next((row.exposed for row in told.places if row.words == "scrapped"), None)
    least, greatest = (row.least, row.greatest) if row else (0, 0)
    marked = sum(panel.is_marked(cell) for panel in oracle.panels.values() for cell in panel.units)
    really = sum(origin in truth_of_unit(oracle, unit) for unit in oracle.scrapped)
    if not least - marked <= really <= greatest:
        yield f"{origin} in scrap: {really}, bounds {(least, greatest)} with {marked} marked cells"


def _adds_up(origin: str, told: Exposure) -> Iterator[str]:
    """Expectations of the places add up to that of everything, and no bound of a part is beyond the whole."""
    whole = told.total.exposed
    if abs(sum(row.exposed.expected for row in told.places) - whole.expected) > 1e-6 * max(1.0, whole.expected):
        yield f"{origin}: places have {sum(row.exposed.expected for row in told.places)}, all {whole.expected}"
    if any(row.exposed.greatest > whole.greatest for row in told.places):
        yield f"{origin}: a place has more than all"


if __name__ == "__main__":  # python -m tests.genealogy.test_exposure 0 50
    import sys
    import tempfile
    from pathlib import Path

    import app.tables  # noqa: F401
    from app.migrate import upgrade

    for seed in range(int(sys.argv[1]), int(sys.argv[2])):
        with tempfile.TemporaryDirectory() as folder:
            fresh = House(QuickSettings(data_dir=Path(folder)))
            upgrade(fresh)
            found = list(differences(fresh, seed, origins=40))
            print(seed, len(found), *found[:8], sep="\n   ", flush=True)
            fresh.dispose()
