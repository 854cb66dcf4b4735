"""The first page of an empty installation says what to do, in order; and every code leads to a page."""

import re
from collections.abc import Iterator

import pytest
from browser.staging import Stage, staged
from fastapi.testclient import TestClient
from people.signing_in import HERE, PASSWORD, person

from app.db import House
from app.floor.containers import add_container
from app.journal.act import SYSTEM, act
from app.main import make_app
from app.people.people import add_person


@pytest.fixture
def client(house: House) -> Iterator[TestClient]:
    with TestClient(make_app(house.settings, house)) as client:
        yield client


def sign_in(client: TestClient, badge: str) -> None:
    client.post("/sign-in", data={"badge": badge, "secret": PASSWORD}, headers=HERE)


def token(page: str) -> str:
    return re.findall(r'name="form_token" value="([^"]+)"', page)[0]


def ticked(page: str) -> list[bool]:
    return [word == "done" for word in re.findall(r'<span class="state \w*">(done|to do)</span>', page)]


def test_before_anyone_is_there_the_sign_in_says_how_to_begin(client: TestClient, house: House) -> None:
    assert "one-time link" in client.get("/").text
    person(house, "Ada", "administer")
    assert "one-time link" not in client.get("/").text


def test_an_empty_installation_says_what_to_do_and_ticks_what_is_done(client: TestClient, house: House) -> None:
    sign_in(client, person(house, "Ada", "administer", "engineer"))
    page = client.get("/").text
    assert "Set up this factory" in page
    assert ticked(page) == [False] * 7
    for form in ("Receive material", "Receive panels", "Start the first lot"):
        link = re.search(f'href="([^"]+)">{form}<', page)
        assert link is not None and "<form" in client.get(link[1]).text.partition("<main")[2], f"{form} leads to its form, not to a list of all"
    shown = client.post("/catalogue/example", data={"form_token": token(page)}, headers=HERE).text
    assert "LF-C20 rev A" in shown
    assert "Nothing is written yet" in shown
    fields = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', shown))
    wrong = client.post("/catalogue/load", data=fields | {"password": "not mine"}, headers=HERE)
    assert wrong.status_code == 403
    assert "Nothing is written yet" in wrong.text, "it is shown again"
    client.post("/catalogue/load", data=fields | {"password": PASSWORD}, headers=HERE)
    act(house, SYSTEM, "add_person", {}, lambda s, by: {"person": add_person(s, by, "Bo", ("operate",)).id})
    assert ticked(client.get("/").text) == [True] + [False] * 6, "whom a file names has no PIN or password yet, and can't sign in"
    person(house, "Ola", "operate")
    assert ticked(client.get("/").text) == [True, False, True, False, False, False, False]


def test_someone_who_may_not_load_a_catalogue_is_offered_none(client: TestClient, house: House) -> None:
    sign_in(client, person(house, "Ola", "operate"))
    page = client.get("/").text
    assert "Set up this factory" in page
    assert "example catalogue</button>" not in page
    answer = client.post("/catalogue/example", data={"form_token": token(page)}, headers=HERE)
    assert answer.status_code == 403


def test_every_code_leads_to_a_page_and_a_part_of_one_finds_it(house: House, client: TestClient) -> None:
    stage: Stage = staged(house)
    sign_in(client, stage.badges["Ada"])
    assert "What do you want to do?" in client.get("/").text
    del stage.codes["red"]  # it was made without a die map, which only a test can do: its page has nothing to draw
    for name, code in stage.codes.items() | {("badge", stage.badges["Ola"]), ("station", stage.station("Saw"))}:
        page = client.get(f"/find?code={code}")
        assert page.status_code == 200, name
        assert page.url.path != "/find", name
        assert code in page.text, name
        assert code in client.get(f"/find?code={code[1:-2].lower()}").text, name
    act(house, SYSTEM, "add_container", {}, lambda s, by: {"container": add_container(s, by, "magazine", "L'été ☂ 12").id})
    assert client.get("/find", params={"code": "L'été ☂ 12"}).url.path.startswith("/containers/")
    assert "magazine" not in (page := client.get("/find", params={"code": "été"}).text) and "container, L&#39;été ☂ 12" in page
    assert client.get("/find?code=Saw").url.path == f"/stations/{stage.station('Saw')}"
    assert "Nothing here has ZZZZ" in client.get("/find?code=ZZZZ").text
    short = client.get("/find", params={"code": "ét"}).text
    assert "Nothing here has" not in short and "looked through from 3 characters on" in short, "it was not looked for there"
    assert client.get("/find?code=%00").status_code == 200
