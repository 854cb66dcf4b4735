"""Every route, by every duty and by none, against the one table of doors."""

import inspect
import re
from collections.abc import Iterator

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from people.signing_in import HERE, person, sign_in, token
from sqlalchemy import func, select
from walking import PUBLIC, Way, leaves, ways

from app.db import House
from app.errors import NotAllowed
from app.journal.act import Actor
from app.journal.actions import ACTIONS
from app.journal.models import Entry
from app.main import make_app
from app.people.callers import TERMINAL_COOKIE
from app.people.doors import DOORS, ROWS, check_duties_of
from app.people.people import DUTIES
from app.people.sign_in import form_token
from tests.small_factory import Factory

ENDLESS = {"GET /board/changes"}  # an event stream: the duty before it is asked the same way
BRINGS_A_SIGNER = {f"POST {path}" for path in (
    "/api/v1/routes/approve", "/api/v1/routes/retire", "/api/v1/lots/{lot}/revision", "/api/v1/counts/sign", "/api/v1/at_risk",
    "/api/v1/lines/{line}/disposition", "/api/v1/holds/{hold}/release",
)}  # fmt: skip


@pytest.fixture
def app(house: House) -> FastAPI:
    return make_app(house.settings, house)


@pytest.fixture
def browser(app: FastAPI) -> Iterator[TestClient]:
    with TestClient(app, follow_redirects=False, raise_server_exceptions=False) as one:
        yield one


def refused_for_duty(browser: TestClient, way: Way, headers: dict[str, str]) -> bool:
    sent = way.sent | {"headers": way.sent.get("headers", {}) | headers}
    if not way.is_call and way.method == "POST":
        sent["data"] = way.sent["data"] | {"form_token": form_token(browser.cookies["reelroot_session"])}
    answer = browser.request(way.method, way.filled, **sent)
    assert answer.status_code < 500, (way.route, answer.text)
    if way.is_call:
        said = answer.json() if "json" in answer.headers["content-type"] else {}
        assert answer.status_code != 403 or said["kind"] in ("duty", "password"), (way.route, said)
        return answer.status_code == 403 and said["kind"] == "duty"
    return answer.status_code == 403 and "This needs the duty" in answer.text


@pytest.mark.only_on("sqlite")
def test_a_page_opens_to_the_duties_of_its_row_and_to_no_other(house: House, app: FastAPI, browser: TestClient) -> None:
    pages = [way for way in ways(app) if not way.is_call and way.route not in ENDLESS]
    for duty in DUTIES:
        browser.cookies.pop(TERMINAL_COOKIE, None)  # at a desk: who enrols the terminal that they sit at is signed out there
        sign_in(browser, person(house, f"Mara {duty}", duty))
        for way in pages:
            if way.path == "/my-secret":
                continue  # three wrong passwords more would make the person wait
            assert refused_for_duty(browser, way, HERE) is (duty not in DOORS[way.route]), (way.route, duty)


@pytest.mark.only_on("sqlite")
def test_a_call_opens_to_the_duties_of_its_row_and_to_no_other(house: House, app: FastAPI, browser: TestClient) -> None:
    calls = [way for way in ways(app) if way.is_call]
    for duty in DUTIES:
        bearer = {"Authorization": f"Bearer {token(house, duty, facts=True)}"}
        for way in calls:
            if way.path not in ("/api/v1/tokens/{token}/revoke", "/api/v1/people/{person}"):  # would revoke this token; one's own is open
                assert refused_for_duty(browser, way, bearer) is (duty not in DOORS[way.route]), (way.route, duty)


@pytest.mark.only_on("sqlite")
def test_a_form_of_another_session_is_stale_on_every_page(house: House, app: FastAPI, browser: TestClient) -> None:
    sign_in(browser, person(house, "Mara", *DUTIES))
    for way in ways(app):
        if way.method == "POST" and not way.is_call:
            sent = way.sent | {"headers": way.sent.get("headers", {}) | HERE, "data": way.sent["data"] | {"form_token": "another's"}}
            answer = browser.request(way.method, way.filled, **sent)
            assert answer.status_code == 422 and "This form is stale" in answer.text, (way.route, answer.text)


def test_a_person_without_duties_comes_nowhere(house: House, app: FastAPI, browser: TestClient) -> None:
    sign_in(browser, person(house, "Mara"))
    assert "reelroot_session" not in browser.cookies
    for path in ("/", "/lots", "/people"):
        assert browser.get(path).status_code == 303
    assert browser.get("/api/v1/lots").status_code == 401


def test_at_a_call_another_may_sign_and_only_where_a_signature_is_asked(house: House, app: FastAPI, browser: TestClient) -> None:
    """An operator's terminal takes the signature of quality: then it is the signer's duty that counts."""
    sign_in(browser, person(house, "Mara", "operate"))
    signed = {way.route: way for way in ways(app) if way.is_call and isinstance(row := ROWS.get(way.route), str) and ACTIONS[row].signed}
    assert set(signed) == BRINGS_A_SIGNER
    for way in signed.values():
        answer = browser.request(way.method, way.filled, headers=HERE, json=way.sent["json"] | {"signed_by": person(house, "Q", "operate")})
        assert answer.status_code == 403 and answer.json()["kind"] == "password", (way.route, answer.text)


def test_a_row_names_the_very_action_that_its_route_does(app: FastAPI) -> None:
    for route in leaves(app.routes):
        for method in getattr(route, "methods", None) or ():
            row = ROWS.get(f"{method} {route.path}")
            done = set(re.findall(r'"([a-z_]+)"', inspect.getsource(route.endpoint))) & set(ACTIONS) if row and method == "POST" else set()
            assert not done or row in done, f"{method} {route.path} does {done}, its row says {row}"


@pytest.mark.only_on("sqlite")
def test_to_look_writes_nothing_on_the_record(house: House, app: FastAPI, browser: TestClient) -> None:
    """So that no link, picture or prefetch of a browser acts."""
    Factory(house).load()
    sign_in(browser, person(house, "Ada", *DUTIES))
    with house.reading() as session:
        before = session.scalar(select(func.count()).select_from(Entry))
    looks = [way for way in ways(app) if way.method == "GET" and way.route not in ENDLESS]
    answers = [browser.get(way.filled, **way.sent).status_code for way in looks]
    assert answers.count(200) > 60, answers
    with house.reading() as session:
        assert session.scalar(select(func.count()).select_from(Entry)) == before


def test_a_route_that_the_table_does_not_name_opens_to_nobody() -> None:
    with pytest.raises(NotAllowed, match="This is closed"):
        check_duties_of("GET /forgotten", Actor("person", 1, "Mara", frozenset(DUTIES)))


def test_nothing_else_is_public() -> None:
    """What answers without anybody signed in is a short list that is read with care."""
    assert {"/static", "/sign-in", "/sign-out", "/first/{secret}", "/api", "/api/v1/openapi.json"} == PUBLIC


def test_the_list_of_people_and_others_pages_are_for_who_plans_and_trains(house: House, browser: TestClient) -> None:
    odd = person(house, "Odd", "quality")
    for duty, sees in (("operate", False), ("quality", False), ("engineer", False), ("lead", True), ("administer", True)):
        own = person(house, f"Mara {duty}", duty)
        sign_in(browser, own)
        bearer = {"Authorization": f"Bearer {token(house, duty)}"}
        listed = browser.get("/people")
        assert (listed.status_code, listed.headers.get("location")) == ((200, None) if sees else (303, f"/people/{own}"))
        assert browser.get(f"/people/{own}").status_code == 200
        assert browser.get(f"/people/{odd}").status_code == (200 if sees else 403)
        assert browser.get("/people", headers=bearer).status_code == (200 if sees else 403)
        assert browser.get("/api/v1/people", headers=bearer).status_code == (200 if sees else 403)
        assert browser.get(f"/api/v1/people/{odd}", headers=bearer).status_code == (200 if sees else 403)
        for path in ("/api/v1/catalogue", "/api/v1/catalogue.toml", "/catalogue/dump"):
            assert ("Odd" in browser.get(path).text) is sees, (path, duty)


def test_the_journal_tells_nobody_elses_duties_and_certificates_but_to_who_sees_people(house: House, browser: TestClient) -> None:
    badge, admin = person(house, "Odd", "quality"), {"Authorization": f"Bearer {token(house, 'administer')}"}
    change = {"duties": ["engineer"], "certificates": [{"name": "laser safety", "valid_until": "2030-01-01T00:00:00Z"}]}
    assert browser.post(f"/api/v1/people/{badge}/change", json=change, headers=admin).status_code == 200
    machine = {"name": "bonder 3", "duties": ["operate"], "valid_until": None}
    assert browser.post("/api/v1/tokens", json=machine, headers=admin).status_code == 200
    for duty, sees in (("operate", False), ("quality", False), ("lead", True), ("administer", True)):
        sign_in(browser, person(house, f"Mara {duty}", duty))
        for path in ("/journal", "/journal?format=csv", "/journal?format=json", "/api/v1/journal"):
            told = browser.get(path).text
            assert badge in told or "Odd" in told, "that something was changed is told"
            assert ("laser safety" in told, "engineer" in re.sub(r"<option[^>]*>[^<]*", "", told)) == (sees, sees), (path, duty)
        for guessed in ("LASER SAFETY", "laser", "2030-01"):  # a search that finds the entry tells as much
            assert ("Odd" in browser.get(f"/journal?format=csv&q={guessed}").text) <= sees, (guessed, duty)
