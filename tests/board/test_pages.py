"""The board's pages over HTTP, and the stream that renews it: no connection is held, and it ends with the watcher and with the server."""

import re
import time
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event

from app import clock
from app.db import House
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.ledger.stops import Hold
from app.naming.resolve import resolve
from app.people.sessions import end_sessions
from tests.board.line import NOON, line, lot, run
from tests.browser.staging import Stage, serving
from tests.people.signing_in import PASSWORD, call, client, person, sign_in, token
from tests.small_factory import Factory

PAGES = ("/board", "/board/now", "/board/lots", "/board/lots?mark=stuck", "/board/effectiveness", "/board/effectiveness?of=week", "/board/shift")


@pytest.fixture
def factory(house: House) -> Factory:
    return line(house)


@pytest.fixture
def browser(house: House, factory: Factory) -> Iterator[TestClient]:
    with client(house) as one:
        sign_in(one, person(house, "Lea", "lead"))
        yield one


def test_nobody_who_is_not_signed_in_sees_the_board(house: House, factory: Factory) -> None:
    with client(house) as one:
        assert [one.get(path).status_code for path in PAGES] == [303] * len(PAGES)


def test_an_empty_floor_says_what_would_fill_the_board(browser: TestClient) -> None:
    page = browser.get("/board").text
    assert "No lot is open." in page
    assert "Nothing went past a gate this week." in page
    assert "inside the band" not in page and "Nothing was expected as the day began, and nothing was taped." in page
    assert "<dt>Units taped today</dt>" in page and "So far <strong>0</strong> units." in page


@pytest.mark.only_on("postgresql")
@pytest.mark.parametrize("path", ["/board", "/board/lots", "/api/v1/board"])
def test_the_board_reads_nothing_whole_that_grows_with_history(browser: TestClient, factory: Factory, house: House, path: str) -> None:
    run(factory, "Plasma", lot(factory, 2))
    whole: list[str] = []

    def explained(connection: Any, _cursor: Any, statement: str, values: Any, *_: Any) -> None:
        if statement.lstrip().lower().startswith(("select", "with")):
            plan = connection.connection.driver_connection.cursor().execute(f"explain {statement}", values).fetchall()
            whole.extend(found[1] for (step,) in plan if (found := re.search(r"Seq Scan on (\w+)", step)))

    for engine in (house.read_engine, house.walk_engine):
        event.listen(engine, "before_cursor_execute", explained)
    assert browser.get(path).status_code == 200
    assert {"lot_holding", "member", "panel", "cover", "line", "run", "judgement", "cell_mark", "move", "flow", "code", "entry"}.isdisjoint(whole)


def test_the_board_names_the_held_lot_and_leads_to_it(browser: TestClient, factory: Factory) -> None:
    now = clock.now()
    held = lot(factory, 2, now - timedelta(hours=40))
    run(factory, "Plasma", lot(factory, 2, now - timedelta(hours=3)), now - timedelta(hours=2))
    factory.do("place_hold", lambda s, by: place_hold(s, by, held, "bent frames").id, happened_at=now - timedelta(hours=30))
    page = browser.get("/board").text
    assert f"{held.code} held 1 d 6 h" in re.sub("<[^>]+>", "", page)
    assert page.count("<svg") >= 4
    stuck = browser.get("/board/lots?mark=stuck").text
    assert f'href="/things/{held.code}"' in stuck
    assert "wire bond" not in stuck
    assert "wire bond" in browser.get("/board/lots").text


def test_effectiveness_has_its_terms_one_click_away(browser: TestClient, factory: Factory) -> None:
    assert "No station has a theoretical rate." in browser.get("/board/effectiveness").text
    assert browser.get("/board/effectiveness?on=9999-12-31").status_code == 422
    assert browser.get("/board/shift?on=0001-01-01").status_code == 422


def test_units_that_a_release_freed_are_not_read_as_part_of_its_count(browser: TestClient, factory: Factory) -> None:
    """ "1 20 units" is a number of a thousand where thousands are parted by blanks."""
    held = factory.lot(factory.panels(1))
    hold = factory.do("place_hold", lambda s, by: place_hold(s, by, held, "bent").id, happened_at=NOON)
    verb: Any = lambda s, by: release_hold(s, by, s.get_one(Hold, hold), [], "concession", "looked at", units_freed=20).id  # noqa: E731
    factory.do("release_hold", verb, signed=True, happened_at=NOON)
    assert '<dt>Releases</dt><dd>1 <span class="soft">(20 units freed)</span></dd>' in browser.get("/board/shift?on=2026-03-04&shift=early").text


def test_the_shift_report_carries_the_newest_digest(browser: TestClient, house: House, factory: Factory) -> None:
    from app.journal.sealing import newest_digest, seal

    seal(house)
    with house.reading() as session:
        newest = newest_digest(session)
    assert newest is not None
    page = browser.get("/board/shift").text
    assert newest[1] in page
    assert "Times are in Europe/Vienna" in page


def test_a_machine_reads_the_same(browser: TestClient, house: House, factory: Factory) -> None:
    bearer, one = token(house, "operate"), lot(factory, 2)
    found = call(browser, bearer, "GET", "/board").json()
    assert [(row["step"], row["waiting"], row["lots"][0]["lot"]) for row in found["rows"]] == [("plasma", 1, one.code)]
    assert call(browser, bearer, "GET", "/effectiveness?of=week").json() == []
    shift = call(browser, bearer, "GET", "/shift_report").json()
    assert shift["lots_started"] <= 1


@pytest.mark.only_on("sqlite")
def test_the_stream_says_what_is_new_without_holding_a_connection_and_ends_with_session_and_server(house: House, factory: Factory) -> None:
    badge = person(house, "Lea", "lead")
    stage = Stage(factory)
    with serving(stage), httpx.Client(base_url=stage.url, timeout=8, headers={"Origin": stage.url}) as browser:
        browser.post("/sign-in", data={"badge": badge, "secret": PASSWORD})
        with browser.stream("GET", "/board/changes") as first:
            assert first.headers["content-type"].startswith("text/event-stream")
            lines = first.iter_lines()
            before = _number(lines)
            assert house.read_engine.pool.checkedout() == 0  # type: ignore[attr-defined]
            lot(factory, 1)
            assert _number(lines) > before
            with house.writing() as session:
                end_sessions(session, resolve(session, badge, "person").id, clock.now())
            lot(factory, 1)
            assert [one for one in lines if one.startswith("data:")] == []  # who is out is told no more
        browser.post("/sign-in", data={"badge": badge, "secret": PASSWORD})
        watcher = browser.send(browser.build_request("GET", "/board/changes"), stream=True)
        _number(watcher.iter_lines())
        begun = time.monotonic()
    assert time.monotonic() - begun < 8  # a stream was open when the server stopped
    assert house.read_engine.pool.checkedout() == 0  # type: ignore[attr-defined]


def _number(lines: Iterator[str]) -> int:
    """The number of the next `changed`."""
    for one in lines:
        if one.startswith("data:"):
            return int(one.removeprefix("data:"))
    raise AssertionError("the stream ended")
