"""A page says which parameters of its address nobody reads: of a misspelt one it shows everything. None that the program's own links have is told."""

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from people.signing_in import person, sign_in

from app.db import House
from app.main import make_app
from tests.small_factory import Factory

TOLD = "This page knows no parameter"


@pytest.fixture
def browser(house: House) -> Iterator[TestClient]:
    Factory(house).load()
    with TestClient(make_app(house.settings, house)) as client:
        sign_in(client, person(house, "Ada", "lead", "engineer", "administer"))
        yield client


@pytest.mark.parametrize("path", ["/terminals?aera=hall", "/board/effectiveness?off=week", "/back-entry?cod=L26-000001-9"])
def test_a_parameter_that_a_page_does_not_know_is_told(browser: TestClient, path: str) -> None:
    name = path.split("?")[1].split("=")[0]
    page = browser.get(path)
    assert page.status_code == 200
    assert f"{TOLD} {name}: it shows what it would without." in page.text


@pytest.mark.parametrize(
    "path",
    ["/terminals?said=Done&mark=0", "/board?renewed=1", "/board/effectiveness?of=week", "/do/act?call=/runs&station=S", "/lots?q=L26&sort=newest"],
)
def test_what_the_program_asks_itself_is_told_nowhere(browser: TestClient, path: str) -> None:
    page = browser.get(path)
    assert page.status_code == 200
    assert TOLD not in page.text


def test_of_what_stands_in_an_address_several_times_a_page_goes_by_the_last_and_says_so(browser: TestClient) -> None:
    page = browser.get("/board/effectiveness?of=day&of=week")
    assert page.status_code == 200
    assert "The address has “of” several times: this page goes by the last." in page.text
    assert page.text.count('role="status"') == 1


@pytest.mark.parametrize("path", ["/board/effectiveness?of=week&said=Done&said=Done", "/labels?code=A&code=B"])
def test_what_may_stand_there_several_times_is_told_nowhere(browser: TestClient, path: str) -> None:
    assert "several times" not in browser.get(path).text


def test_a_list_takes_no_word_several_times(browser: TestClient) -> None:
    page = browser.get("/lots?q=L26&q=L25")
    assert page.status_code == 422
    assert "It stands in the address several times" in page.text


def test_a_list_refuses_as_before_and_says_it_once(browser: TestClient) -> None:
    page = browser.get("/lots?q=L26&sotr=newest")
    assert page.status_code == 422
    assert "sotr" in page.text
    assert TOLD not in page.text
