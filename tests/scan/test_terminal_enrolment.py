"""A terminal may be enrolled before the stations of its area are there; whoever enrols it, and the list, are told."""

import re

from fastapi.testclient import TestClient

from app.db import House
from app.main import make_app
from app.people.callers import TERMINAL_COOKIE
from app.people.sign_in import terminal_of
from app.people.terminals import enrolled
from tests.genealogy.made import client_of
from tests.people.signing_in import HERE, person, sign_in
from tests.small_factory import Factory


def test_an_area_without_a_station_is_told_as_long_as_it_has_none(house: House) -> None:
    factory = Factory(house).load()
    with TestClient(make_app(house.settings, house)) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        enrolling = browser.get("/terminals").text
        fields = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', enrolling))
        assert '<option value="hall">' in enrolling
        for area, told in (("Hall", "but no station has that area yet."), ("hall", f"with {len(factory.stations)} stations.")):
            done = browser.post("/terminals", data=fields | {"area": area}, headers=HERE, follow_redirects=True).text
            assert told in done
            browser.cookies.delete(TERMINAL_COOKIE)  # as at another browser
        rows = [" ".join(row) for row in _rows(browser.get("/terminals").text)]
        assert rows == ["Hall none yet", "hall 10"]
        assert "Stations have the areas hall:" in browser.get("/terminals").text


def test_a_browser_that_is_enrolled_again_is_one_terminal(house: House) -> None:
    Factory(house).load()
    with TestClient(make_app(house.settings, house)) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        fields = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', browser.get("/terminals").text))
        forms = (fields | {"area": area} for area in ("Hall", "hall"))
        first, again = (browser.post("/terminals", data=form, headers=HERE, follow_redirects=True).text for form in forms)
        assert "is retired" not in first
        assert re.search(r"Terminal <?.*T-0001-.*, which it was, is retired\.", again)
        assert [row[0] for row in _rows(again)] == ["hall"]
        with house.reading() as session:
            assert [one.area for one in enrolled(session)] == ["hall"]
            assert terminal_of(session, browser.cookies[TERMINAL_COOKIE]) is not None


def _rows(page: str) -> list[list[str]]:
    cells = [[re.sub(r"<[^>]+>", "", cell) for cell in row.split("</td>")] for row in re.findall(r"<tr><td>(.*?)</tr>", page, re.S)]
    return [row[1:3] for row in cells]


def test_calls_say_how_many_stations_a_terminal_has(house: House) -> None:
    factory = Factory(house).load()
    client = client_of(factory)
    made = [client.post("/api/v1/terminals", json={"area": area}, headers={"Idempotency-Key": area}).json() for area in ("hall", "attic")]
    assert [one["stations"] for one in made] == [10, 0]
    assert {one["area"]: one["stations"] for one in client.get("/api/v1/terminals").json()} == {"hall": 10, "attic": 0}
