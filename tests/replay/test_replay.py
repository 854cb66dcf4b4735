"""The program against the oracle: random histories are done by its verbs, and everything that it says afterwards is compared."""

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from app.db import House
from tests.conftest import FreshHouse
from tests.oracle.actions import History
from tests.oracle.factory import Factory
from tests.oracle.histories import histories, random_history
from tests.oracle.player import Profile
from tests.replay.compare import differences
from tests.replay.driver import Replay

# units taken off a tape go through all loose steps again
LONG = Profile(off_tape="first")
SHORT = Profile(off_tape="first", lots=2, panels=3, cell_acts=12, loose_acts=6, pack_acts=12)


@pytest.mark.parametrize("seed", range(3))
def test_a_seeded_history_is_told_as_it_was(house: House, seed: int) -> None:
    history = random_history(1000 + seed, LONG)
    assert differences(Replay(house, history).run(), Factory.replay(history)) == []


@pytest.mark.only_on("sqlite")
@settings(max_examples=14, phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink), suppress_health_check=list(HealthCheck))
@given(history=histories(SHORT))
def test_any_history_is_told_as_it_was(fresh_house: FreshHouse, history: History) -> None:
    folder = Path(tempfile.mkdtemp())
    try:
        with fresh_house(folder) as house:
            assert differences(Replay(house, history).run(), Factory.replay(history)) == []
    finally:
        shutil.rmtree(folder)


@pytest.mark.only_on("sqlite")
def test_a_difference_is_seen(house: House) -> None:
    """The comparison can fail: an oracle that did one action less says something else."""
    history = random_history(1000, LONG)
    replay = Replay(house, history).run()
    last = max(action.at for action in history.actions if type(action).__name__ in ("FillPack", "SplitLoose", "CutPack", "TakeBinsOut"))
    assert differences(replay, Factory.replay(history, until=last - 1))
