"""The question over HTTP: the same numbers as the function, errors that name the field, and packs stopped from the page."""

import csv
import html
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from fastapi.testclient import TestClient
from people.signing_in import HERE, PASSWORD, person, sign_in, token
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.floor.amounts import books
from app.floor.containers import add_container, put_item
from app.floor.loose import split_loose
from app.floor.samples import sample_cells
from app.genealogy.exposure import exposure
from app.genealogy.exposure_question import Question
from app.genealogy.suspects import Suspect
from app.journal.act import By
from app.ledger.runs import Run
from app.ledger.stops import Hold
from app.main import make_app
from app.naming.resolve import code_of, resolve
from tests.conftest import FreshHouse
from tests.oracle.histories import random_history
from tests.oracle.player import Profile
from tests.replay.driver import Replay
from tests.small_factory import Factory

PROFILE = Profile(without=frozenset({"side_by_side"}), off_tape="first", lots=2, panels=3)


@pytest.fixture(scope="module")
def replay(fresh_house: FreshHouse, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Replay]:
    """A history that is read only."""
    with fresh_house(tmp_path_factory.mktemp("exposure")) as house:
        yield Replay(house, random_history(9, PROFILE)).run()


@pytest.fixture(scope="module")
def client(replay: Replay) -> TestClient:
    house = replay.house
    return TestClient(make_app(house.settings, house), headers={"Authorization": f"Bearer {token(house, 'quality')}"})


@pytest.fixture
def own(house: House) -> Replay:
    """The same history for a test that goes on with it."""
    return Replay(house, random_history(9, PROFILE)).run()


def _wafer_with_packs(replay: Replay) -> str:
    with replay.house.reading() as session:
        wafers = [symbol for symbol in replay.ids if symbol.startswith("wafer:")]
        return next(code for symbol in wafers for code in [replay.named(symbol).code] if exposure(session, [Suspect(replay.named(symbol))]).packs)


def test_the_call_tells_what_the_function_tells(replay: Replay, client: TestClient) -> None:
    code = _wafer_with_packs(replay)
    told = client.get("/api/v1/exposure", params={"suspect": code}).json()
    with replay.house.reading() as session:
        symbol = next(s for s in replay.ids if s.startswith("wafer:") and replay.named(s).code == code)
        known = exposure(session, [Suspect(replay.named(symbol))])
    assert [(row["code"], row["least"], row["greatest"]) for row in told["packs"]] == [
        (row.code, row.exposed.least, row.exposed.greatest) for row in known.packs
    ]
    assert told["total"]["greatest"] == known.total.exposed.greatest > 0
    table = list(csv.DictReader(io.StringIO(client.get("/api/v1/exposure/csv", params={"suspect": code}).text)))
    assert {row["code"] for row in table if row["kind"] == "pack"} == {row.code for row in known.packs}


def test_any_of_the_same_twice_is_counted_once(replay: Replay, client: TestClient) -> None:
    code = _wafer_with_packs(replay)
    once = client.get("/api/v1/exposure", params={"suspect": code}).json()["total"]
    twice = client.get("/api/v1/exposure", params=[("suspect", code), ("suspect", code)]).json()["total"]
    assert once == twice


def test_a_region_is_told_by_the_dies_where_a_log_tells_them(replay: Replay, client: TestClient) -> None:
    """All of the map is the wafer; a region without dies is nothing where a log came, and may be anything where none did."""
    excluded = 0
    for symbol in [symbol for symbol in replay.ids if symbol.startswith("wafer:")]:
        code = replay.named(symbol).code
        whole, everywhere, nowhere = (
            client.get("/api/v1/exposure", params={"suspect": code} | region).json()["total"]
            for region in ({}, {"rectangle": "-30000,-30000,30000,30000"}, {"rectangle": "30000,30000,30001,30001"})
        )
        assert everywhere["greatest"] == whole["greatest"] and everywhere["least"] <= whole["least"]
        assert nowhere["least"] == 0
        excluded += nowhere["greatest"] == 0 < whole["greatest"]
    assert excluded


WRONG: list[tuple[dict[str, str], str]] = [
    ({"rectangle": "1,2,3"}, "rectangle"),
    ({"lasso": "1,1 2,2"}, "lasso"),
    ({"ring": "a,b,c,d"}, "ring"),
    ({"since": "yesterday"}, "since"),
    ({"since": "2026-03-02T00:00Z", "until": "2026-03-01T00:00Z"}, "until"),
    ({"operation": "knitting"}, "operation"),
    ({"line": "x"}, "line"),
    ({"suspect": "batch:1@2026-03-01"}, "suspect"),
    ({"suspect": "batch:1@/"}, "suspect"),
    ({"suspect": "batch:1@2026-03-02/2026-03-01"}, "until"),
    ({"suspect": "wafer:1@2026-03-01/"}, "suspect"),
]


def test_the_answer_says_what_was_asked_and_when(replay: Replay, client: TestClient) -> None:
    """On paper the form is left out: what is handed on must say what it is about."""
    code = _wafer_with_packs(replay)
    page = re.sub("<[^>]+>", "", client.get("/exposure", params={"suspect": code, "ring": "1,1,0,90", "bin": ""}).text)
    assert f"Of {code}; only dies in the ring of centre, radii 1,1,0,90. As it stood on" in page
    asked = Question(("A B", "C@x/y"), "all", since="2026-03-01T06:30", operation="cure", shelves=("1", "2"), heat="short")
    assert asked.in_words("UTC") == (
        "All of A, B, C@x/y; only operation cure; shelf 1, 2; from 2026-03-01 06:30 to now (UTC); panels whose heat ledger is short."
    )


def test_what_is_asked_wrongly_is_named(replay: Replay, client: TestClient) -> None:
    code = replay.named("wafer:1").code
    for asked, field in WRONG:
        symbol, at, span = asked.get("suspect", "").partition("@")
        own = {"suspect": replay.named(symbol).code + at + span} if at else {}
        answer = client.get("/api/v1/exposure", params={"suspect": code} | asked | own)
        assert (answer.status_code, answer.json()["reasons"][0]["where"]) == (422, field)
    assert client.get("/api/v1/exposure", params={"suspect": "W26-999999-9"}).status_code == 404


def test_lines_and_die_bins_that_it_does_not_have_are_not_answered_with_nothing(replay: Replay, client: TestClient) -> None:
    """No suspect unit reads like all clear."""
    with replay.house.reading() as session:
        run = session.scalars(select(Run.id).where(Run.operation == "die attach").order_by(Run.id)).first()
        code = code_of(session, "run", run or 0)
    for asked, field in (({"suspect": code, "line": "987654"}, "line"), ({"suspect": replay.named("wafer:1").code, "bin": "nowhere"}, "bin")):
        answer = client.get("/api/v1/exposure", params=asked)
        assert (answer.status_code, answer.json()["reasons"][0]["where"]) == (422, field), answer.text


def test_each_suspect_may_have_a_span_of_its_own(replay: Replay, client: TestClient) -> None:
    """Two batches in spans apart are as many as each in its own, where nothing met both; a span for all of them would cut one of them short."""
    with replay.house.reading() as session:
        starts = sorted(session.scalars(select(Run.started_at).where(Run.operation == "die attach")))
    middle = starts[len(starts) // 2].isoformat()

    def total(*suspects: str, **more: str) -> dict[str, Any]:
        found: dict[str, Any] = client.get("/api/v1/exposure", params=[*(("suspect", one) for one in suspects), *more.items()]).json()["total"]
        return found

    with replay.house.reading() as session:
        station = session.scalars(select(Run.station).where(Run.operation == "die attach").order_by(Run.id)).first()
        code = code_of(session, "station", station or 0)
    early, late = total(code, until=middle), total(code, since=middle)
    assert total(f"{code}@/{middle}") == early != late == total(f"{code}@{middle}/")
    both = total(f"{code}@/{middle}", f"{code}@{middle}/")
    assert max(early["greatest"], late["greatest"]) <= both["greatest"] <= early["greatest"] + late["greatest"]
    page = client.get("/exposure", params={"suspect": f"{code}@/{middle}", "shelf": "1, 2"}).text
    assert "separated by commas" in page


@contextmanager
def _at_the_page(house: House, **asked: str) -> Iterator[tuple[TestClient, list[str], dict[str, str]]]:
    """Quality sees an exposure: the packs that are ticked, and what else its form sends."""
    with TestClient(make_app(house.settings, house)) as browser:
        sign_in(browser, person(house, "Quin", "quality"))
        page = browser.get("/exposure", params=asked).text
        hidden = re.findall(r'type="hidden" name="(form_token|key|query)" value="([^"]*)"', page)
        yield browser, re.findall(r'name="stop" value="([^"]+)"', page), {name: html.unescape(value) for name, value in hidden}


def test_packs_are_stopped_from_the_page(house: House, own: Replay) -> None:
    with _at_the_page(house, suspect=_wafer_with_packs(own)) as (browser, packs, form):
        before = _holds(house)
        browser.post("/exposure/stop", data=form | {"reason": "a cracked wafer", "stop": packs}, headers=HERE)
        assert _holds(house) == before + len(packs) > before


def test_a_stop_that_is_refused_keeps_what_was_asked_typed_and_ticked(house: House, own: Replay) -> None:
    code = _wafer_with_packs(own)
    with _at_the_page(house, suspect=code, operation="cure") as (browser, packs, form):
        before = _holds(house)
        for stop, reason, sentence in (([], "a cracked wafer", "Tick what is to be stopped"), (packs[:1], " ", "A hold needs a reason")):
            answer = browser.post("/exposure/stop", data=form | {"key": f"k{len(stop)}", "stop": stop, "reason": reason}, headers=HERE)
            assert answer.status_code == 422 and sentence in answer.text
            assert 'id="answer"' in answer.text and f'name="suspect" value="{code}"' in answer.text and "<option selected>cure" in answer.text
            assert re.findall(r'name="stop" value="([^"]+)"[^>]* checked>', answer.text) == stop
            assert f'name="reason" value="{reason}"' in answer.text
            assert 'href="?' not in answer.text, "it stands at another address than the page does"
        assert _holds(house) == before


def _holds(house: House) -> int:
    with house.reading() as session:
        return session.query(Hold).count()


def test_what_is_at_hand_is_offered_before_mixing(house: House, own: Replay) -> None:
    badge = person(house, "Quin", "quality")
    with house.reading() as session:
        loose = [code for code, symbol in own.symbols(session).items() if symbol.startswith("loose:")]
        held = books(session, [resolve(session, code).id for code in loose])
    full = max(held, key=lambda lot: (held[lot], lot))
    loose.append(Factory(house).do("split_loose", lambda s, by: code_of(s, "lot", split_loose(s, by, full, 1).item)))
    with TestClient(make_app(house.settings, house)) as browser:
        browser.post("/sign-in", data={"badge": badge, "secret": PASSWORD}, headers={"Origin": "http://testserver"})
        offered = {}
        for code in loose:
            page = browser.get("/before-mixing", params={"lot": code}).text
            offered[code] = re.findall(r'type="checkbox" name="lot" value="([^"]+)"', page)
            assert offered[code] or "nothing to mix" in page
        code, others = next((code, others) for code, others in offered.items() if others)
        page = browser.get("/before-mixing", params={"lot": [code, *others]}).text
        assert "Fill in this order" in page and all(other in page for other in others)
        call = browser.get("/api/v1/before_mixing", params={"lot": [code, *others]}).json()
        assert sorted(call["order"]) == sorted([code, *others]) and call["is_best"] == (len(others) < 7)
        _is_told_before_a_merge(browser, code, others)
        for path, name in (("/before-mixing", "lot"), ("/exposure", "suspect"), ("/differs", "code")):
            refused = browser.get(path, params={name: f"{code} W26-999999-9"})
            assert refused.status_code == 404 and "Stop." in refused.text, path
            assert f'value="{code} W26-999999-9"' in refused.text, "what was typed stays, to be put right"


def _is_told_before_a_merge(browser: TestClient, code: str, others: list[str]) -> None:
    """The form of a merge says how far one bad wafer would reach, and merges only when it is sent again."""
    form = browser.get("/do/act", params={"call": "/lots/{lot}/merge"}).text
    hidden = dict(re.findall(r'type="hidden" name="(form_token|key|call)" value="([^"]*)"', form))
    sent = hidden | {"lot": code, "others": "".join(f"{one},\n" for one in others)}  # as a list is typed too
    told = browser.post("/do/act", data=sent, headers={"Origin": "http://testserver"}).text
    assert re.search(r"This merge: \d+ → \d+ packs? for one bad wafer", told) and "Nothing is merged yet" in told
    seen = re.search(rf'name="told" value="({code} [^"]*)"', told)
    done = browser.post("/do/act", data=sent | {"told": seen[1] if seen else "", "key": "again"}, headers={"Origin": "http://testserver"}).text
    assert "Nothing is merged yet" not in done


def test_a_tray_of_samples_is_asked_of_as_samples(house: House) -> None:
    factory = Factory(house).load()
    (panel,) = factory.panels(1)
    factory.lot([panel])

    def put(session: Session, by: By) -> tuple[str, str]:
        sample = sample_cells(session, by, panel.id, [(1, 1), (1, 2)], "section", kept=True)
        tray = add_container(session, by, "tray", "Tray 1")
        put_item(session, by, tray.id, sample.item)
        return code_of(session, "container", tray.id), code_of(session, "sample", sample.item)

    tray, sample = factory.do("take_sample", put)
    with TestClient(make_app(house.settings, house), headers={"Authorization": f"Bearer {token(house, 'quality')}"}) as client:
        told = client.get("/api/v1/exposure", params={"suspect": tray}).json()
    assert [(row["code"], row["greatest"]) for row in told["lots"]] == [(sample, 2)]


def test_an_expected_number_keeps_no_room_for_odds_where_no_row_has_them(client: TestClient, replay: Replay) -> None:
    """It stood far left of its heading, beneath that of another number."""
    page = client.get("/exposure", params={"suspect": _wafer_with_packs(replay)}).text
    tables = [table for table in re.findall(r"<table.*?</table>", page, re.S) if 'class="odds' in table]
    told = [(table.startswith('<table class="even">'), re.search(r'class="odds soft">\(', table) is not None) for table in tables]
    assert any(even for even, _ in told) and all(even != has_odds for even, has_odds in told), told
