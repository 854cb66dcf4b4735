"""A form sent after its session ended: carried through the sign-in for its owner, and for nobody else; no secret and no file is carried."""

import html
import re
from datetime import timedelta

import httpx
import pytest
from fastapi.testclient import TestClient
from people.signing_in import HERE, PASSWORD, client, person, sign_in
from sqlalchemy import select

from app import clock
from app.db import House
from app.people.kept_forms import MOST
from app.people.models import Terminal

PAGE = {"Referer": "http://testserver/do/act?call=/holds"}


def _token(browser: TestClient) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/").text)
    assert found is not None
    return found[1]


def _late(house: House, badge: str, monkeypatch: pytest.MonkeyPatch, browser: TestClient) -> str:
    """Signed in, and then two hours pass; the token of the forms that were open."""
    sign_in(browser, badge)
    token, later = _token(browser), clock.now() + timedelta(hours=2)
    monkeypatch.setattr(clock, "now", lambda: later)
    return token


def _fields(page: str) -> dict[str, str]:
    main = page[page.index("<main") :]
    found = re.findall(r'<input [^>]*?name="([^"]+)"[^>]*? value="([^"]*)"', main)
    return {name: html.unescape(value) for name, value in found}


def _areas(house: House) -> list[str]:
    with house.reading() as session:
        return list(session.scalars(select(Terminal.area)))


def _send(browser: TestClient, path: str, token: str, **fields: str) -> httpx.Response:
    return browser.post(path, data={"form_token": token} | fields, headers=HERE | PAGE)


def _again(browser: TestClient, page: str, badge: str, secret: str = PASSWORD) -> httpx.Response:
    return browser.post("/sign-in", data=_fields(page) | {"badge": badge, "secret": secret}, headers=HERE)


def test_what_was_typed_is_sent_once_its_owner_has_signed_in_again(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    badge = person(house, "Ada", "administer")
    with client(house) as browser:
        token = _late(house, badge, monkeypatch, browser)
        asked = _send(browser, "/terminals", token, area='bay "A" & b', key="k-1")
        assert asked.status_code == 200 and "Nothing is recorded yet" in asked.text
        wrong = _again(browser, asked.text, badge, "not this one")
        assert wrong.status_code == 403 and _fields(wrong.text)["kept"] == _fields(asked.text)["kept"], "a mistyped password loses nothing"
        question = _again(browser, wrong.text, badge)
        assert question.status_code == 200 and "Send it now?" in question.text and "<dd>bay &#34;A&#34; &amp; b</dd>" in question.text
        assert "<dt>to</dt><dd>/terminals</dd>" in question.text, "a form that says in its path what it is about"
        assert "reelroot_session=" in question.headers["set-cookie"] and _areas(house) == [], "nothing is done before it is asked for"
        fields = _fields(question.text)
        assert fields["form_token"] not in ("", token) and fields["key"] == "k-1", "sent twice it is done once"
        assert browser.post("/terminals", data=fields, headers=HERE).status_code == 303
        assert _areas(house) == ['bay "A" & b']


def test_lines_and_repeated_fields_come_through_as_they_were(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    badge = person(house, "Quy", "quality")
    with client(house) as browser:
        token = _late(house, badge, monkeypatch, browser)
        sent = {"form_token": token, "call": "/holds", "reason": "bent\r\nframes", "duties": ["lead", "operate"]}
        asked = browser.post("/do/act", data=sent, headers=HERE | PAGE)
        question = _again(browser, asked.text, badge).text
        assert 'name="reason" value="bent\r\nframes"' in question
        assert re.findall('name="duties" value="([^"]+)"', question) == ["lead", "operate"]


def test_another_who_signs_in_gets_nothing_of_it(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    badge, other = person(house, "Quy", "quality"), person(house, "Lea", "lead")
    with client(house) as browser:
        token = _late(house, badge, monkeypatch, browser)
        asked = _send(browser, "/do/act", token, call="/holds", reason="bent frames")
        answer = _again(browser, asked.text, other)
        assert answer.status_code == 303 and answer.headers["location"] == "/do/act?call=/holds"


def test_a_password_is_asked_for_again_and_a_form_that_sets_a_secret_or_brings_a_file_is_not_carried(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    badge = person(house, "Quy", "quality")
    with client(house) as browser:
        token = _late(house, badge, monkeypatch, browser)
        asked = _send(browser, "/do/act", token, call="/holds", reason="bent", password="my own secret")
        assert "my own secret" not in asked.text
        lost = (
            _send(browser, "/my-secret", token, kind="pin", old=PASSWORD, new="918273", again="918273"),
            _send(browser, "/people", token, name="Mara", password="her first one"),
            _send(browser, "/do/act", token, call="/people", name="Mara", password="her first one", pin=""),  # as that form has its fields
            _send(browser, "/floor/scan", token, scan="L"),
            _send(browser, "/do/act", token, reason="x" * MOST),
            _send(browser, "/do/act", "token of another", reason="bent"),
            browser.post("/do/act", data={"form_token": token}, files={"file": ("a.csv", b"1")}, headers=HERE | PAGE),
        )
        assert all("was%20not%20recorded" in one.headers["location"] for one in lost)
        question = _again(browser, asked.text, badge)
        assert 'type="password"' in question.text and "my own secret" not in question.text


def test_what_is_carried_leads_to_no_other_host_and_is_refused_from_one(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    badge = person(house, "Quy", "quality")
    with client(house) as browser:
        token = _late(house, badge, monkeypatch, browser)
        carried = _fields(_send(browser, "/do/act", token, reason="bent").text)["kept"]
        for changed in (carried.replace("/do/act", "//evil.example"), carried.replace(token, "guessed"), "{", "[]", '{"to": "/"}', "x"):
            answer = _again(browser, f'<main><input name="kept" value="{html.escape(changed)}">', badge)
            assert answer.status_code == 303, changed
            browser.cookies.clear()
            _late(house, badge, monkeypatch, browser)
        foreign = {"Origin": "http://evil.example", "Sec-Fetch-Site": "cross-site"}
        assert browser.post("/sign-in", data={"badge": badge, "secret": PASSWORD, "kept": carried}, headers=foreign).status_code == 403
