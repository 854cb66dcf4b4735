"""The same answers over the JSON API: what a history left behind is asked as another program would ask it."""

from typing import Any

from fastapi.testclient import TestClient
from sqlalchemy.orm import Session

from app.db import House
from app.journal.act import SYSTEM, By, act
from app.main import make_app
from app.naming.resolve import codes_of
from app.people.tokens import make_token
from tests.oracle.answers import sources_of
from tests.oracle.factory import Factory
from tests.oracle.histories import random_history
from tests.replay.driver import Replay
from tests.replay.test_replay import LONG

KINDS = {"wafer", "batch", "panel", "lot", "loose", "sample", "pack", "run"}


def test_packs_are_traced_and_stopped_over_http_as_the_oracle_says(house: House) -> None:
    history = random_history(1000, LONG)
    replay, oracle = Replay(house, history).run(), Factory.replay(history)
    packs = [pack for pack in oracle.packs if sources_of(oracle, pack)]
    with house.reading() as session:
        symbols = replay.symbols(session)
        codes = codes_of(session, "pack", [replay.ids[pack] for pack in packs])
    secret = _token(house)
    with TestClient(make_app(house.settings, house)) as client:

        def ask(path: str) -> Any:
            answer = client.get(f"/api/v1{path}", headers={"Authorization": f"Bearer {secret}"})
            assert answer.status_code == 200, answer.text
            return answer.json()

        for pack in packs:
            code = codes[replay.ids[pack]]
            trace, stops = ask(f"/trace/{code}"), oracle.stopped(pack)
            rows = [row["code"] for kind in ("wafers", "batches", "panels", "lots", "samples", "packs") for row in trace[kind]]
            told = {symbols[text] for text in [*rows, *(run["run"] for run in trace["runs"])]} - {pack}
            assert told == {origin for origin in oracle.possible(pack) if origin.split(":")[0] in KINDS}
            if not stops.arguably:
                assert ask(f"/stops/{code}")["stopped"] == bool(stops.surely)
    assert packs


def _token(house: House) -> str:
    kept: list[str] = []

    def make(session: Session, by: By) -> dict[str, Any]:
        kept[:] = [make_token(session, by, "asks", ("operate",), may_state_facts=False)[1]]
        return {}

    act(house, SYSTEM, "make_token", {}, make)
    return kept[0]
