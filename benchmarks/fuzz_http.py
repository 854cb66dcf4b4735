"""A small plant behind its pages and calls, for bad input: the scan field, every form, every call by our own OpenAPI document."""

import copy
import json
import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import parse_qsl, quote, urlsplit

import schemathesis
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, seed, settings
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.main import make_app
from app.migrate import upgrade
from app.naming.models import Code
from app.people.callers import SESSION_COOKIE
from app.people.sign_in import form_token
from benchmarks.damage import text, where_raised
from benchmarks.in_process import Answer, Wire, form_of, no_threads
from benchmarks.quick import QuickSettings
from tests.people.signing_in import person, sign_in, token
from tests.small_factory import Factory
from tests.walking import Way, ways

DRAWN = 100  # of so many calls, one is drawn by Schemathesis
DUTIES = ("operate", "lead", "quality", "engineer", "administer")
_LEFT_OUT = ("/my-secret", "/tokens/{token}/revoke")  # they would end the session or the token of the fuzzer itself
_ENDLESS = "/board/changes"
_ASKED = ("q", "at.x", "x", "sort", "before", "kind", "view", "lot", "date", "from", "to", "code", "call", "size", "route", "form", "bin")


@dataclass(frozen=True)
class Try:
    """One way in. `inputs(n, seed)` gives at least so many; `send` the status, and what is wrong with the answer if anything is."""

    name: str
    inputs: Callable[[int, int], Iterator[Any]]
    send: Callable[[Any], tuple[int, str]]


@dataclass(frozen=True)
class Plant:
    app: FastAPI
    browser: Wire
    machine: Wire
    form_token: str
    codes: list[str]
    last_words: list[str]

    def scans(self) -> list[Try]:
        fields = ("scan", "station", "asked", "asks", "asked_at", "key", "clear", "confirmed", "item", "state", "reason", "entry", "value.pull")
        paths = ("/floor/scan", "/floor/start", "/floor/finish", "/floor/take-off", "/floor/undo", "/floor/state", "/floor/switch")

        def draw(chance: Random) -> dict[str, str]:
            return {"scan": text(chance, self.codes)} | self._some(chance, fields, 4)

        return [Try(path, _each(path, n, draw), partial(self._post, path)) for n, path in enumerate((*("/floor/scan",) * 5, *paths))]

    def forms(self) -> list[Try]:
        return [self._form(way) for way in ways(self.app) if not way.is_call and way.path not in _LEFT_OUT and way.path != _ENDLESS]

    def _form(self, way: Way) -> Try:
        """A form's own fields, or for a page its path and query, filled with anything."""
        good: dict[str, str] = way.sent.get("data", {})
        names = sorted(set(good) | set(_ASKED))

        def draw(chance: Random) -> tuple[str, dict[str, str], bytes]:
            path = re.sub(r"\{[^}]*\}", lambda _: _in_path(text(chance, self.codes)), way.path)
            return path, self._some(chance, names, 6), chance.randbytes(chance.randint(0, 60))

        def send(sent: tuple[str, dict[str, str], bytes]) -> tuple[int, str]:
            path, fields, content = sent
            if way.method == "POST":
                return self._post(path, good | fields, [(name, "x.txt", content) for name, _ in way.sent.get("files", [])])
            return self._told(self.browser.ask("GET", path, fields))

        return Try(way.route, _each(way.route, 0, draw), send)

    def calls(self) -> list[Try]:
        schema = schemathesis.openapi.from_dict(self.app.openapi())
        operations = [result.ok() for result in schema.get_all_operations()]
        return [
            Try(f"{one.method.upper()} {one.path}", partial(_by_document, one, self.codes), self._call)
            for one in operations
            if not one.path.endswith("/revoke")
        ]

    def _call(self, sent: dict[str, Any]) -> tuple[int, str]:
        answer = self.machine.ask(sent["method"], sent["path"], sent["query"], sent["body"], sent["kind"])
        return self._told(answer) if answer.status < 400 else self._told(answer, _poor(answer))

    def _some(self, chance: Random, names: Sequence[str], most: int) -> dict[str, str]:
        return {name: _plain(text(chance, self.codes)) for name in chance.sample(names, chance.randint(0, min(most, len(names))))}

    def _post(self, path: str, fields: dict[str, str], files: Any = ()) -> tuple[int, str]:
        plain = {name: _plain(value) for name, value in fields.items()} | {"form_token": self.form_token}
        body, kind = form_of(plain, files)
        return self._told(self.browser.ask("POST", path, (), body, kind))

    def _told(self, answer: Answer, poor: str = "") -> tuple[int, str]:
        if answer.headers.get("location", "").startswith("/sign-in?next="):
            raise RuntimeError("the fuzzer was signed out")
        return answer.status, (self.last_words[-1] if answer.status >= 500 and self.last_words else poor)


def _each(name: str, place: int, draw: Callable[[Random], Any]) -> Callable[[int, int], Iterator[Any]]:
    return lambda n, seed: (draw(Random(f"{seed} {name} {place} {one}")) for one in range(n))


def _by_document(operation: Any, codes: Sequence[str], n: int, number: int) -> Iterator[dict[str, Any]]:
    """One in a hundred as Schemathesis draws it from the document, right and wrong ones; the others are those with a value or two exchanged."""
    cases: list[dict[str, Any]] = []

    @settings(database=None, deadline=None, phases=(Phase.generate,), suppress_health_check=list(HealthCheck), max_examples=max(1, n // DRAWN))
    @seed(number)
    @given(operation.as_strategy())
    def collect(case: Any) -> None:
        cases.append(case.as_transport_kwargs(base_url="http://testserver"))

    collect()
    for one in range(n):
        chance = Random(f"{number} {operation.path} {one}")
        yield _wired(cases[one] if one < len(cases) else _exchanged(chance, chance.choice(cases), codes), chance)


def _exchanged(chance: Random, case: dict[str, Any], codes: Sequence[str]) -> dict[str, Any]:
    """The same case with other values in one or two places of its body, query or path."""
    case = copy.deepcopy(case)
    for _ in range(chance.randint(1, 2)):
        where = chance.choice([name for name in ("json", "data", "params") if case.get(name)] or ["url"])
        if where != "json" and isinstance(case.get(where), dict):
            name = chance.choice(list(case[where]))
            case[where][name] = _with_another(chance, case[where][name], codes)
        elif where != "json":
            head, _, last = case["url"].rpartition("/")
            case["url"] = f"{head}/{_in_path(text(chance, codes))}" if chance.random() < 0.5 else f"{case['url'].rstrip('/')}?{_in_path(last)}=1"
        else:
            case["json"] = _with_another(chance, case["json"], codes)
    return case


def _with_another(chance: Random, value: Any, codes: Sequence[str]) -> Any:
    if chance.random() < 0.8 and isinstance(value, dict) and value:
        name = chance.choice(list(value))
        if chance.random() < 0.1:
            return {other: one for other, one in value.items() if other != name}
        return value | {name: _with_another(chance, value[name], codes)}
    if chance.random() < 0.8 and isinstance(value, list) and value:
        place = chance.randrange(len(value))
        return [*value[:place], _with_another(chance, value[place], codes), *value[place + 1 :]]
    odd = (None, True, -1, 0, 2**63, -(2**63) - 1, 1e308, float("nan"), float("inf"), 0.1, "", [], {}, [[]], ["x"] * 300, "2026-13-45T99:00:00Z")
    return chance.choice(codes) if chance.random() < 0.3 else text(chance, codes) if chance.random() < 0.5 else chance.choice(odd)


def _wired(case: dict[str, Any], chance: Random) -> dict[str, Any]:
    """The case as a path and bytes."""
    address = urlsplit(case["url"])
    body, kind = _body(case, chance)
    query = _pairs(case.get("params")) + _pairs(dict(parse_qsl(address.query)))
    return {"method": case["method"], "path": _ascii(address.path), "query": query, "body": body, "kind": kind}


def _body(case: dict[str, Any], chance: Random) -> tuple[bytes, str]:
    data = case.get("data")
    if "json" in case:
        return json.dumps(case["json"], ensure_ascii=chance.random() < 0.5).encode("utf-8", "surrogatepass"), "application/json"
    if files := case.get("files"):
        several = files.items() if isinstance(files, dict) else files
        return form_of(dict(_pairs(data)), [_file(name, one) for name, one in several])
    if isinstance(data, (bytes, str)):
        return (data if isinstance(data, bytes) else data.encode("utf-8", "surrogatepass")), _kind(case)
    return form_of(dict(_pairs(data))) if data else (b"", "")


def _pairs(found: Any) -> list[tuple[str, str]]:
    pairs = found.items() if isinstance(found, dict) else found or []
    return [(_plain(str(name)), _plain(str(one))) for name, value in pairs for one in (value if isinstance(value, list) else [value])]


def _file(name: str, one: Any) -> tuple[str, str, bytes]:
    content = one[1] if isinstance(one, tuple) else one
    return name, "x.txt", content if isinstance(content, bytes) else str(content).encode("utf-8", "replace")


def _kind(case: dict[str, Any]) -> str:
    return next((str(value) for name, value in dict(case.get("headers") or {}).items() if name.lower() == "content-type"), "application/octet-stream")


def _ascii(path: str) -> str:
    return quote(path, safe="/%:@!$&'()*+,;=~-._")


def _poor(answer: Answer) -> str:
    """What is lacking in a refusal of a call: each of its reasons says why, and what to do now."""
    try:
        told = json.loads(answer.body)
        reasons = told["reasons"] if answer.status < 500 else [{"why": told["detail"], "now": told["now"]}]
        good = reasons and all(one["why"] and one["now"] for one in reasons)
        return "" if good else f"a refusal without reason or remedy: {told}"
    except (ValueError, KeyError, TypeError):
        return f"{answer.status} is no problem document: {answer.body[:100]!r}"


def _plain(text: str) -> str:
    return text.encode("utf-8", "surrogatepass").decode("utf-8", "replace")


def _in_path(text: str) -> str:
    return "".join(f"%{byte:02X}" for byte in _plain(text)[:3000].encode()) or "x"


@contextmanager
def plant() -> Iterator[Plant]:
    with tempfile.TemporaryDirectory() as folder, no_threads():
        house = House(QuickSettings(data_dir=Path(folder)))
        upgrade(house)
        factory = Factory(house).load()
        factory.lot(factory.panels(3))
        factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
        badge, bearer, words = person(house, "Ada", *DUTIES), token(house, *DUTIES, facts=True), list[str]()
        person(house, "Bo", "operate")  # whose sessions a form may end: were it Ada's, the fuzzer would be signed out
        app = make_app(house.settings, house)
        _hear(app, words)
        with house.reading() as reading:
            codes = [code for code in _codes(reading) if code != badge]
        signing_in = TestClient(app, follow_redirects=False)
        sign_in(signing_in, badge)
        session = signing_in.cookies[SESSION_COOKIE]
        browser = Wire(app, {"origin": "http://testserver", "cookie": f"{SESSION_COOKIE}={session}"})
        machine = Wire(app, {"authorization": f"Bearer {bearer}"}, browser.loop)
        try:
            yield Plant(app, browser, machine, form_token(session), codes, words)
        finally:
            browser.loop.close()
            house.dispose()


def _hear(app: FastAPI, words: list[str]) -> None:
    """What was raised behind a 500: the page of it says nothing."""
    broken = app.exception_handlers[Exception]

    async def heard(request: Any, error: Exception) -> Any:
        words[:] = [where_raised(error)]
        return await broken(request, error)  # type: ignore[misc]

    app.exception_handler(Exception)(heard)


def _codes(session: Session) -> list[str]:
    return list(session.scalars(select(Code.code).limit(60)))
