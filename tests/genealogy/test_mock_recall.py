"""A rehearsed recall: which reel, that every unit is accounted for, that a gain is shown as it is, and that the report stays as it was kept."""

import re

import pytest
from fastapi.testclient import TestClient
from people.signing_in import HERE, PASSWORD, person
from sqlalchemy import select

from app.db import House
from app.errors import Refused
from app.floor.counting import count_units, sign_difference
from app.genealogy.mock_recall import mock_recall, past_recall, past_recalls, pick
from app.genealogy.recall_account import account_for
from app.journal.act import SYSTEM
from app.ledger import walk
from app.ledger.items import Pack
from app.main import make_app
from app.packing.fill import Part, fill_pack
from tests.genealogy.made import Made, client_of, made
from tests.oracle.histories import random_history
from tests.oracle.player import Profile
from tests.replay.driver import Replay
from tests.small_factory import Factory


@pytest.fixture
def one(house: House) -> Made:
    return made(Factory(house).load())


def test_every_unit_of_its_lots_is_accounted_for(house: House, one: Made) -> None:
    number = mock_recall(house, SYSTEM, one.reel.code)
    with house.reading() as session:
        past, report, _ = past_recall(session, house, number)
    every = report["every_unit"]
    assert (every["came_in"], every["not_accounted"], every["recovery"]) == (80, 0, 1.0)
    assert every["here"] == {"in packs, floor": 30, "loose": 50}, "76 passed, 4 failed: 30 are on the reel, all others loose in their bins"
    assert report["origin_lots"] == [one.lot.code]
    assert [(lot["code"], lot["came_in"], lot["went_on"], lot["here"]) for lot in report["lots"]] == [
        (one.lot.code, 80, 80, 0), (one.loose.code, 80, 80, 0), (one.best.code, 76, 30, 46),
    ]  # fmt: skip
    assert report["packs"] == [{"code": one.reel.code, "units": 30, "where": "floor"}]
    assert {"logger file", "placement log"} <= set(report["missing_by_kind"])
    assert (past.row.missing, past.recovery, past.row.seed) == (len(report["missing"]), 1.0, None)


def test_more_than_came_in_is_shown_as_it_is(house: House, one: Made) -> None:
    factory = Factory(house)
    factory.do("count_units", lambda s, by: count_units(s, by, one.best.id, 54, "hand", 0.5).entry.id)
    factory.do("sign_difference", lambda s, by: sign_difference(s, by, one.best.id, "found in the hopper").id)
    number = mock_recall(house, SYSTEM, one.reel.code)
    with house.reading() as session:
        past, report, _ = past_recall(session, house, number)
    assert report["every_unit"]["difference"] == -8
    assert past.recovery == 1.1, "88 of 80"
    assert not past.row.within, "8 are more than twice 0.5"


def test_a_reel_is_picked_by_its_seed_among_those_closed_that_hold_units(house: House) -> None:
    factory = Factory(house).load()
    with house.reading() as session, pytest.raises(Refused, match="no reel to recall"):
        pick(session, 1)
    one = made(factory)  # a full reel closes by itself
    with house.reading() as session:
        assert [(picked.pack, picked.out_of) for picked in (pick(session, seed) for seed in range(5))] == [(one.reel, 1)] * 5
    taper, part = factory.things["Taper"], [Part(one.best, 20)]
    factory.do("fill_pack", lambda s, by: fill_pack(s, by, taper, part, line_clear=True, short_reason="the last of it").item)
    with house.reading() as session:
        picked = [pick(session, seed) for seed in range(20)]
        assert {one.out_of for one in picked} == {2}
        assert len({one.pack for one in picked}) == 2, "seeds differ"
        assert picked == [pick(session, seed) for seed in range(20)], "a seed picks the same again"


def test_the_account_of_random_histories_closes_for_every_pack(house: House) -> None:
    """Merges, re-test, samples, re-reels, units off the tape: what came in is what is somewhere."""
    Replay(house, random_history(6, Profile(off_tape="first", lots=2, panels=3))).run()
    with house.reading() as session:
        packs = [pack for pack in session.scalars(select(Pack.item)) if walk.contents_of(session, packs=[pack])]
        assert packs
        for pack in packs:
            account = account_for(session, walk.up(session, [pack]))
            assert account.every_unit.unexplained == 0
            assert account.packs, "it reaches at least itself"


def test_it_is_run_listed_read_and_taken_away_over_http(house: House, one: Made) -> None:
    badge = person(house, "Quin", "quality")
    with TestClient(make_app(house.settings, house)) as browser:
        browser.post("/sign-in", data={"badge": badge, "secret": PASSWORD}, headers=HERE)
        form = dict(re.findall(r'type="hidden" name="(form_token|key)" value="([^"]*)"', browser.get("/mock-recalls").text))
        sent = [browser.post("/mock-recalls", data=form | {"pack": one.reel.code}, headers=HERE) for _ in range(2)]
        assert sent[0].url == sent[1].url, "a double tap rehearses once"
        assert "Mock recall of" in sent[0].text and "Recovery 100.00 %" in sent[0].text
        with house.reading() as session:
            (past,) = past_recalls(session)
        assert past.entry.actor_name == "Quin"
        assert f"/mock-recalls/{past.row.id}" in browser.get("/mock-recalls").text
        kept = browser.get(f"/mock-recalls/{past.row.id}/report.json")
        assert kept.json()["pack"] == one.reel.code
        assert browser.get("/mock-recalls.csv").text.count("\r\n") == 2
        assert browser.get("/mock-recalls/99").status_code == 404
        for typed in ({"seed": "x", "pack": ""}, {"seed": "7" * 40, "pack": ""}, {"seed": "", "pack": "K26-999999-0"}):
            refused = browser.post("/mock-recalls", data=form | {"key": "k"} | typed, headers=HERE)
            assert refused.status_code in (404, 422) and 'class="refuse"' in refused.text, typed
            assert all(f'value="{text}"' in refused.text for text in typed.values()), "what was typed stays, to be put right"


def test_the_call_rehearses_lists_and_reads(house: House, one: Made) -> None:
    client = client_of(Factory(house))
    told = client.post("/api/v1/mock_recalls", json={"pack": one.reel.code}).json()
    assert (told["pack"], told["units_in"], told["recovery"]) == (one.reel.code, 80, 1.0)
    assert client.get("/api/v1/mock_recalls").json()["mock_recalls"] == [told]
    report = client.get(f"/api/v1/mock_recalls/{told['mock_recall']}").json()
    assert report["report"]["every_unit"]["came_in"] == 80
    assert client.post("/api/v1/mock_recalls", json={"pack": one.reel.code, "seed": 3}).status_code == 422
    assert client.post("/api/v1/mock_recalls", json={"seed": 3}).json()["pack"] == one.reel.code
