"""A small plant behind its pages and calls, for bad input: the scan field, every form, every call by our own OpenAPI document."""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import schemathesis
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.main import make_app
from app.migrate import upgrade
from app.naming.models import Code
from app.people.sign_in import form_token
from app.settings import Settings
from benchmarks.damage import texts, where_raised
from tests.people.signing_in import HERE, person, sign_in, token
from tests.small_factory import Factory
from tests.walking import Way, ways

DUTIES = ("operate", "lead", "quality", "engineer", "administer")
_LEFT_OUT = ("/my-secret", "/tokens/{token}/revoke")  # they would end the session or the token of the fuzzer itself
_ENDLESS = "/board/changes"
_ASKED = ("q", "at.x", "x", "sort", "before", "kind", "view", "lot", "date", "from", "to", "code", "call", "size", "route", "form", "bin")


@dataclass(frozen=True)
class Try:
    """`send` gives the status, and what was said when it is a mistake of ours."""

    name: str
    inputs: st.SearchStrategy[Any]
    send: Callable[[Any], tuple[int, str]]


@dataclass(frozen=True)
class Plant:
    app: FastAPI
    house: House
    browser: TestClient
    machine: TestClient
    codes: list[str]
    last_words: list[str]

    def scans(self) -> list[Try]:
        fields = ("scan", "station", "asked", "asks", "asked_at", "key", "clear", "confirmed", "item", "state", "reason", "entry", "value.pull")
        some = texts(self.codes)
        inputs = st.tuples(some, st.dictionaries(st.sampled_from(fields), some, max_size=4))
        paths = ("/floor/scan", "/floor/start", "/floor/finish", "/floor/take-off", "/floor/undo", "/floor/state", "/floor/switch")
        return [Try(path, inputs, partial(self._scan, path)) for path in (*("/floor/scan",) * 5, *paths)]

    def _scan(self, path: str, sent: tuple[str, dict[str, str]]) -> tuple[int, str]:
        return self._post(path, {"scan": sent[0]} | sent[1])

    def forms(self) -> list[Try]:
        return [self._form(way) for way in ways(self.app) if not way.is_call and way.path not in _LEFT_OUT and way.path != _ENDLESS]

    def _form(self, way: Way) -> Try:
        """A form's own fields, or for a page its path and query, filled with anything."""
        some = texts(self.codes)
        names = sorted(set(way.sent.get("data", {})) | set(_ASKED))
        inputs = st.tuples(st.lists(some, min_size=3, max_size=3), st.dictionaries(st.sampled_from(names), some, max_size=6), st.binary(max_size=60))

        def send(sent: tuple[list[str], dict[str, str], bytes]) -> tuple[int, str]:
            path = way.path
            for text in sent[0]:
                before, brace, rest = path.partition("{")
                path = before + _in_path(text) + rest.partition("}")[2] if brace else path
            if way.method == "POST":
                files = [(name, ("x.txt", sent[2])) for name, _ in way.sent.get("files", [])]
                return self._post(path, way.sent.get("data", {}) | sent[1], files)
            return self._asked("GET", path, params={name: _plain(text) for name, text in sent[1].items()})

        return Try(way.route, inputs, send)

    def calls(self) -> list[Try]:
        schema = schemathesis.openapi.from_dict(self.app.openapi())
        found = []
        for result in schema.get_all_operations():
            operation = result.ok()
            if not operation.path.endswith("/revoke"):
                found.append(Try(f"{operation.method.upper()} {operation.path}", operation.as_strategy(), self._call))
        return found

    def _call(self, case: Any) -> tuple[int, str]:
        sent = case.as_transport_kwargs(base_url="http://testserver")
        kept = {name: sent[name] for name in sent if name not in ("cookies", "headers")}
        headers = {k: v for k, v in dict(sent.get("headers") or {}).items() if k.lower() != "authorization"}
        return self._told(self.machine.request(**kept, headers=headers))

    def _post(self, path: str, data: dict[str, str], files: Any = None) -> tuple[int, str]:
        token = form_token(self.browser.cookies["reelroot_session"])
        return self._asked("POST", path, data={name: _plain(text) for name, text in data.items()} | {"form_token": token}, files=files or None)

    def _asked(self, method: str, path: str, **sent: Any) -> tuple[int, str]:
        answer = self.browser.request(method, path, headers=HERE, **sent)
        if "reelroot_session" not in self.browser.cookies:
            raise RuntimeError("the fuzzer was signed out")
        return self._told(answer)

    def _told(self, answer: Any) -> tuple[int, str]:
        return answer.status_code, (self.last_words[-1] if answer.status_code >= 500 and self.last_words else "")


def _plain(text: str) -> str:
    return text.encode("utf-8", "surrogatepass").decode("utf-8", "replace")


def _in_path(text: str) -> str:
    return "".join(f"%{byte:02X}" for byte in _plain(text)[:3000].encode()) or "x"


@contextmanager
def plant() -> Iterator[Plant]:
    with tempfile.TemporaryDirectory() as folder:
        house = House(Settings(data_dir=Path(folder), cheap_passwords=True))
        upgrade(house)
        factory = Factory(house).load()
        factory.lot(factory.panels(3))
        factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
        badge, bearer, words = person(house, "Ada", *DUTIES), token(house, *DUTIES, facts=True), list[str]()
        app = make_app(house.settings, house)
        _hear(app, words)
        with house.reading() as session:
            codes = _codes(session)
        with TestClient(app, follow_redirects=False, raise_server_exceptions=False) as browser:
            sign_in(browser, badge)
            machine = TestClient(app, raise_server_exceptions=False, headers={"Authorization": f"Bearer {bearer}"})
            yield Plant(app, house, browser, machine, [*codes, badge], words)


def _hear(app: FastAPI, words: list[str]) -> None:
    """What was raised behind a 500: the page of it says nothing."""
    broken = app.exception_handlers[Exception]

    async def heard(request: Any, error: Exception) -> Any:
        words[:] = [where_raised(error)]
        return await broken(request, error)  # type: ignore[misc]

    app.exception_handler(Exception)(heard)


def _codes(session: Session) -> list[str]:
    return list(session.scalars(select(Code.code).limit(60)))
