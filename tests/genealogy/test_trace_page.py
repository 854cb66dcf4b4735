"""A trace's page, a run's page and their files over HTTP."""

import csv
import gzip
import html
import io
import re
from typing import Any

import pytest
from fastapi.testclient import TestClient
from small_factory import SYSTEM, Factory
from sqlalchemy import event, select

from app.db import House
from app.floor.dispositions import dispose
from app.floor.voids import void_run
from app.genealogy.trace import trace_back
from app.genealogy.trace_lists import item_list, run_list
from app.journal.act import act
from app.ledger.places import Load
from app.ledger.runs import Line, Run
from app.ledger.stops import Hold
from app.naming.resolve import add_alias, code_of
from app.ovens.loads import add_to_load, begin_load, start_load
from app.people.people import add_person
from app.people.secrets import set_secret
from tests.genealogy.made import Made, client_of, made
from tests.stories.test_pages import Browser


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


@pytest.fixture
def client(factory: Factory) -> TestClient:
    return client_of(factory)


def signed_in(house: House, client: TestClient) -> Browser:
    """A person, for a machine's token has no form."""
    badges: list[str] = []

    def person(session: Any, by: Any) -> dict[str, str]:
        one = add_person(session, by, "Quinn", ["quality"])
        set_secret(session, by, one.id, "password", "long enough", cheap=True)
        badges[:] = [code_of(session, "person", one.id)]
        return {}

    act(house, SYSTEM, "add_person", {}, person)
    return Browser(TestClient(client.app), badges[0], "long enough")


def run_code(factory: Factory, run: int) -> str:
    with factory.house.reading() as session:
        return code_of(session, "run", run)


def statements(house: House, ask: Any) -> int:
    asked: list[str] = []

    def note(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
        asked.append(statement)

    engines = {house.read_engine, house.walk_engine}
    for engine in engines:
        event.listen(engine, "before_cursor_execute", note)
    try:
        ask()
    finally:
        for engine in engines:
            event.remove(engine, "before_cursor_execute", note)
    return len(asked)


def test_the_page_says_what_was_asked_and_lists_each_stage(factory: Factory, client: TestClient) -> None:
    one = made(factory)
    page = client.get(f"/trace/{one.reel.code}").text
    assert f"<title>Back from {one.reel.code}" in page
    assert "<title id=\"flow-title\">Flow into" in page
    for code in (one.wafer.code, one.glue.code, one.wire.code, one.panels[0].code, one.lot.code, one.best.code, run_code(factory, one.bond)):
        assert code in page
    assert "pull 5 gf <span class=\"soft\">(at least 3)</span>" in page
    assert "B1 76, R 4" in page
    assert "<div>red attach" in page and "<div>cut" not in page, "steps by their names"
    tests = page[page.index('id="tests"') :]
    assert run_code(factory, one.test) in tests[: tests.index("</table>")]


def test_csv_and_json_have_what_the_lists_have(factory: Factory, client: TestClient) -> None:
    one = made(factory)
    rows = list(csv.DictReader(io.StringIO(client.get(f"/trace/{one.reel.code}/csv?list=panels").text)))
    assert [row["code"] for row in rows] == sorted(panel.code for panel in one.panels)
    everything = list(csv.DictReader(io.StringIO(client.get(f"/trace/{one.reel.code}/csv").text)))
    by_code = {row["code"]: row for row in everything}
    assert by_code[run_code(factory, one.bond)]["readings"] == "pull 5 gf"
    assert by_code[run_code(factory, one.test)]["by_bin"] == "B1 76; R 4"
    assert by_code[one.glue.code]["expires_at"] == by_code[one.lot.code]["readings"] == ""
    assert None not in by_code[one.glue.code].values() and None not in by_code[one.glue.code]
    whole = client.get(f"/trace/{one.reel.code}/json").json()
    assert {row["code"] for row in whole["panels"]} == {row["code"] for row in rows}
    assert client.get(f"/trace/{one.reel.code}/json?list=runs").json()["panels"] == []
    flow = list(csv.DictReader(io.StringIO(client.get(f"/trace/{one.reel.code}/flow.csv").text)))
    assert {"from": one.best.code, "to": one.reel.code, "up_to": "30"}.items() <= next(row for row in flow if row["from"] == one.best.code).items()


def test_what_is_ticked_is_stopped_in_one_entry(house: House, factory: Factory, client: TestClient) -> None:
    one = made(factory)
    browser = signed_in(house, client)
    browser.get(f"/trace/{one.reel.code}")
    page = browser.post(f"/trace/{one.reel.code}/stop", stop=[one.glue.code, one.wire.code], reason="smells")  # type: ignore[arg-type]
    assert browser.page.status_code == 200
    assert "on hold" in page
    assert re.search(r"Stopped, with all that comes of them: .*H26-.*, .*H26-", page)
    with house.reading() as session:
        holds = list(session.scalars(select(Hold)))
        assert [hold.kind for hold in holds] == ["batch", "batch"]
        assert len({hold.e for hold in holds}) == 1
    browser.post("/trace/%E7%B8%B2/stop", stop=one.glue.code, reason="smells")  # a code that nothing has: stopped, then not found
    assert browser.page.status_code == 404


def test_a_stop_that_is_refused_keeps_what_was_shown_typed_and_ticked(house: House, factory: Factory, client: TestClient) -> None:
    one = made(factory, 60)
    browser = signed_in(house, client)
    address = f"/trace/{one.wafer.code}"
    after = sorted(panel.code for panel in one.panels)[49]
    page = browser.get(f"{address}?forward=true&at=panels:{after}&open=panel:{after}")
    listed = re.findall(r'name="stop" value="([^"]+)"', page)
    query = html.unescape(re.findall(r'name="query" value="([^"]*)"', page)[0])
    for ticked, reason, sentence in (([], "smells of \"tar\"", "Nothing is ticked"), ([listed[0], one.wafer.code], " ", "A hold needs a reason")):
        page = browser.post(f"{address}/stop", stop=ticked, reason=reason, query=query)  # type: ignore[arg-type]
        assert browser.page.status_code == 422 and sentence in page
        assert "<h1>Forward from" in page and re.findall(r'name="stop" value="([^"]+)"', page) == listed
        assert re.findall(r'name="stop" value="([^"]+)"[^>]* checked>', page) == ticked
        assert f'name="reason" value="{html.escape(reason)}"'.replace("&quot;", "&#34;") in page
        assert html.unescape(re.findall(r'name="query" value="([^"]*)"', page)[0]) == query
        assert 'href="?' not in page, "it stands at another address than the page does"
    browser.post(f"{address}/stop", stop=one.wafer.code, reason="smells", query=query)
    assert str(browser.page.url).partition("&said=")[0].endswith(f"{address}?{query}"), "it comes back to what was shown"
    with house.reading() as session:
        assert session.query(Hold).count() == 1


def test_lists_go_on_by_key_and_meet_every_row(factory: Factory) -> None:
    one = made(factory, 60)
    with factory.house.walking() as session:
        trace = trace_back(session, one.reel)
    seen: list[str] = []
    page = item_list(trace, "panels")
    while True:
        seen += [row.code for row in page.rows]
        if page.following is None:
            break
        page = item_list(trace, "panels", page.following)
        assert not page.is_first
    assert seen == [row.code for row in trace.panels]
    first = run_list(trace)
    assert first.rows == trace.runs[:25]
    assert run_list(trace, trace.runs[2].run).rows == trace.runs[3:28]


def test_the_page_of_a_thousand_panels_is_light_and_costs_no_more_statements(house: House, factory: Factory, client: TestClient) -> None:
    few = factory.lot(factory.panels(2))
    many = factory.lot(factory.panels(1000))
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.run("Attach", few)
    factory.run("Attach", many)
    ask = {lot.code: statements(house, lambda lot=lot: client.get(f"/trace/{lot.code}")) for lot in (few, many)}
    assert ask[few.code] == ask[many.code]
    page = client.get(f"/trace/{many.code}").text
    without_pictures = re.sub(r"<svg.*?</svg>", "", page, flags=re.S)
    assert len(gzip.compress(without_pictures.encode())) < 30_000
    assert len(gzip.compress(page.encode())) < 100_000
    assert f"at=panels%3A{re.search(r'after <span class=.code.>(P[^<]+)', page)[1]}" in page  # type: ignore[index]


def test_a_run_s_page_tells_it_whole(house: House, factory: Factory, client: TestClient) -> None:
    one = made(factory)
    page = client.get(f"/runs/{run_code(factory, one.bond)}").text
    for words in ("wire bond", "Bond 1", one.wire.code, one.lot.code, "at least 3", "within", "4 panels", "this server&#39;s clock"):
        assert words in page, words
    test = client.get(f"/runs/{run_code(factory, one.test)}").text
    assert "B1, prime" in test
    assert "E07" in test
    file = re.search(r'href="(/evidence/\d+)"', test)
    assert file is not None
    kept = client.get(file[1])
    assert kept.content.startswith(b"unit,result\n1,E07")
    assert kept.headers["content-disposition"].startswith("attachment")
    assert client.get("/evidence/999999").status_code == 404


def by_link(browser: Browser, page: str, said: str, **fields: str) -> str:
    """Follows the link of those words to a form, and sends it with what it was filled with."""
    link = re.search(rf'href="([^"]+)">{said}<', browser.get(page))
    assert link is not None, f"{page} has no link {said}"
    form = browser.get(html.unescape(link[1]))
    given = dict(re.findall(r'<input (?!type=.checkbox)[^>]*name="(\w+)"[^>]*value="([^"]+)"', form))
    return browser.post("/do/act", **(given | fields))


def test_a_run_s_page_leads_to_a_disposition_and_to_a_reading_s_correction(house: House, factory: Factory, client: TestClient) -> None:
    """Both are named by numbers that stand nowhere else."""
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    lot = factory.lot(factory.panels(2))
    factory.run("Attach", lot)
    load = factory.do("begin_load", lambda s, by: begin_load(s, by, factory.things["Oven"], "C170").id)
    factory.do("add_to_load", lambda s, by: len(add_to_load(s, by, s.get_one(Load, load), [lot], "1")))
    run = factory.do("start_load", lambda s, by: start_load(s, by, s.get_one(Load, load), None).run.id)
    quinn, page = signed_in(house, client), f"/runs/{run_code(factory, run)}"
    assert "Sign a disposition" not in quinn.get(page), "it is running"
    factory.finish(run)
    answer = by_link(quinn, page, "Sign a disposition of line 1", what="rework", words="no logger", password="long enough")
    assert "Done:" in answer
    assert "Sign a disposition" not in quinn.get(page), "it is signed"
    factory.do("dispose", lambda s, by: dispose(s, by, s.scalars(select(Line.id).where(Line.run == run)).one(), "concession", "looked at").id)
    factory.mount("Bond 1", factory.batch("AU20"))
    factory.run("Plasma", lot)
    bond = f"/runs/{run_code(factory, factory.run('Bond 1', lot, pull=5.0))}"
    assert "Done:" in by_link(quinn, bond, r"Correct \d+", value="5.5", reason="misread")
    assert "corrected since" in quinn.get(bond)


def test_a_run_of_many_lines_costs_no_more_statements(house: House, factory: Factory, client: TestClient) -> None:
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    one = factory.run("Attach", factory.lot(factory.panels(1)))
    two = factory.run("Attach", *[factory.lot(factory.panels(2)) for _ in range(6)])
    ask = [statements(house, lambda run=run: client.get(f"/runs/{run_code(factory, run)}")) for run in (one, two)]
    assert ask[0] == ask[1]


def test_a_voided_run_is_shown_as_such(factory: Factory, client: TestClient) -> None:
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    run = factory.run("Attach", factory.lot(factory.panels(1)))
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "the wrong lot"))
    page = client.get(f"/runs/{run_code(factory, run)}").text
    assert "voided" in page
    assert "the wrong lot" in page


def test_a_tested_lot_leads_to_its_results_with_its_bin(factory: Factory, client: TestClient) -> None:
    one: Made = made(factory)
    answer = client.get(f"/lots/{one.best.code}/results")
    assert answer.headers["location"] == f"/runs/{run_code(factory, one.test)}?bin=B1#results"
    assert client.get(f"/lots/{one.lot.code}/results").status_code == 409
    counts = list(csv.DictReader(io.StringIO(client.get(f"/runs/{run_code(factory, one.test)}/results.csv").text)))
    assert {(row["what"], row["name"]): row["units"] for row in counts} == {
        ("bin", "B1"): "76", ("bin", "B2"): "0", ("bin", "R"): "4", ("failure", "E07"): "4",
    }  # fmt: skip


def test_a_trace_by_a_number_of_any_script_is_taken_away(house: House) -> None:
    factory = Factory(house).load()
    wafer = factory.wafer()
    factory.do("receive_batch", lambda s, by: add_alias(s, by, wafer, "Kite Foundry", "wafer number", '塔"7'))
    client = client_of(factory)
    for path in ("/trace/塔%227/csv", "/trace/塔%227/flow.csv"):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert "%E5%A1%94%227" in answer.headers["content-disposition"], path
