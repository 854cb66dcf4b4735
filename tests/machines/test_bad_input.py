"""What is no call at all: each answer is a problem document that names the place, and nothing is written."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from people.signing_in import PASSWORD, person, token
from sqlalchemy import func, select
from walking import leaves, resolved

from app.db import House
from app.journal.models import Entry
from app.main import make_app

JSON = {"content-type": "application/json"}
TOO_LARGE = 2**63


@pytest.fixture
def machine(house: House) -> Iterator[TestClient]:
    bearer = token(house, "operate", "lead", "quality", "engineer", "administer", facts=True)
    with TestClient(make_app(house.settings, house), headers={"Authorization": f"Bearer {bearer}"}) as client:
        yield client


def problem(answer: Any, status: int, kind: str = "bad_input", where: str = "") -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    found: dict[str, Any] = answer.json()
    assert found["kind"] == kind
    assert any(where in reason["where"] for reason in found["reasons"]), found
    return found


@pytest.mark.parametrize(
    ("body", "headers", "status", "where"),
    [
        (b"{", JSON, 422, "body"),
        (b'{"part": "\xff"}', JSON, 400, "body"),
        (b"[" * 100_000, JSON, 400, "body"),
        (b'{"part": ' + b"9" * 5000 + b"}", JSON, 400, "body"),
        (b'{"part": "GLUE", "supplier": NaN}', JSON, 422, "body.supplier"),
        (b'{"part": "GLUE", "colour": "red"}', JSON, 422, "body.colour"),
        (b'{"part": "GLUE", "happened_at": "2026-03-01T07:30:00"}', JSON, 422, "body.happened_at"),
        (b'{"part": "GLUE", "happened_at": "0001-01-01T00:00:00+14:00"}', JSON, 422, "body.happened_at"),
        (b'{"part": "GLUE\\u0000"}', JSON, 422, "body.part"),
        (b'{"part": "GLUE", "part": "WIRE"}', JSON, 422, "body.part"),
        (b'{"part": "GLUE", "part": "GLUE"}', {"content-type": "application/merge-patch+json"}, 422, "body.part"),
        (b'{"part": "GLUE", "facts": [{"a": 1}, {"a": 1, "b": {}, "a": 2}]}', JSON, 422, "body.facts.1.a"),
        (b'{"part": "GLUE", "\\ud800": 1, "\\ud800": 2}', JSON, 422, r"body.'\ud800'"),
        (b'{"a":' * 800 + b'{"b": 1, "b": 2}' + b"}" * 800, JSON, 422, "body.a.a"),
        (b'{"part": "GLUE"}', {"content-type": "text/plain"}, 422, "body"),
        (b"", JSON, 422, "body"),
    ],
)  # fmt: skip
def test_a_body_that_can_not_be_read(house: House, machine: TestClient, body: bytes, headers: dict[str, str], status: int, where: str) -> None:
    with house.reading() as session:
        before = session.scalar(select(func.count()).select_from(Entry))
    problem(machine.post("/api/v1/batches", content=body, headers=headers), status, where=where)
    with house.reading() as session:
        assert session.scalar(select(func.count()).select_from(Entry)) == before


def _part(head: bytes, body: bytes = b"1") -> bytes:
    return b"--x\r\nContent-Disposition: form-data" + head + b"\r\n\r\n" + body + b"\r\n"


@pytest.mark.parametrize(
    ("kind", "body", "why", "now"),
    [
        ("multipart/form-data", b"1", "no boundary", "boundary="),
        ("multipart/form-data; boundary=x", b"1", "can't be told from each other", "boundary"),
        ("multipart/form-data; boundary=x", _part(b"") + b"--x--\r\n", "no name", "name"),
        ("multipart/form-data; boundary=x", _part(b'; name="part"', b"1" * 1_100_000) + b"--x--\r\n", "longer than 1 MB", "as a file"),
        ("application/x-www-form-urlencoded", b"1" * 1_100_000, "longer than 1 MB", "as a file"),
        ("multipart/form-data; boundary=x", _part(b'; name="part"') * 1001 + b"--x--\r\n", "more than 1,000 fields or files", "several calls"),
        ("multipart/form-data; boundary=x", _part(b'; name="files"; filename="a"') * 1001 + b"--x--\r\n", "1,000 fields or files", "several calls"),
    ],
)  # fmt: skip
def test_a_form_that_can_not_be_read_says_why_and_what_to_do(machine: TestClient, kind: str, body: bytes, why: str, now: str) -> None:
    told = problem(machine.post("/api/v1/wafers", content=body, headers={"content-type": kind}), 400, where="body")
    (reason,) = told["reasons"]
    assert told["title"] == "The input is not understood." and why in reason["why"] and now in reason["now"], reason


@pytest.mark.parametrize(
    ("path", "body", "where", "why", "now"),
    [
        ("/counts", b"{}", "body.units", "missing", "Give it"),
        ("/counts", b'{"thing": "L", "units": "ten"}', "body.units", "not a whole number", "like 12"),
        ("/counts", b'{"thing": "L", "units": 1.5}', "body.units", "not a whole number", "like 12"),
        ("/counts", b'{"thing": "L", "units": 99999999999}', "body.units", "more than 1000000000", "up to 1000000000"),
        ("/batches", b'{"part": "GLUE", "colour": "red"}', "body.colour", "no such field", "correct its name"),
        ("/batches", b'{"part": ["GLUE"]}', "body.part", "not text", "Give a text"),
        ("/batches", b'{"part": ""}', "body.part", "fewer characters than 1", "Fill it in"),
        ("/batches", b'{"part": "GLUE\\u0000"}', "body.part", "It has control characters.", "Send it without them."),
        ("/batches", b'{"part": "GLUE", "happened_at": "24.12.2026"}', "body.happened_at", "not a date and time", "2026-03-05T14:30:00Z"),
        ("/batches", b'{"part": "GLUE", "happened_at": "2026-03-01T07:30:00"}', "body.happened_at", "no time zone", "2026-03-05T14:30:00Z"),
        ("/batches", b'{"part": "GLUE",}', "body", "not JSON", "in UTF-8"),
        ("/batches", b"[1]", "body", "not an object", "document at /api"),
        ("/people", b'{"name": "Ada", "duties": "lead"}', "body.duties", "not a list", "even of one"),
        ("/tokens", b'{"name": "T", "duties": ["rule"]}', "body.duties.0", "not one of the words", "'operate'"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told_in_words_of_ours(machine: TestClient, path: str, body: bytes, where: str, why: str, now: str) -> None:
    reasons = problem(machine.post(f"/api/v1{path}", content=body, headers=JSON), 422)["reasons"]
    told = [one for one in reasons if one["where"].startswith(where)]
    assert any(why in one["why"] and now in one["now"] for one in told), reasons
    assert not any("Input" in one["why"] or "Value error" in one["why"] for one in reasons), reasons


@pytest.mark.parametrize("day", ["2026-03-05T14:30:00Z", "5.3.2026"])
def test_a_day_is_asked_for_as_a_day(machine: TestClient, day: str) -> None:
    """What is given as the remedy says is taken."""
    (reason,) = problem(machine.get("/api/v1/effectiveness", params={"on": day}), 422)["reasons"]
    assert reason["why"] == "It is not a day." and reason["now"] == "Give it like 2026-03-05."
    assert machine.get("/api/v1/effectiveness", params={"on": "2026-03-05"}).status_code == 200


def test_a_code_of_another_kind_and_none_and_a_long_one(house: House, machine: TestClient) -> None:
    badge = person(house, "Pia", "quality")
    assert machine.get(f"/api/v1/packs/{badge}").json()["title"].startswith(f"{badge} is the code of another kind: person.")
    assert "No code was given." in machine.get("/api/v1/packs/%20").json()["title"]
    assert len(machine.get(f"/api/v1/packs/{'9' * 5000}").json()["title"]) < 200


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_a_reading_is_a_number(machine: TestClient, value: str) -> None:
    body = f'{{"values": [{{"name": "pull", "value": {value}}}]}}'.encode()
    problem(machine.post("/api/v1/runs/R26-000001-0/finish", content=body, headers=JSON), 422, where="body.values.0.value")


def test_a_file_that_is_missing_is_named(machine: TestClient) -> None:
    for path, field in (("/wafers", "files"), ("/placement_logs", "file"), ("/logger_files", "file"), ("/runs/R26-000001-0/unit_results", "file")):
        problem(machine.post(f"/api/v1{path}", data={"part": "WR", "station": "S"}), 422, where=f"body.{field}")
        problem(machine.post(f"/api/v1{path}", json={"part": "WR", "station": "S"}), 422, where=f"body.{field}")


def test_times_beside_files_are_read_like_others(machine: TestClient) -> None:
    files = [("files", ("map.txt", b"..."))]
    problem(machine.post("/api/v1/wafers", data={"part": "WR", "happened_at": "yesterday"}, files=files), 422, where="body.happened_at")
    problem(machine.post("/api/v1/wafers", data={"part": "WR", "fact": "perhaps"}, files=files), 422, where="body.fact")


def test_numbers_that_lead_to_nothing(house: House, machine: TestClient) -> None:
    signed = {"signed_by": person(house, "Pia", "quality", "lead"), "password": PASSWORD}
    calls = {
        "/lines/{}/disposition": {"what": "concession", "words": "x"} | signed, "/lines/{}/judge": {}, "/marks/{}/take_back": {},
        "/counts/{}/take_back": {}, "/tokens/{}/revoke": {},
    }  # fmt: skip
    for path, body in calls.items():
        answer = machine.post("/api/v1" + path.format(4711), json=body)
        assert answer.status_code in (404, 422), f"{path}: {answer.text}"
        problem(machine.post("/api/v1" + path.format(TOO_LARGE), json=body), 422, where="path.")
    problem(machine.get("/api/v1/trace/line/4711"), 404, "unknown_code")
    problem(machine.get(f"/api/v1/trace/line/{TOO_LARGE}"), 422, where="path.line")
    problem(machine.post("/api/v1/holds", json={"line": 4711, "reason": "x"}), 404, "unknown_code")
    problem(machine.post("/api/v1/holds", json={"line": TOO_LARGE, "reason": "x"}), 422, where="body.line")
    problem(machine.get(f"/api/v1/lots?before={TOO_LARGE}"), 422, where="query.before")


@pytest.mark.parametrize(
    ("call", "path", "name", "known"),
    [
        ("get", "/lots", "limti", "This call knows before, limit"),
        ("get", "/stations", "area", "This call knows none."),
        ("post", "/batches", "part", "This call knows none."),
        ("get", "/lots", "x" * 5000, "before, limit"),
    ],
)
def test_a_parameter_that_the_call_does_not_know_is_refused(machine: TestClient, call: str, path: str, name: str, known: str) -> None:
    """A misspelt one would be taken for the answer to it."""
    asked: dict[str, Any] = {"json": {"part": "GLUE"}} if call == "post" else {}
    reason = problem(machine.request(call, f"/api/v1{path}?{name}=1", **asked), 422)["reasons"][0]
    assert reason["where"].startswith(f"query.{name[:20]}") and known in reason["why"] and len(str(reason)) < 500, reason


def test_each_call_takes_the_parameters_that_it_describes(machine: TestClient) -> None:
    paths = machine.get("/api/v1/openapi.json").json()["paths"]
    asked = 0
    for path, calls in paths.items():
        for method, call in calls.items():
            names = [one["name"] for one in call.get("parameters", ()) if one["in"] == "query"]
            answer = machine.request(method, re.sub("{.*?}", "1", path), params=dict.fromkeys(names, "1"))
            assert "There is no parameter" not in answer.text, (path, answer.text)
            asked += len(names)
    assert asked > 50


def test_no_such_call(machine: TestClient) -> None:
    problem(machine.get("/api/v1/nothing"), 404, "unknown_code")
    problem(machine.put("/api/v1/batches", json={}), 405)
    problem(machine.get("/api/v1/lots", headers={"Authorization": "Bearer no"}), 401, "duty")


def test_a_catalogue_that_can_not_be_read(machine: TestClient) -> None:
    def sent(body: bytes, kind: str) -> Any:
        return machine.post("/api/v1/catalogue", content=body, headers={"content-type": kind})

    problem(sent(b"[[parts]]\nnumber = =\n", "application/toml"), 422, where="line 2")
    problem(sent(b'{"parts": [', "application/json"), 422, where="line 1")
    problem(sent(b'{"parts": [{"number": NaN}]}', "application/json"), 422)
    problem(sent(b'{"parts": "\xff"}', "application/json"), 422)
    problem(sent(b"\xff\xfe", "application/toml"), 422)
    problem(sent(b'{"parts": [{"number": "A", "kind": "magic"}]}', "application/json"), 422, where="parts")


_FIGURES = b"9" * 5000


@pytest.mark.parametrize("path", ["/catalogue", "/catalogue/check"])
@pytest.mark.parametrize(
    ("body", "where", "why"),
    [
        (b'{"people": [{"name": "Ada", "badge": "E\\ud800", "duties": ["operate"]}]}', "people[0].badge", "half a character"),
        (b'{"people": [{"name": "Ada\xed\xa0\x80", "duties": ["operate"]}]}', "people[0].name", "half a character"),
        (b'{"people": [{"na\\ud800": "Ada"}]}', "people[0]", "half a character"),
        (b'{"products": [\n{"part_number": "P", "rows": ' + _FIGURES + b', "columns": 2}]}', "line 2", "thousands of digits"),
        (b'[[products]]\npart_number = "P"\nrows = ' + _FIGURES, "line 3", "thousands of digits"),
        (b'[[products]]\npart_number = "P"\nrows = 0x' + _FIGURES, "products[0].rows", "That number does not fit"),
        (b'{"people": [], "people": [{"name": "Ada", "duties": ["operate"]}]}', "people", "two keys"),
        (b'{"people": [{"name": "Ada", "duties": [], "name": "Ida"}]}', "people[0].name", "two keys"),
        (b'{"a":' * 990 + b"1" + b"}" * 990, "", ""),
        (b"[1]", "body", "not an object"),
    ],
)  # fmt: skip
def test_a_catalogue_that_no_database_keeps_or_that_means_two_things(machine: TestClient, path: str, body: bytes, where: str, why: str) -> None:
    kind = "application/json" if body.startswith(b"{") or body == b"[1]" else "application/toml"
    told = problem(machine.post(f"/api/v1{path}", content=body, headers={"content-type": kind}), 422, where=where)
    assert why in told["reasons"][0]["why"] and told["reasons"][0]["now"], told


@pytest.mark.only_on("sqlite")
def test_no_call_takes_a_body_with_two_keys_of_one_name(house: House, machine: TestClient) -> None:
    paths = make_app(house.settings, house).openapi()["paths"]
    calls = [path for path, ways in paths.items() if "application/json" in ways.get("post", {}).get("requestBody", {}).get("content", {})]
    assert len(calls) > 50
    for path in calls:
        problem(machine.post(re.sub(r"\{\w+\}", "1", path), content=b'{"here": 1, "here": 1}', headers=JSON), 422, where="here")


def test_no_call_loses_one_of_two_parameters_of_one_name(machine: TestClient) -> None:
    """But for those that may stand there several times: an exposure asked of two rectangles was answered of the second alone."""
    twice = "/api/v1/exposure?suspect=W-1&suspect=W-2&rectangle=1,1,2,2&rectangle=5,5,9,9"
    told = problem(machine.get(twice), 422, where="query.rectangle")
    assert told["reasons"][0]["why"] == "Which of them counts is left open."
    problem(machine.get("/api/v1/exposure?suspect=W-1&suspect=W-2"), 404, "unknown_code")
    problem(machine.get("/api/v1/runs?limit=5&limit=50"), 422, where="query.limit")


@pytest.mark.only_on("sqlite")
def test_every_whole_number_that_is_taken_in_fits_the_databases(house: House) -> None:
    app = make_app(house.settings, house)
    document = app.openapi()
    loose = [f"{name} {where}" for name, where, schema in _taken_in(document) if not _is_bounded(schema)]
    assert loose == []
    pages = [
        f"{route.path} {one.alias}"
        for route in leaves(app.routes)
        if hasattr(route, "dependant")
        for one in (*route.dependant.path_params, *route.dependant.query_params, *route.dependant.body_params)
        if re.search(r"\bint\b", shown := str(one.field_info.annotation)) and "Annotated" not in shown  # inside a union it has bounds of its own
        and not any(hasattr(note, "le") or hasattr(note, "lt") for note in one.field_info.metadata)
    ]  # fmt: skip
    assert pages == []


def _taken_in(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Every schema inside what a call takes: parameters and bodies, through references."""
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            for one in operation.get("parameters", []):
                for where, schema in _inside(document, one["schema"], one["name"], frozenset()):
                    yield f"{method} {path}", where, schema
            for content in operation.get("requestBody", {}).get("content", {}).values():
                for where, schema in _inside(document, content["schema"], "body", frozenset()):
                    yield f"{method} {path}", where, schema


def _inside(document: dict[str, Any], schema: dict[str, Any], where: str, seen: frozenset[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    if "$ref" in schema:
        if schema["$ref"] not in seen:
            yield from _inside(document, resolved(document, schema), where, seen | {schema["$ref"]})
        return
    yield where, schema
    for name, one in schema.get("properties", {}).items():
        yield from _inside(document, one, f"{where}.{name}", seen)
    for one in (*schema.get("anyOf", ()), *schema.get("oneOf", ()), *schema.get("prefixItems", ())):
        yield from _inside(document, one, where, seen)
    for key in ("items", "additionalProperties"):
        if isinstance(schema.get(key), dict):
            yield from _inside(document, schema[key], f"{where}[]", seen)


def _is_bounded(schema: dict[str, Any]) -> bool:
    if schema.get("type") != "integer":
        return True
    most, least = schema.get("maximum", schema.get("exclusiveMaximum")), schema.get("minimum", schema.get("exclusiveMinimum"))
    return most is not None and least is not None and -(2**63) <= least <= most <= 2**63
