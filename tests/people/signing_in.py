"""People with passwords and PINs, and a client as a browser or a machine is one, for tests of who may do what."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import httpx
from fastapi.testclient import TestClient
from sqlalchemy.orm import Session

from app.db import House
from app.journal.act import SYSTEM, By, act
from app.main import make_app
from app.naming.resolve import code_of
from app.people.people import add_person
from app.people.secrets import set_secret
from app.people.terminals import enrol_terminal
from app.people.tokens import make_token

PASSWORD, PIN = "long enough", "402817"
HERE = {"Origin": "http://testserver"}


def person(house: House, name: str, *duties: str) -> str:
    """Someone with the password and the PIN above; their badge."""

    def verb(session: Session, by: By) -> dict[str, str]:
        one = add_person(session, by, name, duties)
        set_secret(session, by, one.id, "password", PASSWORD, cheap=True)
        set_secret(session, by, one.id, "pin", PIN, cheap=True)
        return {"badge": code_of(session, "person", one.id)}

    return str(act(house, SYSTEM, "add_person", {"name": name}, verb).body["badge"])


def token(house: House, *duties: str, facts: bool = False, until: datetime | None = None) -> str:
    kept: list[str] = []

    def verb(session: Session, by: By) -> dict[str, str]:
        kept[:] = [make_token(session, by, "machine", duties, until, may_state_facts=facts)[1]]
        return {}

    act(house, SYSTEM, "make_token", {}, verb)
    return kept[0]


def terminal(house: House, area: str = "bonding") -> str:
    """The secret of an enrolled terminal's cookie."""
    kept: list[str] = []

    def verb(session: Session, by: By) -> dict[str, str]:
        kept[:] = [enrol_terminal(session, by, area)[1]]
        return {}

    act(house, SYSTEM, "enrol_terminal", {}, verb)
    return kept[0]


@contextmanager
def client(house: House) -> Iterator[TestClient]:
    with TestClient(make_app(house.settings, house), follow_redirects=False) as one:
        yield one


def sign_in(browser: TestClient, badge: str, secret: str = PASSWORD, **more: str) -> httpx.Response:
    return browser.post("/sign-in", data={"badge": badge, "secret": secret} | more, headers=HERE)


def post(browser: TestClient, page: str, path: str, /, **fields: Any) -> httpx.Response:
    """Sends a form as it stands on a page: with the session's own token."""
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get(page).text)
    assert found is not None, f"{page} has no form"
    return browser.post(path, data={"form_token": found[1]} | fields, headers=HERE)


def call(browser: TestClient, bearer: str, method: str, path: str, /, *, key: str | None = None, **body: Any) -> httpx.Response:
    headers = {"Authorization": f"Bearer {bearer}"} | ({"Idempotency-Key": key} if key else {})
    return browser.request(method, f"/api/v1{path}", json=body if method == "POST" else None, headers=headers)


def choose_own(browser: TestClient, badge: str, given: str) -> str:
    """What whoever was given a password does first: chooses one, the one above. It is theirs to sign with."""
    assert sign_in(browser, badge, given).status_code in (200, 303)  # some clients follow by themselves
    assert post(browser, "/choose-secret", "/my-secret", kind="password", old=given, new=PASSWORD, again=PASSWORD).status_code in (200, 303)
    browser.cookies.clear()
    return PASSWORD
