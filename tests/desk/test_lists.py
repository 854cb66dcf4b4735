"""The lists: what they find, that they go on by key without a gap, that their files say what the page says, and what they cost."""

import csv
import html
import io
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

import pytest
from browser.staging import PASSWORD, Stage, staged
from fastapi.testclient import TestClient
from sqlalchemy import event

from app import clock
from app.db import House
from app.desk.listing import Listing, asked_of, show
from app.desk.pages import LISTINGS
from app.desk.told import told
from app.errors import Refused
from app.floor.containers import add_container, put_panels
from app.holds.place import place_hold
from app.journal.actions import ACTIONS
from app.ledger.sets import panels_of_lot
from app.main import make_app
from app.web.downloads import safe
from tests.board.line import line, lot, run

BY_NAME = {one.name: one for one in LISTINGS}
each_list = pytest.mark.parametrize("listing", LISTINGS, ids=lambda one: one.name)


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with fresh_house(tmp_path_factory.mktemp("desk")) as house:
        yield staged(house)


@pytest.fixture(scope="module")
def client(stage: Stage) -> Iterator[TestClient]:
    house = stage.factory.house
    with TestClient(make_app(house.settings, house)) as client:
        client.post("/sign-in", data={"badge": stage.badges["Ada"], "secret": PASSWORD}, headers={"Origin": "http://testserver"})
        yield client


def rows(stage: Stage, name: str, **asked: str) -> list[dict[str, str]]:
    listing = BY_NAME[name]
    with stage.factory.house.reading() as session:
        found = show(session, listing, asked_of(listing, asked)).rows
    return [{column.name: str(cell) for column, cell in zip(listing.columns, row, strict=True)} for row in found]


def codes(stage: Stage, name: str, **asked: str) -> list[str]:
    return [next(iter(row.values())) for row in rows(stage, name, **asked)]


@each_list
def test_a_list_is_a_page_and_two_files_of_the_same_rows(client: TestClient, listing: Listing) -> None:
    page = client.get(f"/{listing.name}").text
    as_csv = list(csv.reader(io.StringIO(client.get(f"/{listing.name}?format=csv").text)))
    as_json = client.get(f"/{listing.name}?format=json").json()[listing.name]
    assert f"<h1>{listing.title}</h1>" in page
    assert as_csv[0] == [column.name for column in listing.columns]
    assert as_json, "the staged factory has something of each"
    assert len(as_csv) == len(as_json) + 1 == page.count("<tr>")
    for in_csv, in_json in zip(as_csv[1:], as_json, strict=True):
        assert in_csv[0] == str(next(iter(in_json.values())))
        assert f">{in_csv[0]}<" in page or listing.name in ("journal", "security"), "its first column is a time"


@each_list
def test_all_rows_of_a_list_are_one_file_wherever_the_page_is(client: TestClient, listing: Listing, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file of a page has its fifty rows, which is not what someone wants who counts them in a spreadsheet."""

    def sent(asked: str) -> list[list[str]]:
        return list(csv.reader(io.StringIO(client.get(f"/{listing.name}?{asked}").text)))

    every = sent("rows=1000&format=csv")
    monkeypatch.setattr("app.desk.listing.ROWS", (2, 3))
    is_long = len(every) > 3
    page = client.get(f"/{listing.name}?rows=2").text
    (link,) = re.findall(r'href="([^"]+format=all_csv)"', page) or [""]
    assert bool(link) == is_long
    if is_long:
        behind = re.findall(r'href="([^"]+)" rel="next"', page)
        assert f'href="{link}"' in client.get(html.unescape(behind[0])).text, "of the second page, too, it begins at the first row"
        whole = list(csv.reader(io.StringIO(client.get(html.unescape(link)).text)))
        assert whole == every
        monkeypatch.setattr("app.desk.answer.MOST", 2)
        cut = list(csv.reader(io.StringIO(client.get(html.unescape(link)).text)))
        assert cut[:3] == whole[:3] and cut[3:] == [["There are more than these 2 rows: narrow the list, and take it in parts."]]


def test_all_rows_are_those_of_what_was_asked_and_what_is_not_understood_begins_no_file(client: TestClient) -> None:
    of_page, of_all = (client.get(f"/holds?format={form}&state=in+force").text.splitlines() for form in ("csv", "all_csv"))
    assert of_all == of_page and len(of_all) > 1
    assert client.get("/runs?format=all_csv&day=never").status_code == 422


@each_list
def test_a_list_goes_on_by_key_in_every_order_and_leaves_nothing_out(stage: Stage, listing: Listing, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.desk.listing.ROWS", (2, 1000))
    with stage.factory.house.reading() as session:
        for sort in listing.sorts:
            whole = show(session, listing, asked_of(listing, {"sort": sort.name, "rows": "1000"})).rows
            turned, after = [], ""
            while after is not None:
                page = show(session, listing, asked_of(listing, {"sort": sort.name, "after": after, "rows": "2"}))
                turned += page.rows
                after = page.following
                assert len(turned) <= len(whole)
            assert [row[0] for row in turned] == [row[0] for row in whole], sort.name


@each_list
def test_every_filter_narrows_and_none_breaks(stage: Stage, listing: Listing) -> None:
    everything = set(codes(stage, listing.name, rows="1000"))
    with stage.factory.house.reading() as session:
        chosen = show(session, listing, asked_of(listing, {})).choices
    for one in listing.filters:
        values = chosen.get(one.name) or ["2026-01-01" if one.kind == "date" else "no such thing"]
        for value in values:
            assert set(codes(stage, listing.name, rows="1000", **{one.name: value})) <= everything
        if one.choices is None:
            assert codes(stage, listing.name, **{one.name: values[0]}) == [], one.name


@each_list
def test_a_page_looks_at_so_many_rows_and_the_pages_together_at_all(stage: Stage, listing: Listing, monkeypatch: pytest.MonkeyPatch) -> None:
    with stage.factory.house.reading() as session:
        chosen = show(session, listing, asked_of(listing, {})).choices
        for sort in listing.sorts:
            for one in listing.filters:
                for value in chosen.get(one.name, [])[:4]:
                    asked = {"sort": sort.name, one.name: value, "rows": "1000"}
                    whole, turned, after = show(session, listing, asked_of(listing, asked)), [], ""
                    with monkeypatch.context() as patch:
                        patch.setattr("app.desk.listing.LOOKS_AT", 2)
                        assert show(session, listing, asked_of(listing, asked | {"look": "all"})).rows == whole.rows
                        while after is not None:
                            page = show(session, listing, asked_of(listing, asked | {"after": after}))
                            assert len(page.rows) <= 2 or one.finds or page.looked_at == 0
                            turned, after = [*turned, *page.rows], page.following
                    assert turned == whole.rows, (sort.name, one.name, value)


def test_a_page_that_found_nothing_where_it_looked_says_so_and_leads_on(stage: Stage, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.desk.listing.LOOKS_AT", 2)
    page = client.get("/runs?outcome=aborted").text
    assert "Nothing among the 2 rows that were looked at fits" in page
    further, everything = re.findall(r'<a href="([^"]+)"[^>]*>look ', page)
    assert "after=" in further and "outcome=aborted" in further and everything == "/runs?outcome=aborted&amp;look=all"
    assert "Nothing here fits" in client.get("/runs?outcome=aborted&look=all").text
    assert client.get("/runs?outcome=aborted&format=json").json()["next"], "a program is led on as well"


def test_a_whole_code_is_found_however_far_back(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.desk.listing.LOOKS_AT", 1)
    lots = codes(stage, "lots", sort="oldest")
    assert codes(stage, "lots", q=lots[0]) == [lots[0]]
    assert codes(stage, "panels", lot=stage.codes["fresh"])


@each_list
@pytest.mark.parametrize(
    "address", ["look=some", "sort=none", "rows=7", "after=x", "after=%5B1%5D", "q=%00", "format=xml", f"q={'x' * 101}", "after=-1"]
)
def test_an_address_that_means_nothing_is_refused_with_the_way_on(client: TestClient, listing: Listing, address: str) -> None:
    answer = client.get(f"/{listing.name}?{address}")
    assert answer.status_code == 422
    assert "Now" in answer.text


@each_list
def test_a_filter_that_is_misspelt_shows_not_everything(client: TestClient, listing: Listing) -> None:
    for form in ("html", "csv", "json"):
        answer = client.get(f"/{listing.name}?stauts=held&format={form}")
        assert answer.status_code == 422
        assert all(name in answer.text for name in ("stauts", "it is asked by q, ", *(one.name for one in listing.filters)))
    assert client.get(f"/{listing.name}?said=Done.&mark=x").status_code == 200, "what a page says is no filter"


def test_a_thing_is_found_by_its_code_by_a_part_of_it_and_by_what_is_in_it(stage: Stage) -> None:
    fresh, box = stage.codes["fresh"], stage.codes["box"]
    assert codes(stage, "lots", q=fresh) == [fresh]
    assert fresh in codes(stage, "lots", q=fresh[3:-2].lower())
    assert codes(stage, "lots", q=box) == [stage.codes["other"]], "by its container"
    panel = codes(stage, "panels", lot=fresh)[0]
    assert codes(stage, "lots", q=panel) == [fresh], "by a panel in it"
    assert codes(stage, "shipments", q=stage.codes["reel"]) == [stage.codes["shipment"]]
    assert codes(stage, "stations", q="bond 1") == ["Bond 1"]
    assert codes(stage, "lots", q="%") == codes(stage, "lots", q="_") == [], "no wildcard of the database's"


def test_a_date_code_with_a_part_number_gives_every_pack_with_both(stage: Stage) -> None:
    reel = next(row for row in rows(stage, "packs") if row["pack"] == stage.codes["reel"])
    assert codes(stage, "packs", date_code=reel["date_code"], part_number="P1") == [stage.codes["reel"]]
    assert codes(stage, "packs", date_code=reel["date_code"], part_number="P1-S") == []
    assert codes(stage, "packs", date_code="0101", part_number="P1") == []
    for torn in (reel["date_code"][:3], reel["date_code"][:2]):
        assert codes(stage, "packs", date_code=torn, part_number="P1") == [stage.codes["reel"]], "the first part of it, where a label is torn"
    assert codes(stage, "packs", date_code="01", part_number="P1") == codes(stage, "packs", date_code="x1", part_number="P1") == []
    assert reel["where"] == "shipped: Arden Lights"
    assert codes(stage, "packs", where="shipped", shipment=stage.codes["shipment"]) == [stage.codes["reel"]]
    assert codes(stage, "packs", where="stock") == []


def test_the_lists_say_what_is_so(stage: Stage) -> None:
    lots = {row["lot"]: row for row in rows(stage, "lots")}
    assert "held" in lots[stage.codes["held"]]["state"]
    assert "at risk" in lots[stage.codes["risky"]]["state"]
    assert lots[stage.codes["bonding"]]["next"] == "bond"
    assert lots[stage.codes["packed"]]["state"] == "('nothing in it now',)"
    assert lots[stage.codes["packed"]]["next"] == "None", "all of it went on, and nothing of it waits for a step"
    assert stage.codes["packed"] not in codes(stage, "lots", now="in work, waiting or held")
    stations = {row["name"]: row for row in rows(stage, "stations")}
    assert "the wedge is worn" in stations["Bond 2"]["state"]
    assert codes(stage, "stations", state="unscheduled downtime") == ["Bond 2"]
    assert codes(stage, "holds", q=stage.codes["held"]) == [stage.codes["hold"]]
    loads = {row["load"]: row["state"] for row in rows(stage, "loads")}
    assert loads[stage.codes["filling"]] == "being filled"
    judged = [row["judged"] for row in rows(stage, "runs", operation="cure")]
    assert sorted(judged) == ["disposition signed", "no judgement yet"]


def test_the_journal_tells_a_things_own_story(stage: Stage) -> None:
    told_of = [row["what"] for row in rows(stage, "journal", q=stage.codes["held"], sort="oldest")]
    assert told_of == ["started a lot", "placed a hold"]
    reel = [row["what"] for row in rows(stage, "journal", q=stage.codes["reel"], sort="oldest")]
    assert reel == ["filled a pack", "dry packed a pack", "shipped packs"]
    today = clock.now().date().isoformat()
    assert len(codes(stage, "journal", day=today, rows="1000")) == len(codes(stage, "journal", rows="1000"))
    assert codes(stage, "journal", day="2001-01-01") == []
    with pytest.raises(Refused, match="not a date"):
        rows(stage, "journal", day="yesterday")
    assert {row["what"] for row in rows(stage, "journal", action="place a hold")} == {"placed a hold"}


def test_every_action_can_be_told_in_the_past() -> None:
    for name, action in ACTIONS.items():
        words = told(name)
        assert words != action.words or words.split()[0] in ("cut", "let", "put", "set", "split"), words
        assert not re.match(r"\w*(eed|aked|tted) ", words), words


def test_a_formula_in_a_name_is_no_formula_in_the_csv(stage: Stage, client: TestClient) -> None:
    stage.factory.batch("GLUE", supplier="=HYPERLINK(1)")
    page = client.get("/batches?format=csv&supplier==HYPERLINK(1)".replace("==", "=%3D")).text
    assert "'=HYPERLINK(1)" in page


@pytest.mark.parametrize(("first", "is_defused"), [("=", True), ("\uff1d", True), ("\uff0d", True), ("\n", True), ("A", False)])
def test_whatever_begins_a_formula_somewhere_is_defused(first: str, is_defused: bool) -> None:
    assert safe(f"{first}1+1") == ("'" if is_defused else "") + f"{first}1+1"


@pytest.mark.parametrize("text", ["x;=1+1", "x\t=1+1", "x;@sum", 'x";=1+1', "x;-1+1", "x;\uff1d1"])
def test_what_begins_a_formula_after_a_semicolon_is_defused(text: str) -> None:
    """A spreadsheet of a country with decimal commas begins a new cell there, whatever stands in quotes."""
    defused = safe(text)
    assert defused != text and defused.replace("'", "", 1) == text
    assert not any(part[:1] in "=+-@\uff1d" for part in re.split("[;\t]", defused))
    assert safe("a; b - c; 5 = five") == "a; b - c; 5 = five"


def test_anyone_not_signed_in_is_sent_to_sign_in(stage: Stage) -> None:
    house = stage.factory.house
    with TestClient(make_app(house.settings, house)) as stranger:
        for listing in LISTINGS:
            answer = stranger.get(f"/{listing.name}?format=csv", follow_redirects=False)
            assert answer.headers["location"].startswith("/sign-in")


@contextmanager
def counted(house: House) -> Iterator[list[str]]:
    """Those of this thread: a server beside it seals by its own timer."""
    statements: list[str] = []
    mine = threading.get_ident()

    def note(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if threading.get_ident() == mine:
            statements.append(statement)

    event.listen(house.read_engine, "before_cursor_execute", note)
    yield statements
    event.remove(house.read_engine, "before_cursor_execute", note)


def cost(house: House, listing: Listing) -> tuple[int, int]:
    """Statements, and rows, of a page of up to a thousand rows."""
    with house.reading() as session, counted(house) as statements:
        page = show(session, listing, asked_of(listing, {"rows": "1000"}))
    return len(statements), len(page.rows)

def test_no_list_gives_the_database_a_parameter_a_panel(house: House) -> None:
    """SQLite takes 32,766 of them, PostgreSQL 65,535: a thousand lots of a hundred panels are more."""
    factory = line(house)
    magazine = factory.do("add_container", lambda s, by: add_container(s, by, "magazine", "M 1").id)
    inside = lot(factory, 70)
    with house.reading() as session:
        panels = panels_of_lot(session, inside.id)
    factory.do("fill_container", lambda s, by: put_panels(s, by, magazine, panels) is None)
    run(factory, "Plasma", inside)
    most: list[int] = []
    event.listen(house.read_engine, "before_cursor_execute", lambda _c, _cursor, _statement, values, *_: most.append(len(values)))
    for listing in LISTINGS:
        if listing.name in ("lots", "containers", "runs", "loads"):
            with house.reading() as session:
                assert show(session, listing, asked_of(listing, {})).rows or listing.name == "loads"
    assert max(most) < 70


def test_a_list_costs_as_many_statements_for_ten_rows_as_for_many(stage: Stage) -> None:
    """Last of this file: it makes many. Panels and journal reach a thousand rows, the others what a test may take to make."""
    house, factory = stage.factory.house, stage.factory
    before = {listing.name: cost(house, listing) for listing in LISTINGS}
    factory.panels(1000)
    for _ in range(12):
        lot = factory.lot(factory.panels(1))
        factory.run("Attach", lot)
        factory.wafer()
        factory.do("place_hold", lambda s, by, lot=lot: place_hold(s, by, lot, "many").id)
    after = {listing.name: cost(house, listing) for listing in LISTINGS}
    for name, (statements, n) in after.items():
        assert statements <= before[name][0], f"{name}: {before[name]} became {(statements, n)}"
    assert after["panels"][1] == 1000
