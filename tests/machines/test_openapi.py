"""The document that a stranger gets: each call has a summary, an example that its schema takes, and its refusals. And no input breaks it."""

import json
import re
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest
import schemathesis
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from people.signing_in import token
from pydantic import BaseModel

from app.catalogue import definitions
from app.codes import is_valid
from app.db import House
from app.errors import KINDS
from app.machines.catalogue_words import WORDS
from app.machines.document import KIND_WORDS
from app.main import make_app
from tests.conftest import FreshHouse

METHODS = {"get", "post"}


@pytest.fixture
def app(house: House) -> FastAPI:
    return make_app(house.settings, house)


@pytest.fixture(scope="module")
def document(fresh_house: FreshHouse, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """It takes half a second to make."""
    with fresh_house(tmp_path_factory.mktemp("document")) as house:
        return json.loads(json.dumps(make_app(house.settings, house).openapi()))


def calls(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, methods in document["paths"].items():
        for method, call in methods.items():
            assert method in METHODS
            yield f"{method.upper()} {path}", call


@pytest.mark.only_on("sqlite")
def test_each_call_says_what_it_does_and_how_it_refuses(document: dict[str, Any]) -> None:
    for name, call in calls(document):
        assert call["summary"], name
        assert call["tags"], name
        refusals = {status for status, answer in call["responses"].items() if "application/problem+json" in answer.get("content", {})}
        assert {"401", "403", "404", "409", "422"} <= refusals, name


@pytest.mark.only_on("sqlite")
def test_a_station_is_a_code_or_says_where_its_code_is(document: dict[str, Any]) -> None:
    of_names = 0
    for name, schema in document["components"]["schemas"].items():
        station = schema.get("properties", {}).get("station")
        if station is None or is_valid(station["examples"][0]):
            continue
        of_names += 1
        field = re.fullmatch(r"Its name; a code elsewhere, which is `(\w+)` here\.", station.get("description", ""))
        assert field and field[1] in schema["properties"], name
    assert of_names == 3, "of a trace, a record and sums of counts"


def test_no_schema_is_named_after_a_module(document: dict[str, Any]) -> None:
    """Two of one name would be: app__machines__floor__MarkOut, and a generated client would say so at every use."""
    assert [name for name in document["components"]["schemas"] if name.startswith("app__")] == []


@pytest.mark.only_on("sqlite")
def test_bounds_are_least_and_greatest_and_words_of_a_path_are_joined_one_way(document: dict[str, Any]) -> None:
    fields = {name for schema in document["components"]["schemas"].values() for name in schema.get("properties", {})}
    assert {"least", "greatest"} <= fields
    assert not fields & {"most", "at_least", "at_most", "lower", "upper"}
    assert not [path for path in document["paths"] if "-" in path]


def test_each_body_and_answer_has_an_example_that_its_schema_takes(document: dict[str, Any]) -> None:
    for name, call in calls(document):
        bodies = [call["requestBody"]] if "requestBody" in call else []
        for body in [*bodies, call["responses"]["200"]]:
            assert body["content"], name
            for kind, content in body["content"].items():
                assert content["example"] not in (None, ""), name
                if kind == "application/json":
                    schema = content["schema"] | {"components": document["components"]}
                    jsonschema.Draft202012Validator(schema).validate(content["example"])
                if kind != "multipart/form-data":
                    assert '"..."' not in json.dumps(content["example"]), f"{name}: a field of it has no example"


@pytest.mark.only_on("sqlite")
def test_the_codes_in_examples_are_codes(document: dict[str, Any]) -> None:
    text = json.dumps([call for _, call in calls(document)])
    found = set(re.findall(r'"([A-Z](?:\d\d)?-\d{4,6}-[0-9A-Z])"', text))
    assert len(found) > 10
    assert not [code for code in found if not is_valid(code)]


@pytest.mark.only_on("sqlite")
def test_the_kinds_of_refusals_are_listed_in_their_order(document: dict[str, Any]) -> None:
    assert tuple(KIND_WORDS) == KINDS
    assert tuple(re.findall(r"^- `(\w+)`: ", document["info"]["description"], re.MULTILINE)) == KINDS


@pytest.mark.only_on("sqlite")
def test_every_write_takes_a_key_a_time_and_whether_it_is_a_fact(document: dict[str, Any]) -> None:
    reads = {"POST /api/v1/catalogue/check"}
    for name, call in calls(document):
        if name.startswith("POST") and name not in reads:
            told = {one["name"] for one in call.get("parameters", [])}
            assert "idempotency-key" in told, name
            for content in call["requestBody"]["content"].values():
                told |= set(_resolved(document, content["schema"]).get("properties", {}))
            assert {"happened_at", "fact"} <= told, name


@pytest.mark.only_on("sqlite")
def test_nothing_that_is_sent_breaks_it(house: House, app: FastAPI) -> None:
    bearer = {"Authorization": f"Bearer {token(house, 'operate', 'lead', 'quality', 'engineer', 'administer', facts=True)}"}
    schema = schemathesis.openapi.from_dict(app.openapi())
    broken: list[str] = []
    tried = 0
    client = _client(app)
    for result in schema.get_all_operations():
        operation = result.ok()
        if operation.path.endswith("/revoke") or operation.method not in ("get", "post"):
            continue  # it would revoke the token that is used here

        @settings(max_examples=5, database=None, deadline=None, suppress_health_check=list(HealthCheck))
        @given(case=operation.as_strategy())
        def once(case: Any) -> None:
            nonlocal tried
            tried += 1
            sent = case.as_transport_kwargs(base_url="http://testserver")
            sent["headers"] = dict(sent.get("headers") or {}) | bearer
            answer = client.request(**{key: sent[key] for key in sent if key not in ("cookies", "params")}, params=sent.get("params"))
            if answer.status_code >= 500:
                broken.append(f"{case.method} {case.formatted_path} {sent.get('json', sent.get('data'))}: {answer.text}")

        once()
    assert tried > 200
    assert not broken


def _client(app: FastAPI) -> TestClient:
    return TestClient(app, raise_server_exceptions=False)


def _resolved(document: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    return document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]] if "$ref" in schema else schema


def test_every_field_of_the_catalogue_says_what_it_means() -> None:
    """Who writes a catalogue by this document has nothing else to read."""
    bodies = {one.__name__: set(one.model_fields) for one in vars(definitions).values() if isinstance(one, type) and issubclass(one, BaseModel)}
    assert {name: set(fields) for name, fields in WORDS.items()} == {
        name: fields for name, fields in bodies.items() if name not in ("BaseModel", "Body", "Catalogue")
    }


@pytest.mark.only_on("sqlite")
def test_the_document_has_those_words(document: dict[str, Any]) -> None:
    window = document["components"]["schemas"]["Window"]["properties"]
    assert "0 where it can't" in window["repeats"]["description"]


@pytest.mark.only_on("sqlite")
def test_a_stranger_is_shown_what_to_send(document: dict[str, Any]) -> None:
    """An example sends what makes the call mean something, and only what goes together; a question takes no key."""
    sent = {name: call["requestBody"]["content"]["application/json"]["example"] for name, call in calls(document) if _takes_json(call)}
    assert sent["POST /api/v1/lots"]["panels"] and sent["POST /api/v1/containers/{container}/put"]["things"]
    assert sent["POST /api/v1/runs"].keys() == {"person", "station", "things"}, "no step of its own, no shelf: what comes next starts"
    assert not [name for name, body in sent.items() for value in body.values() if value is None]
    assert not [name for name, call in calls(document) if name.startswith("GET") and "idempotency-key" in str(call.get("parameters"))]


def _takes_json(call: dict[str, Any]) -> bool:
    return "application/json" in call.get("requestBody", {}).get("content", {})
