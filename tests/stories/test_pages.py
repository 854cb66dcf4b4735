"""The plain pages over HTTP, as a browser without script would use them: links and forms only."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from small_factory import SYSTEM, Factory

from app.db import House
from app.journal.act import act
from app.main import make_app
from app.naming.resolve import Named, code_of
from app.people.people import add_person
from app.people.secrets import set_secret


class Browser:
    """Signs in, keeps cookies, posts the form that stands on the page that it sees."""

    def __init__(self, client: TestClient, badge: str, password: str) -> None:
        self.client = client
        self.page = client.post("/sign-in", data={"badge": badge, "secret": password}, headers={"Origin": "http://testserver"})

    def get(self, path: str) -> str:
        self.page = self.client.get(path)
        return self.page.text

    def post(self, path: str, **fields: str) -> str:
        token = re.search(r'name="form_token" value="([^"]*)"', self.page.text)
        data = {"form_token": token[1] if token else ""} | fields
        self.page = self.client.post(path, data=data, headers={"Origin": "http://testserver"})
        return self.page.text

    def scan(self, code: str, **more: str) -> str:
        """Types a code into the terminal's field: all hidden fields go with it."""
        form = self.page.text[self.page.text.index('class="scan"') :]
        hidden = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form))
        return self.post("/floor/scan", **(hidden | {"scan": code} | more))


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


@pytest.fixture
def browser(house: House, factory: Factory) -> Iterator[Browser]:
    badges: list[str] = []

    def people(session: Any, by: Any) -> dict[str, str]:
        person = add_person(session, by, "Ola", ["operate", "quality", "administer"])
        set_secret(session, by, person.id, "password", "long enough", cheap=True)
        badges[:] = [code_of(session, "person", person.id)]
        return {}

    act(house, SYSTEM, "add_person", {}, people)
    with TestClient(make_app(house.settings, house)) as client:
        yield Browser(client, badges[0], "long enough")


def station(house: House, factory: Factory, name: str) -> str:
    with house.reading() as session:
        return code_of(session, "station", factory.things[name])


def test_without_a_session_every_page_sends_to_the_sign_in(house: House, factory: Factory) -> None:
    with TestClient(make_app(house.settings, house)) as client:
        for path in ("/", "/floor", "/lots", "/packs", "/holds", "/journal", "/find", "/people", "/loads", "/trace/X"):
            answer = client.get(path, follow_redirects=False)
            assert answer.status_code == 303, path
            assert answer.headers["location"].startswith("/sign-in")


def test_a_wrong_password_says_so_and_signs_nobody_in(house: House, factory: Factory, browser: Browser) -> None:
    other = TestClient(browser.client.app)
    page = other.post("/sign-in", data={"badge": "E-0001-V", "secret": "wrong"}, headers={"Origin": "http://testserver"})
    assert page.status_code == 403
    assert "is wrong" in page.text


def test_a_form_from_another_site_is_refused(browser: Browser) -> None:
    page = browser.client.post("/holds", data={"subject": "x", "reason": "y"}, headers={"Origin": "http://elsewhere.example"})
    assert page.status_code == 403


def test_an_operator_starts_and_finishes_by_scans_alone(house: House, factory: Factory, browser: Browser) -> None:
    lot = factory.lot(factory.panels(2))
    glue, wafer = factory.batch("GLUE"), factory.wafer()
    attach = station(house, factory, "Attach")
    browser.get("/floor")
    browser.scan(attach)
    browser.scan(glue.code)
    browser.scan(wafer.code)
    assert "Start red attach" in browser.scan(lot.code)
    assert "Start red attach" in browser.scan(lot.code), "a double read starts nothing"
    assert "Started on" in browser.scan(attach)
    assert "Finish red attach" in browser.scan(lot.code)
    assert "Finished red attach" in browser.scan(attach)
    page = browser.scan(lot.code)
    assert "Stop." in page, "what can't be done is not asked"
    assert "come to cure 1 next" in page


def test_every_page_answers_with_data(house: House, factory: Factory, browser: Browser) -> None:
    lot = factory.lot(factory.panels(2))
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    run = factory.run("Attach", lot)
    with house.reading() as session:
        run_code = code_of(session, "run", run)
    paths = ("/", "/floor", "/lots", "/packs", "/holds", "/journal", "/people", "/loads", f"/lots/{lot.code}", f"/trace/{lot.code}")
    for path in (*paths, f"/trace/{run_code}?forward=true", f"/trace/{lot.code}/csv", f"/find?code={lot.code[:4]}", f"/things/{lot.code}"):
        browser.get(path)
        assert browser.page.status_code == 200, (path, browser.page.text)


def test_quality_holds_and_releases_with_a_password(house: House, factory: Factory, browser: Browser) -> None:
    wire: Named = factory.batch("AU20")
    browser.get("/holds")
    page = browser.post("/holds", subject=wire.code, reason="wrong alloy")
    hold = re.search(r"Hold (H26-[0-9]+-.)", page)
    assert hold is not None
    assert 'name="items" size="60" value=""' in page, "nothing is typed beforehand"
    refused = browser.post(f"/holds/{hold[1]}/release", disposition="concession", words="tested", password="no")
    assert "password is wrong" in refused
    assert "<option selected>concession" in refused and 'value="tested"' in refused and 'value="no"' not in refused, "what was typed stays"
    unknown = browser.post(f"/holds/{hold[1]}/release", disposition="concession", words="tested", password="long enough", items="X26-1")
    assert "X26-1" in unknown and 'value="tested"' in unknown
    assert "released" in browser.post(f"/holds/{hold[1]}/release", disposition="concession", words="tested", password="long enough")


def test_pages_never_show_a_stack_trace(browser: Browser) -> None:
    for path in ("/things/NONSENSE", "/lots/K26-000001-0", "/holds/%00", "/trace/'; drop table item"):
        browser.get(path)
        assert browser.page.status_code in (404, 422), path
        assert "Traceback" not in browser.page.text
