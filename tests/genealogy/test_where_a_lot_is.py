"""What a lot's page and the API say of where it is, of its windows, and of a magazine that its panels have left it in."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient

from app.catalogue.definitions import Body, Product, Route, Window
from app.catalogue.queries import named
from app.catalogue.single import next_revision
from app.db import House
from app.floor.containers import add_container, put_item, put_panels
from app.floor.lots import merge_lots
from app.floor.moves import move_item
from app.floor.scrap import scrap_panel, scrap_units
from app.genealogy.traveller import travellers
from app.ledger.items import Lot
from app.ledger.sets import panels_of_lot
from app.naming.resolve import Named, codes_of
from tests.board.line import STEPS, loose_lot, lot, run
from tests.genealogy.made import client_of, made_loose
from tests.small_factory import Factory

WINDOWS = (
    Window(from_step="plasma", to_step="bond", max_minutes=240), Window(from_step="plasma", to_step="look", max_minutes=1440, until="end"),
)  # fmt: skip
MORE: tuple[tuple[str, Body], ...] = (
    ("product", Product(part_number="Q", rows=4, columns=5, roles=())),
    ("route", Route(product="Q", revision='A "first"', steps=STEPS, windows=WINDOWS)),
)


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(*MORE)


@pytest.fixture
def client(factory: Factory) -> TestClient:
    return client_of(factory)


def test_a_lot_of_panels_is_where_its_panels_are(factory: Factory, client: TestClient) -> None:
    one = lot(factory, 2, order=None)
    assert client.get(f"/api/v1/lots/{one.code}").json()["where"] == "floor"
    factory.do("move_item", lambda s, by: str(move_item(s, by, one.id, "stock", "rack 4")))
    assert client.get(f"/api/v1/lots/{one.code}").json()["where"] == "stock: rack 4"


def test_a_panel_that_broke_at_an_outside_firm_reads_as_scrapped_there_in_a_trace(factory: Factory, client: TestClient) -> None:
    one = lot(factory, 2, order=None)
    factory.do("move_item", lambda s, by: str(move_item(s, by, one.id, "outside", "Tolland Slicing")))
    with factory.house.reading() as session:
        broken, whole = panels_of_lot(session, one.id)
        codes = codes_of(session, "panel", [broken, whole])
    factory.do("scrap", lambda s, by: scrap_panel(s, by, broken, "broken there").id)
    factory.do("move_item", lambda s, by: str(move_item(s, by, whole, "floor")))
    assert "floor, scrapped: Tolland Slicing" in client.get(f"/lots/{one.code}").text
    found = client.get(f"/api/v1/trace/{one.code}").json()
    assert {row["code"]: row["where"] for row in found["panels"]} == {codes[broken]: "scrapped: Tolland Slicing", codes[whole]: "floor"}


def test_a_trace_an_exposure_and_the_lots_own_page_say_the_same_of_where_it_is(factory: Factory, client: TestClient) -> None:
    """On the floor, at an outside firm, in part back from there, joined to another lot."""
    one, other = lot(factory, 2, order=None), lot(factory, 1, order=None)
    with factory.house.reading() as session:
        panels = panels_of_lot(session, one.id)
    assert _told(client, one) == {"floor"}
    factory.do("move_item", lambda s, by: str(move_item(s, by, one.id, "outside", "Tolland Slicing")))
    assert _told(client, one) == {"outside: Tolland Slicing"}
    factory.do("move_item", lambda s, by: str(move_item(s, by, panels[0], "stock", "rack 4")))
    assert _told(client, one) == {"outside: Tolland Slicing, stock: rack 4"}
    factory.do("merge_lots", lambda s, by: merge_lots(s, by, other.id, [one.id]).item)
    assert _told(client, other) == {"floor, outside: Tolland Slicing, stock: rack 4"}
    assert client.get(f"/api/v1/lots/{one.code}").json()["where"] == "outside: Tolland Slicing, stock: rack 4", "where what was in it last is"


def test_a_singulated_lot_and_its_panels_read_so_everywhere(factory: Factory, client: TestClient) -> None:
    _, _, _, panels, whole, _, loose = made_loose(factory, 2)
    assert _told(client, whole) == {"singulated"}
    assert {row["where"] for row in client.get(f"/api/v1/trace/{panels[0].code}").json()["lots"]} == {"singulated"}
    back = client.get(f"/api/v1/trace/{loose.code}").json()
    assert {row["code"]: row["where"] for row in back["lots"]} == {whole.code: "singulated", loose.code: "floor"}
    assert {row["where"] for row in back["panels"]} == {"singulated"}


def _told(client: TestClient, of: Named) -> set[str]:
    """Every word for the place of a panel lot: its own page's, a trace's and an exposure's, of it and, together, of its panels."""
    traced = client.get(f"/api/v1/trace/{of.code}", params={"direction": "forward"}).json()
    exposed = client.get("/api/v1/exposure", params={"suspect": of.code}).json()
    told = {client.get(f"/api/v1/lots/{of.code}").json()["where"], traced["subject"]["where"]}
    told |= {row["where"] for row in exposed["lots"] if row["code"] == of.code}
    return told | {", ".join(sorted({row["where"] for row in found["panels"]})) for found in (traced, exposed)}


def test_every_window_that_a_step_opens_stands_on_the_traveller(factory: Factory) -> None:
    one = lot(factory, 2, order=None)
    with factory.house.reading() as session:
        (shown,) = travellers(session, [session.get_one(Lot, one.id)], datetime.now(UTC))
    assert shown.steps[0].window.split("; ") == ["wire bond must begin within 4 h 00 min", "inspection must end within 24 h 00 min"]


def test_a_window_that_ran_out_says_whether_the_step_had_to_begin_or_to_end(factory: Factory) -> None:
    one, at = lot(factory, 2, order=None), datetime.now(UTC)
    run(factory, "Plasma", one, at - timedelta(hours=50))
    with factory.house.reading() as session:
        (shown,) = travellers(session, [session.get_one(Lot, one.id)], at)
    words = [window.words.partition(" ran out")[0] for window in shown.strip.windows]
    assert words == ["The time to begin wire bond after plasma clean", "The time to end inspection after plasma clean"]


def test_a_lot_that_is_empty_is_in_no_magazine(factory: Factory) -> None:
    one, other = lot(factory, 1, order=None), lot(factory, 1, order=None)

    def boxed(s: Any, by: Any) -> int:
        box = add_container(s, by, "magazine", "Magazine 1")
        put_panels(s, by, box.id, panels_of_lot(s, one.id))
        return box.id

    factory.do("add_container", boxed)
    factory.do("merge_lots", lambda s, by: merge_lots(s, by, other.id, [one.id]).item)
    with factory.house.reading() as session:
        rows = [session.get_one(Lot, item) for item in (other.id, one.id)]
        full, empty = travellers(session, rows, datetime.now(UTC))
    assert (empty.is_empty, empty.containers) == (True, ())
    assert len(full.containers) == 1


def test_a_loose_lot_that_gave_all_is_in_no_jar(factory: Factory) -> None:
    one, jar = loose_lot(factory, 1, order=None), factory.do("add_container", lambda s, by: add_container(s, by, "jar", "Jar 1").id)
    factory.do("fill_container", lambda s, by: put_item(s, by, jar, one.id) is None)

    def containers() -> int:
        with factory.house.reading() as session:
            (shown,) = travellers(session, [session.get_one(Lot, one.id)], datetime.now(UTC))
        return len(shown.containers)

    assert containers() == 1
    factory.do("scrap", lambda s, by: scrap_units(s, by, one.id, 20, "dropped").id)
    assert containers() == 0


def test_a_loose_lot_that_gave_all_leads_to_no_mixing(factory: Factory, client: TestClient) -> None:
    """Of an empty one the page beyond says that there is nothing to mix."""
    loose = loose_lot(factory, 2, order=None)
    link = f"/before-mixing?lot={loose.code}"
    assert link in client.get(f"/lots/{loose.code}").text
    factory.do("scrap", lambda s, by: scrap_units(s, by, loose.id, 40, "bent").id)
    assert link not in client.get(f"/lots/{loose.code}").text


def test_the_next_revision_of_a_route_leaves_it_open_whatever_it_is_called(factory: Factory) -> None:
    with factory.house.reading() as session:
        text = next_revision(named(session, "route", 'Q rev A "first"'))
    assert 'revision = ""' in text


def test_a_span_before_the_calendar_is_refused(client: TestClient, factory: Factory) -> None:
    station = client.get("/api/v1/stations").json()[0]["station"]
    for end in ("0001-01-01T00:00:00Z", "0001-01-01T23:00:00Z"):
        answer = client.get(f"/api/v1/stations/{station}/states", params={"end": end})
        assert answer.status_code == 422, answer.text
    begin = (datetime.now(UTC) - timedelta(hours=1)).isoformat()
    assert client.get(f"/api/v1/stations/{station}/states", params={"begin": begin}).status_code == 200
