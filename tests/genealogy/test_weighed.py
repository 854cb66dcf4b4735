"""Histories in which units were weighed out and really were more or fewer: what the program says against every true count, by brute force."""

from collections.abc import Iterator
from random import Random

import pytest
from sqlalchemy.orm import Session

from app.db import House
from app.genealogy.exposure import _Answer, exposure
from app.genealogy.exposure_network import Network, network
from app.genealogy.mixing import Exposed
from app.genealogy.suspects import Suspect, suspected
from tests.oracle.answers import Bounds, of_kind, true_number
from tests.oracle.factory import Factory
from tests.oracle.histories import random_history
from tests.oracle.player import Profile
from tests.replay.compare import differences
from tests.replay.driver import Replay

WEIGHED = Profile(
    without=frozenset({"side_by_side"}), off_tape="first", lots=2, panels=3, cell_acts=8, loose_acts=10, pack_acts=14, holds=0, weighings=3
)
SEEDS = (17, 13, 137)  # in which what was weighed is poured together, signed for, taken off a tape, sent back


@pytest.mark.parametrize("seed", SEEDS)
def test_bounds_equal_those_over_all_true_counts_and_hold_what_is_really_there(house: House, seed: int) -> None:
    history = random_history(seed, WEIGHED)
    replay, oracle = Replay(house, history).run(), Factory.replay(history)
    assert sum(node.spare > 0 for node in oracle.nodes) > 1
    with house.snapshot() as session:
        for origin in origins(oracle, Random(seed)):
            assert list(exposed(session, replay, oracle, origin, Random(f"{seed} {origin}"))) == []


def test_a_trace_never_says_more_is_there_or_less_than_any_true_count_allows(house: House) -> None:
    history = random_history(SEEDS[0], WEIGHED)
    assert differences(Replay(house, history).run(), Factory.replay(history)) == []


def origins(oracle: Factory, chance: Random, at_most: int = 8) -> list[str]:
    runs = [run for run in oracle.runs.values() if not run.void]
    above = [*oracle.wafers, *oracle.batches, *oracle.panels, *oracle.lots, *(line.name for run in runs for line in run.lines)]
    mixed = [*oracle.loose, *oracle.samples, *oracle.packs]
    return sorted(chance.sample(above, min(at_most, len(above))) + chance.sample(mixed, min(at_most // 2, len(mixed))))


def exposed(session: Session, replay: Replay, oracle: Factory, origin: str, chance: Random) -> Iterator[str]:
    """Everything in which the exposure to one origin differs from brute force, thing by thing and for sets of packs."""
    symbols, suspect = replay.symbols(session), Suspect(replay.named(origin))
    told = exposure(session, [suspect])
    rows = {symbols[row.code]: row.exposed for row in (*told.packs, *told.lots) if row.words != "panels"}
    for thing, one in rows.items():
        yield from _differs(origin, [thing], (one.least, one.greatest), oracle)
        if not one.least <= one.expected <= one.greatest:
            yield f"{origin} in {thing}: {one.expected} is expected of {_range(one)}"
        if not one.least <= true_number(oracle, thing, origin) <= one.greatest:
            yield f"{origin} in {thing}: {_range(one)}, really {true_number(oracle, thing, origin)}"
    packs = sorted(of_kind(rows, "pack"))
    net = network(session, [suspected(session, suspect)])
    for size in range(2, min(4, len(packs) + 1)):
        some = chance.sample(packs, size)
        yield from _differs(origin, some, _together(session, replay, net, some), oracle)


def _differs(origin: str, things: list[str], told: tuple[int, int], oracle: Factory) -> Iterator[str]:
    true = Bounds(oracle, things).of(origin)
    if told != true:
        yield f"{origin} in {things}: {told}, should be {true}"


def _together(session: Session, replay: Replay, net: Network, packs: list[str]) -> tuple[int, int]:
    names = _Answer(session, net).names
    return net.mixing.bounds([name for pack in packs for name in names["pack", replay.ids[pack]]])


def _range(one: Exposed) -> str:
    return f"{one.least} to {one.greatest}"
