"""The catalogue over the API, as a stranger with its OpenAPI document would use it."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from cast import SMALL
from fastapi.testclient import TestClient
from httpx import Response

from app.catalogue.file import read_catalogue
from app.catalogue.queries import whole
from app.db import House
from app.journal.act import SYSTEM, act
from app.main import make_app
from app.naming.resolve import code_of
from app.people.people import add_person
from app.people.secrets import set_secret
from app.people.tokens import make_token

TEXT = SMALL.read_text()
Call = Callable[..., Response]
SIGNED = {"signed_by": "E-EN77-6", "password": "long enough"}


@pytest.fixture
def api(house: House) -> Iterator[Call]:
    tokens: dict[str, str] = {}

    def people(session: Any, by: Any) -> dict[str, str]:
        engineer = add_person(session, by, "Ena", ["engineer"])
        set_secret(session, by, engineer.id, "password", "long enough", cheap=True)
        SIGNED["signed_by"] = code_of(session, "person", engineer.id)
        tokens["all"] = make_token(session, by, "all", ("operate", "lead", "engineer", "administer"), may_state_facts=True)[1]
        tokens["operate"] = make_token(session, by, "floor", ("operate",), may_state_facts=False)[1]
        return {}

    act(house, SYSTEM, "add_person", {}, people)
    with TestClient(make_app(house.settings, house)) as client:

        def call(method: str, path: str, token: str = "all", key: str | None = None, **more: Any) -> Response:
            headers = {"Authorization": f"Bearer {tokens[token]}", **more.pop("headers", {})}
            if key:
                headers["Idempotency-Key"] = key
            return client.request(method, f"/api/v1{path}", headers=headers, **more)

        yield call


def send_toml(api: Call, text: str, path: str = "/catalogue", **more: Any) -> Response:
    return api("POST", path, content=text.encode(), headers={"Content-Type": "application/toml"}, **more)


def test_toml_is_loaded_and_the_answer_says_codes(api: Call, house: House) -> None:
    answer = send_toml(api, TEXT)
    assert answer.status_code == 200, answer.text
    changes = {(one["kind"], one["name"]): one for one in answer.json()["changes"]}
    station = changes["station", "Oven 1"]
    assert station["code"].startswith("S-")
    assert changes["order", "4711"]["code"].startswith("A")
    assert api("GET", "/catalogue/station").json()[0]["code"].startswith("S-")
    assert send_toml(api, TEXT).json() == {"changes": []}
    with house.reading() as session:
        assert read_catalogue(api("GET", "/catalogue.toml").text) == whole(session)


def test_json_is_loaded_and_comes_back_the_same(api: Call) -> None:
    body = read_catalogue(TEXT).model_dump(mode="json")
    assert api("POST", "/catalogue", json=body).status_code == 200
    again = api("GET", "/catalogue").json()
    assert {p["number"] for p in again["parts"]} == {p["number"] for p in body["parts"]}
    assert api("POST", "/catalogue", json=again).json() == {"changes": []}


def test_the_examples_of_the_document_can_be_sent_as_they_are(api: Call) -> None:
    content = api("GET", "/openapi.json").json()["paths"]["/api/v1/catalogue"]["post"]["requestBody"]["content"]
    assert api("POST", "/catalogue", json=content["application/json"]["example"]).status_code == 200
    assert send_toml(api, content["application/toml"]["example"]).status_code == 200


def test_a_check_says_what_would_change_and_writes_nothing(api: Call) -> None:
    would = send_toml(api, TEXT, "/catalogue/check").json()["changes"]
    assert len(would) > 20
    assert api("GET", "/catalogue").json()["parts"] == []


def test_wrong_input_is_a_problem_document_that_names_line_and_path(api: Call) -> None:
    answer = send_toml(api, TEXT.replace('bin_table = "BT"', 'bin_table = "BX"'))
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    line = TEXT[: TEXT.index('bin_table = "BT"')].count("\n") + 1
    assert answer.json()["reasons"][0]["where"] == f"line {line}, products[0].bin_table"
    assert answer.json()["kind"] == "bad_input"


@pytest.mark.parametrize(
    ("content", "where"),
    [
        (b'{"parts": [\n  {]}', "line 2, column 4"), (b"[1]", "body"), (b'{"parts": [{"number": NaN}]}', "body"), (b'\xff{"a": 1}', "body"),
        (b"", "line 1, column 1"),
    ],
)
def test_what_is_no_json_object_is_named(api: Call, content: bytes, where: str) -> None:
    answer = api("POST", "/catalogue", content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["reasons"][0]["where"] == where


def test_a_repeated_key_gives_the_first_answer(api: Call) -> None:
    first = send_toml(api, TEXT, key="one").json()
    assert send_toml(api, TEXT, key="one").json() == first
    other = send_toml(api, TEXT + "# more\n", key="one")
    assert other.status_code == 422
    assert other.json()["kind"] == "key_reused"


def test_a_route_becomes_active_by_a_signature_that_was_shown_what_changes(api: Call) -> None:
    send_toml(api, TEXT)
    shown = api("GET", "/routes/changes", params={"product": "P1", "revision": "A"}).json()
    assert (shown["state"], shown["active"]) == ("draft", None)
    assert {"path": "steps[cure].recipe", "old": None, "new": "C170"} in shown["changes"]
    body = {"product": "P1", "revision": "A", "seen": shown["definition"]}
    for signed in ({}, {**SIGNED, "password": "guessed it"}):
        refused = api("POST", "/routes/approve", json=body | signed)
        assert (refused.status_code, refused.json()["kind"]) == (403, "password")
    assert api("POST", "/routes/approve", json={**body, **SIGNED}).json() == {"route": "P1 rev A", "retired": None}
    assert api("GET", "/catalogue/route").json()[0]["state"] == "active"
    frozen = send_toml(api, TEXT.replace("max_minutes = 600", "max_minutes = 601"))
    assert (frozen.status_code, frozen.json()["kind"]) == (409, "finished")
    assert api("POST", "/routes/retire", json={"product": "P1", "revision": "A", **SIGNED}).json()["state"] == "retired"


def test_a_lot_is_moved_to_another_revision_by_a_signature(api: Call) -> None:
    send_toml(api, TEXT)
    api("POST", "/routes/approve", json={"product": "P1", "revision": "A", **SIGNED})
    frames = api("POST", "/batches", json={"part": "FRAME"}).json()["batch"]
    panels = api("POST", "/panels", json={"frames": frames, "count": 2}).json()["panels"]
    lot = api("POST", "/lots", json={"product": "P1", "panels": panels, "order": "4711"}).json()["lot"]
    route = TEXT[TEXT.index("[[routes]]") : TEXT.index("[[stations]]")].replace('revision = "A"', 'revision = "B"')
    assert send_toml(api, route).status_code == 200
    draft = api("POST", f"/lots/{lot}/revision", json={"revision": "B", **SIGNED})
    assert (draft.status_code, draft.json()["kind"]) == (409, "revision_inactive")
    api("POST", "/routes/approve", json={"product": "P1", "revision": "B", **SIGNED})
    assert api("POST", f"/lots/{lot}/revision", json={"revision": "B", **SIGNED}).json() == {"lot": lot, "route": "P1 rev B"}


def test_an_operators_token_loads_no_catalogue(api: Call) -> None:
    answer = send_toml(api, TEXT, token="operate")
    assert (answer.status_code, answer.json()["kind"]) == (403, "duty")
    assert api("GET", "/catalogue", token="operate").status_code == 200


def test_a_station_answers_to_its_name(api: Call) -> None:
    send_toml(api, TEXT)
    assert api("POST", "/loads", json={"station": "Oven 1", "recipe": "C170"}).status_code == 200
