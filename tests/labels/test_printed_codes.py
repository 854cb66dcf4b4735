"""Codes to print: a plant that has none on its badges, stations and magazines can scan nothing."""

import re

from fastapi.testclient import TestClient
from people.signing_in import client, person, sign_in

from app.catalogue import queries as catalogue
from app.db import House
from app.floor.containers import add_container
from app.naming.resolve import code_of
from tests.small_factory import Factory


def cards(browser: TestClient, path: str) -> list[tuple[str, str]]:
    """(code, words) as they stand on the sheet, each beside a symbol that says the code."""
    page = browser.get(path).text
    found = re.findall(r"<li>(<svg.*?</svg>)<strong>([^<]*)</strong>.*?<code>([^<]*)</code>", page, re.S)
    assert all(code in symbol for symbol, _, code in found), "a symbol is told by its code where it is not seen"
    return [(code, words) for _, words, code in found]


def test_every_station_container_and_badge_can_be_printed_and_any_thing_by_itself(house: House) -> None:
    factory = Factory(house).load()
    box = factory.do("add_container", lambda s, by: code_of(s, "container", add_container(s, by, "magazine", "red 1").id))
    glue, lot = factory.batch("GLUE").code, factory.lot(factory.panels(1)).code
    ada, ola = person(house, "Ada", "administer"), person(house, "Ola", "operate")
    with house.reading() as session:
        names = sorted(one.name for one in catalogue.every(session, "station"))
    with client(house) as browser:
        sign_in(browser, ada)
        assert [words for _, words in cards(browser, "/codes?kind=station")] == names
        assert cards(browser, "/codes?kind=container") == [(box, "red 1")]
        assert cards(browser, "/codes?kind=person") == [(ada, "Ada"), (ola, "Ola")]
        assert cards(browser, f"/codes?code={lot}&code={box}&code={glue}") == [(lot, "P1"), (box, "red 1"), (glue, "GLUE")]
        for page in ("/stations", "/containers", "/people", f"/containers/{box}", f"/people/{ola}", f"/lots/{lot}", f"/trace/{glue}"):
            link = re.search(r'href="(/codes\?[^"]+)"', browser.get(page).text)
            assert link is not None and cards(browser, link[1]), page
        assert browser.get("/codes?kind=pack").status_code == 422


def test_the_badges_of_others_are_printed_by_who_sees_people_alone(house: House) -> None:
    ada, ola = person(house, "Ada", "administer"), person(house, "Ola", "operate")
    with client(house) as browser:
        sign_in(browser, ola)
        assert cards(browser, f"/codes?code={ola}") == [(ola, "Ola")]
        assert browser.get(f"/codes?code={ada}").status_code == browser.get("/codes?kind=person").status_code == 403
