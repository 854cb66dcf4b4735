"""The same histories through /api/v1 alone, driven and asked as a stranger would, against the oracle.

Many at once: `python -m tests.replay.many http 0 200`.
"""

import pytest

from app.db import House
from tests.oracle.factory import Factory
from tests.oracle.histories import random_history
from tests.replay.compare import disagreements
from tests.replay.http_answers import OverHttp
from tests.replay.http_driver import HttpReplay
from tests.replay.test_replay import SHORT


@pytest.mark.parametrize("seed", [2001, 2002])
def test_a_history_driven_over_http_is_told_as_it_was(house: House, seed: int) -> None:
    history = random_history(seed, SHORT)
    asked = OverHttp(HttpReplay(house, history).run())
    assert [*disagreements(asked, Factory.replay(history)), *asked.findings()] == []
