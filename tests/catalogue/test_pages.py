"""The catalogue's pages over HTTP, as a browser without script uses them: links and forms only."""

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from cast import SMALL
from fastapi.testclient import TestClient
from sqlalchemy import event

from app.catalogue.file import read_catalogue
from app.catalogue.queries import named, route_state, whole
from app.db import House
from app.evidence.models import Evidence
from app.journal.act import SYSTEM, act
from app.main import make_app
from app.naming.resolve import code_of
from app.people.people import add_person
from app.people.secrets import set_secret

TEXT = SMALL.read_text()
HERE = {"Origin": "http://testserver"}


class Browser:
    """Follows redirects and keeps what it sees."""

    def __init__(self, client: TestClient, badge: str) -> None:
        self.client, self.status = client, 0
        self.page = self._seen(client.post("/sign-in", data={"badge": badge, "secret": "long enough"}, headers=HERE))

    def get(self, path: str) -> str:
        return self._seen(self.client.get(path))

    def submit(self, action: str, files: Any = None, **fields: str) -> str:
        """Sends the form with that action as it stands on the page, with its hidden fields."""
        forms = re.findall(r"<form[^>]*action=\"([^\"]+)\"[^>]*>(.*?)</form>", self.page, re.DOTALL)
        inside = next(body for target, body in forms if target == action)
        hidden = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', inside))
        return self._seen(self.client.post(action, data=hidden | fields, files=files, headers=HERE))

    def link(self, text: str) -> str:
        return unescape(re.findall(rf'<a href="([^"]+)">{re.escape(text)}</a>', self.page)[0])

    def _seen(self, answer: Any) -> str:
        self.status, self.page = answer.status_code, answer.text
        return self.page


@pytest.fixture
def client(house: House) -> Iterator[TestClient]:
    with TestClient(make_app(house.settings, house)) as client:
        yield client


def sign_in(house: House, client: TestClient, *duties: str) -> Browser:
    badges: list[str] = []

    def verb(session: Any, by: Any) -> dict[str, str]:
        person = add_person(session, by, "Ena Engineer", duties)
        set_secret(session, by, person.id, "password", "long enough", cheap=True)
        badges[:] = [code_of(session, "person", person.id)]
        return {}

    act(house, SYSTEM, "add_person", {}, verb)
    return Browser(client, badges[0])


def load(browser: Browser, text: str) -> str:
    browser.get("/catalogue/load")
    browser.submit("/catalogue/load/look", files={"file": ("small.toml", text.encode())})
    return browser.submit("/catalogue/load", password="long enough")


def test_a_file_is_shown_before_it_is_loaded_and_kept_as_evidence(house: House, client: TestClient) -> None:
    browser = sign_in(house, client, "engineer", "administer")
    assert "None yet. Load a catalogue first." in browser.get("/catalogue")
    browser.get(browser.link("Load a file"))
    shown = browser.submit("/catalogue/load/look", files={"file": ("small.toml", TEXT.encode())})
    assert "P1 rev A" in shown
    assert "Nothing is written yet" in shown
    with house.reading() as session:
        assert whole(session).parts == ()
        assert session.query(Evidence).count() == 0
    home = browser.submit("/catalogue/load", password="long enough")
    assert "added, 0 changed" in home
    assert "Times are in Europe/Vienna" in home
    with house.reading() as session:
        assert [row.kind for row in session.query(Evidence)] == ["catalogue"]
        assert read_catalogue(client.get("/catalogue/dump").text) == whole(session)
    browser.get("/catalogue/load")
    assert "Nothing: the catalogue says so already." in browser.submit("/catalogue/load/look", files={"file": ("small.toml", TEXT.encode())})


def test_a_wrong_file_is_answered_with_line_and_path_on_the_same_page(house: House, client: TestClient) -> None:
    browser = sign_in(house, client, "engineer")
    browser.get("/catalogue/load")
    page = browser.submit("/catalogue/load/look", files={"file": ("x.toml", b'[[recipes]]\nname = "X"\nsoak = 3\n')})
    assert browser.status == 422
    assert "line 3, recipes[0].soak" in page
    assert 'type="file"' in page


def test_every_kind_and_thing_has_a_page(house: House, client: TestClient) -> None:
    browser = sign_in(house, client, "engineer", "administer")
    load(browser, TEXT)
    for kind in ("product", "route", "recipe", "station", "part", "bin_table", "reason", "customer", "order"):
        page = browser.get(f"/catalogue/of/{kind}")
        assert browser.status == 200
        for link in set(re.findall(r'href="(/catalogue/thing/\d+)"', page)):
            browser.get(link)
            assert browser.status == 200, link
    browser.get("/catalogue/of/station")
    assert re.search(r"S-\d+", browser.get(browser.link("Oven 1")))
    for path in ("/catalogue/of/nothing", "/catalogue/thing/999999"):
        browser.get(path)
        assert browser.status == 404, path


def test_a_route_is_approved_with_a_password_after_seeing_what_changes(house: House, client: TestClient) -> None:
    browser = sign_in(house, client, "engineer", "administer")
    load(browser, TEXT)
    browser.get("/catalogue")
    browser.get(browser.link("P1 rev A"))
    assert "steps[cure].recipe" in browser.page
    approve = re.findall(r'action="(/catalogue/thing/\d+/approve)"', browser.page)[0]
    assert "The password is wrong" in browser.submit(approve, password="guessed it")
    assert browser.status == 403
    assert "P1 rev A is active." in browser.submit(approve, password="long enough")
    route = TEXT[TEXT.index("[[routes]]") : TEXT.index("[[stations]]")].replace('revision = "A"', 'revision = "B"').replace("= 600", "= 300")
    load(browser, route)
    browser.get("/catalogue")
    page = browser.get(browser.link("P1 rev B"))
    assert "Against P1 rev A" in page
    assert "windows[cure to bond].max_minutes" in page
    browser.submit(re.findall(r'action="(/catalogue/thing/\d+/approve)"', page)[0], password="long enough")
    with house.reading() as session:
        assert route_state(session, named(session, "route", "P1 rev A").id) == "retired"
    retire = re.findall(r'action="(/catalogue/thing/\d+/retire)"', browser.page)[0]
    assert "P1 rev B is retired." in browser.submit(retire, password="long enough")


def test_an_operator_reads_and_can_neither_load_nor_approve(house: House, client: TestClient) -> None:
    load(sign_in(house, client, "engineer", "administer"), TEXT)
    client.cookies.clear()
    browser = sign_in(house, client, "operate")
    assert "Load a file" not in browser.get("/catalogue")
    page = browser.get(browser.link("P1 rev A"))
    assert "An engineer approves it" in page
    token = re.findall(r'name="form_token" value="([^"]*)"', page)[0]
    seen = {"form_token": token, "password": "long enough", "seen": "1"}
    thing = re.findall(r"/catalogue/of/|/catalogue/thing/(\d+)", page)
    with house.reading() as session:
        route = named(session, "route", "P1 rev A").id
    assert thing
    answer = client.post(f"/catalogue/thing/{route}/approve", data=seen, headers=HERE)
    assert answer.status_code == 403
    assert "duty" in answer.text
    client.cookies.clear()
    sign_in(house, client, "engineer")
    stale = client.post(f"/catalogue/thing/{route}/approve", data=seen | {"form_token": "x"}, headers=HERE)
    assert stale.status_code == 422


def test_a_digest_that_was_not_looked_at_leads_nowhere(house: House, client: TestClient) -> None:
    browser = sign_in(house, client, "engineer")
    token = re.findall(r'name="form_token" value="([^"]*)"', browser.get("/catalogue/load"))[0]
    for digest in ("0" * 64, "../../etc/passwd"):
        assert client.post("/catalogue/load", data={"digest": digest, "form_token": token}, headers=HERE).status_code == 404


def test_a_list_costs_the_same_number_of_statements_however_long(house: House, client: TestClient) -> None:
    browser = sign_in(house, client, "engineer", "administer")
    load(browser, TEXT)
    few = statements(house, lambda: browser.get("/catalogue/of/station"))
    load(browser, "\n".join(f'[[stations]]\nname = "More {i}"\narea = "hall"\noperations = ["inspect"]' for i in range(40)))
    assert statements(house, lambda: browser.get("/catalogue/of/station")) == few
    assert "More 39" in browser.page


def statements(house: House, ask: Any) -> int:
    asked: list[str] = []

    def note(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
        asked.append(statement)

    event.listen(house.read_engine, "before_cursor_execute", note)
    try:
        ask()
    finally:
        event.remove(house.read_engine, "before_cursor_execute", note)
    return sum(statement.lower().startswith("select") for statement in asked)
