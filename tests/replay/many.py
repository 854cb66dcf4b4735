"""Many histories in one go: `python -m tests.replay.many http 0 200` (or `verbs`), seeds from 0 to 199. Prints what differs."""

import sys
import tempfile
import time
import traceback
from dataclasses import replace
from pathlib import Path

import app.tables  # noqa: F401  a check must know all tables
from app.db import House
from app.migrate import upgrade
from benchmarks.quick import QuickSettings
from tests.oracle.factory import Factory
from tests.oracle.histories import random_history
from tests.replay.compare import differences, disagreements
from tests.replay.driver import Replay
from tests.replay.http_answers import OverHttp
from tests.replay.http_driver import HttpReplay
from tests.replay.test_replay import LONG, SHORT

PROFILES = (SHORT, LONG)
WEIGHED = replace(LONG, weighings=2)


def told(way: str, seed: int, house: House) -> list[str]:
    history = random_history(seed, WEIGHED if seed % 4 == 2 else PROFILES[seed % 4 == 0])
    oracle = Factory.replay(history)
    if way == "verbs":
        return differences(Replay(house, history).run(), oracle)
    asked = OverHttp(HttpReplay(house, history).run())
    return [*disagreements(asked, oracle), *asked.findings()]


def main(way: str, first: int, last: int) -> int:
    failed = []
    for seed in range(first, last):
        begun = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            house = House(QuickSettings(data_dir=Path(folder)))
            try:
                upgrade(house)
                found = told(way, seed, house)
            except Exception as error:  # whatever it was, the next seed is tried
                found = [traceback.format_exc(limit=-3), *getattr(error, "__notes__", [])]
            finally:
                house.dispose()
        print(f"seed {seed}: {'as it was' if not found else ''} {time.monotonic() - begun:.1f} s", flush=True)
        for words in found[:12]:
            print("   ", words, flush=True)
        failed += [seed] if found else []
    print(f"{last - first} histories, these differ: {failed or 'none'}")
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3])))
