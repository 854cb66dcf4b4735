"""What no browser, terminal or machine sends of itself counts among who tried what; what anybody may get wrong does not."""

import logging
import re
from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient
from people.signing_in import HERE, client, person, post, sign_in, token
from people.test_security import counted
from small_factory import Factory
from sqlalchemy import func, select

from app.db import House
from app.journal.models import Entry
from app.people.models import SecurityEvent

LARGE = b"x" * (2 << 20)
JSON = {"content-type": "application/json"}
ENTITY = '<!DOCTYPE d [<!ENTITY a "1">]><MapData>&a;</MapData>'
AGAIN = '<?xml version="1.0"?>' + " " * 5000 + '<!DOCTYPE d [<!ENTITY a "&b;"><!ENTITY b "&a;">]><MapData a="&a;"/>'
Sent = Callable[[TestClient], httpx.Response]


@pytest.fixture
def browser(house: House) -> Iterator[TestClient]:
    Factory(house).load()
    with client(house) as one:
        sign_in(one, person(house, "Mara", "operate", "lead", "quality", "engineer", "administer"))
        yield one


def crafted(house: House) -> dict[int, int]:
    """Times by person."""
    return {who: times for (kind, who, _), times in counted(house).items() if kind == "crafted"}


def form_token(browser: TestClient, page: str = "/do/act?call=/batches") -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get(page).text)
    assert found is not None
    return found[1]


def maps(browser: TestClient, data: bytes) -> httpx.Response:
    return browser.post("/api/v1/wafers", data={"part": "WR", "passing": "1"}, files={"files": ("a.xml", data)}, headers=HERE)


def call(browser: TestClient, content: bytes) -> httpx.Response:
    return browser.post("/api/v1/batches", content=content, headers=HERE | JSON)


CRAFTED: dict[str, Sent] = {
    "a zero byte in an address": lambda to: to.get("/things/B26%00"),
    "a zero byte in a question": lambda to: to.get("/find?code=%00"),
    "a zero byte in a list's": lambda to: to.get("/lots?q=a%00"),
    "a zero byte in a call": lambda to: call(to, b'{"part": "GLUE\\u0000"}'),
    "a zero byte in a form": lambda to: post(to, "/do/act?call=/batches", "/do/act", call="/batches", part="GLUE\0"),
    "a zero byte at the sign-in": lambda to: to.post("/sign-in", data={"badge": "E\0"}, headers=HERE),
    "a zero byte in a scan": lambda to: post(to, "/do/act?call=/batches", "/floor/scan", scan="B26\0"),
    "steps out of a folder": lambda to: to.get("/static/%2e%2e/settings.py"),
    "steps in Windows' way": lambda to: to.get("/evidence/..%5c..%5csettings.py"),
    "steps in place of a digest": lambda to: post(to, "/do/act?call=/batches", "/catalogue/load", digest="../../settings.py", shown="x"),
    "nesting beyond all bounds": lambda to: call(to, b"[" * 100_000),
    "a number of thousands of digits": lambda to: call(to, b'{"part": ' + b"9" * 5000 + b"}"),
    "a method of who looks for holes": lambda to: to.request("TRACK", "/lots", headers=HERE),
    "entities": lambda to: maps(to, ENTITY.encode()),
    "entities in UTF-16": lambda to: maps(to, ENTITY.encode("utf-16")),
    "entities within each other": lambda to: maps(to, AGAIN.encode()),
}


@pytest.mark.parametrize("what", CRAFTED)
def test_what_nobody_sends_by_mistake_counts_once_with_who_sent_it(house: House, browser: TestClient, what: str) -> None:
    answer = CRAFTED[what](browser)
    assert answer.status_code in (200, 400, 404, 405, 422), answer.text
    assert crafted(house) == {0 if what == "a zero byte at the sign-in" else 1: 1}


MISTAKEN: dict[str, Sent] = {
    "a separator that a scanner reads": lambda to: post(to, "/do/act?call=/batches", "/floor/scan", scan="B26\x1d"),
    "a control character in a call": lambda to: call(to, b'{"part": "GLUE\\u001d"}'),
    "a code that is none": lambda to: to.get("/things/B26-000099-X"),
    "two dots in a code": lambda to: to.get("/things/B26..99"),
    "a page that is not there": lambda to: to.get("/favicon.ico"),
    "no JSON": lambda to: call(to, b'{"part": "GLUE",}'),
    "another encoding": lambda to: call(to, b'{"part": "\xff"}'),
    "two keys of one name": lambda to: call(to, b'{"part": "GLUE", "part": "WIRE"}'),
    "a field too many": lambda to: call(to, b'{"part": "GLUE", "colour": "red"}'),
    "another method": lambda to: to.put("/api/v1/batches", json={}, headers=HERE),
    "a document type": lambda to: maps(to, b'<!DOCTYPE Map SYSTEM "map.dtd"><Map/>'),
    "no XML": lambda to: maps(to, b"<MapData>"),
    "a file without sense": lambda to: maps(to, b"a zero byte\0in a file is of another format"),
    "a digest of a file that is gone": lambda to: post(to, "/do/act?call=/batches", "/catalogue/load", digest="0" * 64, shown="x"),
    "nothing in a form": lambda to: post(to, "/do/act?call=/batches", "/do/act", call="/batches"),
}


@pytest.mark.parametrize("what", MISTAKEN)
def test_what_anybody_may_get_wrong_counts_as_nothing(house: House, browser: TestClient, what: str) -> None:
    answer = MISTAKEN[what](browser)
    assert 400 <= answer.status_code < 500, answer.text
    assert set(counted(house)) == {("signed_in", 1, "testclient")}


def pieces() -> Iterator[bytes]:
    yield b'--b\r\nContent-Disposition: form-data; name="file"; filename="f"\r\n\r\n'
    yield from [b"x" * (1 << 16)] * 32


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize(
    ("headers", "kind"),
    [({}, "crafted"), ({"Authorization": "Bearer nobody"}, "unknown_token"), ({"Cookie": f"reelroot_session={'a' * 43}"}, "")],
)
def test_a_stranger_who_sends_much_is_noted_and_who_was_signed_in_is_not(house: House, told: bool, headers: dict[str, str], kind: str) -> None:
    more: dict[str, Any] = {"content": LARGE if told else pieces(), "headers": HERE | headers | {"content-type": "multipart/form-data; boundary=b"}}
    with client(house) as stranger:
        assert stranger.post("/api/v1/logger_files", **more).status_code == 413
    assert counted(house) == ({(kind, 0, "testclient"): 1} if kind else {})


def test_a_file_over_the_limit_is_anyones_mistake_who_may_send_files(house: House) -> None:
    house.settings.max_upload_mb = 1
    bearer = {"Authorization": f"Bearer {token(house, 'operate')}"}
    with client(house) as machine:
        assert machine.post("/api/v1/logger_files", files={"file": ("log.csv", LARGE)}, headers=bearer).status_code == 413
    assert counted(house) == {}


def test_a_cookie_that_was_never_ours_is_noted_and_one_that_ended_is_not(house: House) -> None:
    with client(house) as stranger:
        for cookie in ("a" * 43, "", "' or 1=1 --", "a" * 44, "1"):
            assert stranger.get("/api/v1/lots", headers={"Cookie": f'reelroot_session="{cookie}"'}).status_code == 401
        assert stranger.get("/lots").status_code == 303
    assert counted(house) == {("crafted", 0, "testclient"): 3}


def test_a_flood_of_it_is_a_number_and_no_line_of_the_log(house: House, browser: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    with house.reading() as session:
        before = session.scalar(select(func.count()).select_from(Entry))
    with caplog.at_level(logging.DEBUG, logger="reelroot"):
        for n in range(200):
            browser.get(f"/find?code=secret-{n}%00")
    assert crafted(house) == {1: 200} and caplog.records == []
    with house.reading() as session:
        rows = [one for one in session.scalars(select(SecurityEvent)) if one.kind == "crafted"]
        assert len(rows) <= 2, "two where the hour ends meanwhile"
        assert not any("secret" in str(vars(one)) for one in rows)
        assert session.scalar(select(func.count()).select_from(Entry)) == before


def test_an_administrator_reads_of_it(house: House, browser: TestClient) -> None:
    browser.get("/find?code=%00")
    page = browser.get("/security", params={"what": "all that failed or was refused"}).text
    assert "sent what no page, terminal or machine sends of itself" in page
