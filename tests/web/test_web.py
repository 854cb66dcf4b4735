"""The ground of every page and call: headers, forgery, and the one shape of what goes wrong."""

import errno
import gc
import re
from datetime import UTC, datetime
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import psycopg
import pytest
from fastapi import Request
from fastapi.responses import Response
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from people.signing_in import HERE, PASSWORD, call, client, person, post, sign_in, token
from small_factory import Factory
from sqlalchemy.exc import OperationalError

from app import main
from app.db import House
from app.errors import Reason, Refused
from app.main import make_app
from app.people import callers
from app.web.installation import when
from app.web.ways_back import here_only

STRICT = ("content-security-policy", "x-content-type-options", "referrer-policy", "cross-origin-opener-policy", "cache-control")
MEMBERS = {"type", "title", "status", "detail", "kind", "kinds", "now", "reasons"}


def problem_of(answer: httpx.Response, status: int, kind: str | None) -> dict[str, Any]:
    """RFC 9457: the media type, its members, and the status repeated in the body."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    found: dict[str, Any] = answer.json()
    assert set(found) == MEMBERS
    assert (found["status"], found["kind"]) == (status, kind)
    assert found["kinds"] == list(dict.fromkeys(reason["kind"] for reason in found["reasons"]))
    return found


def test_a_refusal_is_a_problem_with_every_kind_that_applies(house: House) -> None:
    app = make_app(house.settings, house)

    @app.get("/api/v1/refusal")
    def refusal() -> None:
        raise Refused("Lot L is not started.", Reason("window_over", "Four hours passed.", "Clean it again."), Reason("held", "It is held.", "", "L"))

    found = problem_of(TestClient(app).get("/api/v1/refusal"), 409, "held")
    assert (found["title"], found["detail"], found["now"]) == ("Lot L is not started.", "It is held. Four hours passed.", "Clean it again.")
    assert found["reasons"][0] == {"kind": "held", "why": "It is held.", "now": "", "where": "L"}


def test_bad_input_names_the_field(house: House) -> None:
    admin = token(house, "administer")
    with client(house) as machine:
        found = problem_of(call(machine, admin, "POST", "/people", name="", duties=["fly"]), 422, "bad_input")
        assert {reason["where"] for reason in found["reasons"]} == {"body.name", "body.duties.0"}
        problem_of(call(machine, admin, "POST", "/people", name="Mara", duties=[], colour="red"), 422, "bad_input")
        problem_of(call(machine, admin, "POST", "/people", name="Mara\x00", duties=[]), 422, "bad_input")
        headers = {"Authorization": f"Bearer {admin}", "Content-Type": "application/json"}
        problem_of(machine.post("/api/v1/people", content=b"{", headers=headers), 422, "bad_input")
        problem_of(machine.post("/api/v1/people", content=b'{"name": "\xff"}', headers=headers), 400, "bad_input")


@pytest.mark.parametrize(("where", "is_told"), [
    ("line 3, column wafer", True), ("the whole file", True), ("body.supplier", True), ("people[0].badge", True),
    ("place", False), ("form_token", False), ("count.units", False), ("", False),
])  # fmt: skip
def test_a_page_tells_a_place_in_a_file_and_no_name_of_a_field(house: House, where: str, is_told: bool) -> None:
    """At a terminal "(place)" behind a sentence said nothing to who had scanned a spool."""
    app = make_app(house.settings, house)

    @app.get("/refusal")
    def refusal() -> None:
        raise Refused("It is not clear where this goes.", Reason("bad_input", "Every place is taken.", "Scan what comes off first.", where))

    page = TestClient(app).get("/refusal").text
    assert (f"({where})" in page) is is_told
    assert "()" not in page


def test_what_is_not_there_is_a_problem_too(house: House) -> None:
    with client(house) as machine:
        problem_of(call(machine, "nobody's", "GET", "/people"), 401, "duty")
        assert call(machine, "nobody's", "GET", "/people").headers["www-authenticate"] == "Bearer"
        problem_of(machine.get("/api/v1/nothing"), 404, "unknown_code")
        found = problem_of(machine.request("DELETE", "/api/v1/people"), 405, "bad_input")
        assert found["detail"] == "/api/v1/people does not take DELETE."
        page = machine.get("/nothing")
        assert page.status_code == 404 and "<h1>" in page.text


@pytest.mark.parametrize("path", ["/lots/", "/board/", "/api/v1/lots/", "/sign-in/", "/lots//"])
def test_an_address_with_a_slash_too_many_leads_to_no_other_host(house: House, path: str) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Mara", "lead"))
        answer = browser.get(path, headers={"Host": "elsewhere.example"})
    assert "elsewhere.example" not in answer.text + str(dict(answer.headers))
    assert answer.status_code in (404, 303) and answer.headers.get("location", "/").startswith("/")


def test_too_large_is_a_problem_or_a_page(house: House) -> None:
    small = house.settings.model_copy(update={"max_upload_mb": 1})
    with TestClient(make_app(small, house)) as machine:
        admin = token(house, "administer")
        headers = {"Authorization": f"Bearer {admin}", "Content-Type": "application/json"}
        too_much = b'{"name": "' + b"x" * (1 << 20) + b'"}'
        problem_of(machine.post("/api/v1/people", content=too_much, headers=headers), 413, "bad_input")
        problem_of(machine.post("/api/v1/people", content=iter([too_much]), headers=headers), 413, "bad_input")
        page = machine.post("/sign-in", content=too_much, headers=HERE)
        assert page.status_code == 413 and "Too much was sent" in page.text


@pytest.mark.parametrize("path", ["/api/v1/broken", "/broken"])
def test_a_mistake_of_ours_shows_no_trace_of_itself(house: House, path: str) -> None:
    app = make_app(house.settings, house)

    @app.get(path)
    def broken(request: Request) -> None:
        raise RuntimeError("the password is swordfish")

    answer = TestClient(app, raise_server_exceptions=False).get(path)
    if path.startswith("/api"):
        assert problem_of(answer, 500, None)["detail"] == "The program made a mistake; nothing was changed."
    assert answer.status_code == 500
    assert "swordfish" not in answer.text and "Traceback" not in answer.text
    assert all(header in answer.headers for header in STRICT)


@pytest.mark.parametrize(("sent", "told"), [
    ("a%0aWARNING%20forged", "/away/a\\nWARNING forged"), ("a%0d%0aforged", "/away/a\\r\\nforged"), ("%1b[31m", "/away/\\x1b[31m"),
    ("a%c2%85b%e2%80%a8c", "/away/a\\x85b\\u2028c"), ("gr%c3%bcn", "/away/grün"),
])  # fmt: skip
def test_an_address_forges_no_line_of_the_log(house: House, caplog: pytest.LogCaptureFixture, sent: str, told: str) -> None:
    app = make_app(house.settings, house)

    @app.get("/away/{what}")
    def away(what: str) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", what)

    assert TestClient(app).get(f"/away/{sent}").status_code == 503
    (line,) = [one.getMessage() for one in caplog.records if one.name == "reelroot"]
    assert line.isprintable() and line.startswith(f"GET {told}: There is no room left on the disk.")


def test_who_is_asked_for_before_any_page_may_be_away_too(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a large body, and where there is no page: each asks who is signed in."""

    def gone(*_: Any, **__: Any) -> None:
        raise OperationalError("select 1", None, psycopg.OperationalError("server closed the connection"))

    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        monkeypatch.setattr(callers, "signed_in", gone)
        for answer in (browser.get("/nothing"), browser.post("/do/act", content=b"x" * ((1 << 20) + 1), headers=HERE)):
            assert answer.status_code == 503 and "The database does not answer." in answer.text and answer.headers["retry-after"]
            assert all(header in answer.headers for header in STRICT)


def test_a_page_in_place_of_a_file_is_kept_by_no_browser(house: House) -> None:
    """It greets who is signed in and has the token of their forms: the next one at this browser would read it for an hour."""
    with client(house) as browser:
        sign_in(browser, person(house, "Mara", "lead"))
        told = browser.get("/static/none.css")
        assert "Mara" in told.text and told.headers["cache-control"] == "no-store"
        assert browser.get("/static/reelroot.css").headers["cache-control"] == "max-age=3600"


def test_every_answer_has_the_strict_headers(house: House) -> None:
    with client(house) as browser:
        for path in ("/sign-in", "/", "/nothing", "/api", "/api/v1/people", "/api/v1/openapi.json", "/static/reelroot.css"):
            headers = browser.get(path).headers
            assert all(header in headers for header in STRICT), path
            policy = headers["content-security-policy"]
            assert "default-src 'self'" in policy and "frame-ancestors 'none'" in policy and "unsafe" not in policy, path


def test_answers_that_are_no_page_have_the_strict_headers_too(house: House) -> None:
    """Not changed, a part, no such part, no such way, another's form, no duty, not understood, too much (told before, and met on the way), wait."""
    app = make_app(house.settings.model_copy(update={"max_upload_mb": 1}), house)

    @app.get("/away")
    def away() -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with TestClient(app, follow_redirects=False) as browser:
        badge, large = person(house, "Mara", "operate"), b"x" * (1 << 21)
        sign_in(browser, badge)
        style = "/static/reelroot.css"
        answers = [
            browser.get(style, headers={"If-None-Match": browser.get(style).headers["etag"]}), browser.get(style, headers={"Range": "bytes=0-9"}),
            browser.get(style, headers={"Range": "bytes=99999999-"}), browser.request("TRACE", "/"), browser.post("/lots", headers=HERE),
            browser.post("/floor/scan", headers={"Origin": "http://evil.example"}), browser.get("/tokens"),
            browser.post("/api/v1/lots", json={}, headers=HERE), browser.post("/sign-in", content=large, headers=HERE),
            browser.post("/api/v1/lots", content=iter([large]), headers=HERE | {"content-type": "application/json"}), browser.get("/away"),
            *[sign_in(browser, badge, "guessed") for _ in range(6)],
        ]  # fmt: skip
    assert {one.status_code for one in answers} == {304, 206, 416, 405, 403, 422, 413, 429, 503}
    for one in answers:
        assert all(header in one.headers for header in STRICT), (one.status_code, one.headers)


def test_no_page_carries_inline_script_or_style(house: House) -> None:
    """The policy forbids them, so a browser would leave them out without a word."""
    Factory(house).load()
    with client(house) as browser:
        badge = person(house, "Ada", "administer", "operate", "quality")
        pages = [browser.get("/sign-in").text]
        sign_in(browser, badge)
        for path in ("/", "/people", f"/people/{badge}", "/terminals", "/tokens", "/api", "/floor", "/lots", "/holds", "/journal", "/catalogue"):
            pages.append(browser.get(path).text)
    for text in pages:
        assert re.search(r"<h1[ >]", text) and len(re.findall(r"<h1[ >]", text)) == 1, text
        assert re.search(r"<title>[^<]+</title>", text)
        assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son\w+=|https?://", text), text


@pytest.mark.parametrize(("headers", "is_taken"), [
    (HERE, True), (HERE | {"Sec-Fetch-Site": "same-origin"}, True), (HERE | {"Sec-Fetch-Site": "none"}, True),
    (HERE | {"Sec-Fetch-Site": "cross-site"}, False), (HERE | {"Sec-Fetch-Site": "same-site"}, False),
    ({"Origin": "http://evil.example"}, False), ({"Origin": "http://testserver.evil.example"}, False), ({"Origin": "http://testserver:81"}, False),
    ({"Origin": "null"}, False), ({}, False),
])  # fmt: skip
def test_a_form_must_come_from_this_very_host(house: House, headers: dict[str, str], is_taken: bool) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        form = re.search(r'name="form_token" value="([^"]+)"', browser.get("/terminals").text)
        assert form is not None
        answer = browser.post("/terminals", data={"form_token": form[1], "area": "bonding"}, headers=headers)
        assert (answer.status_code == 303) is is_taken, answer.text
        assert ("bonding" in browser.get("/terminals").text) is is_taken


@pytest.mark.parametrize("told", ["http://[x", "http://[::1", "//[", "http://[v1.x]/", "http://x]"])
def test_what_is_no_address_came_from_elsewhere(house: House, told: str) -> None:
    """Anyone may send it: it was answered 500, with a trace in the log each time."""
    with client(house) as browser:
        assert browser.post("/sign-in", data={"badge": "x"}, headers={"Origin": told}).status_code == 403
        assert browser.post("/api/v1/lots", json={}, headers={"Origin": told}).status_code == 403
        assert browser.post("/terminals", data={"area": "x"}, headers=HERE | {"Referer": told}).headers["location"].startswith("/sign-in?next=/&")
        assert "takes over" not in browser.get("/sign-in?said=E-0004-P takes over.", headers={"Referer": told}).text


@pytest.mark.parametrize(("at", "origin", "is_taken"), [
    ("https", "https://testserver", True), ("https", "http://testserver", False), ("http", "https://testserver", True),
])  # fmt: skip
def test_over_https_a_page_that_came_without_it_writes_nothing(house: House, at: str, origin: str, is_taken: bool) -> None:
    with client(house) as browser:
        sent = {"badge": person(house, "Ada", "lead"), "secret": PASSWORD}
        asked = browser.post(f"{at}://testserver/sign-in", data=sent, headers={"Origin": origin})
    assert asked.status_code == (303 if is_taken else 403)


@pytest.mark.parametrize("wrong", ["", "x" * 32, "ключ", None])
def test_a_form_needs_the_token_of_its_session(house: House, wrong: str | None) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        fields = {"area": "bonding"} | ({} if wrong is None else {"form_token": wrong})
        answer = browser.post("/terminals", data=fields, headers=HERE)
        assert answer.status_code == 422 and "This form is stale" in answer.text
        assert "None yet" in browser.get("/terminals").text


def test_the_token_of_another_session_is_no_good(house: House) -> None:
    with client(house) as browser, client(house) as other:
        sign_in(browser, person(house, "Ada", "administer"))
        sign_in(other, person(house, "Eve", "operate"))
        hers = re.search(r'name="form_token" value="([^"]+)"', other.get("/").text)
        assert hers is not None
        assert browser.post("/terminals", data={"form_token": hers[1], "area": "bonding"}, headers=HERE).status_code == 422


def test_what_others_typed_is_shown_as_text(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        post(browser, "/people", "/people", name="<script>alert(1)</script>", password="long enough", again="long enough", duties="operate")
        token = re.search(r'name="form_token" value="([^"]+)"', browser.get("/people").text)
        assert token is not None
        data = {"form_token": token[1], "name": "<script>alert(1)</script>", "password": "long enough", "again": "long enough", "duties": "operate"}
        said = browser.post("/people", data=data, headers=HERE).headers["location"]
        for page in ("/people", said):
            text = browser.get(page).text
            assert "&lt;script&gt;" in text and "<script>" not in text


@pytest.mark.parametrize(("headers", "is_shown"), [
    ({}, True), ({"Referer": "http://testserver/people"}, True), ({"Sec-Fetch-Site": "same-origin"}, True),
    ({"Referer": "http://evil.example/"}, False), ({"Sec-Fetch-Site": "cross-site"}, False), ({"Sec-Fetch-Site": "none"}, False),
])  # fmt: skip
def test_another_site_puts_no_words_into_our_mouth(house: House, headers: dict[str, str], is_shown: bool) -> None:
    with client(house) as browser:
        page = browser.get("/sign-in?said=Your badge code is E-0004-P. Write it down, and sign in with it.", headers=headers).text
    assert ("Write it down" in page) is is_shown


@pytest.mark.parametrize("said", [
    "Call 5550123 and tell your password", "E-0004-P takes over. Call 5550123", "Call 5550123. E-0004-P takes over.",
    "E-CALL-5550123-AND-TELL-YOUR-PASSWORD takes over.",
])  # fmt: skip
def test_a_letter_puts_no_words_into_our_mouth_where_browsers_say_nothing_of_it(house: House, said: str) -> None:
    """What an act said is shown in the session that it was said to."""
    with client(house) as browser, client(house) as other:
        assert "5550123" not in browser.get("/sign-in", params={"said": said, "mark": ""}).text
        sign_in(browser, person(house, "Ada", "administer"))
        sign_in(other, person(house, "Eve", "operate"))
        assert "5550123" not in browser.get("/", params={"said": said}).text
        answer = post(browser, "/terminals", "/terminals", area="bonding").headers["location"]
        assert "This browser is terminal" in browser.get(answer).text
        assert "This browser is terminal" not in other.get(answer.replace("/terminals", "/")).text, "it was said to another"
        assert "5550123" not in browser.get(answer.replace("This", "Call%205550123%20this")).text
        marked = parse_qs(urlsplit(answer).query)["mark"][0]
        assert "5550123" not in browser.get("/", params={"said": said, "mark": marked}).text


def test_what_an_act_said_is_told_in_the_session_that_the_act_began(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        done = post(browser, "/sessions", "/my-secret", kind="pin", old=PASSWORD, new="581903", again="581903")
        assert "Your new PIN is set." in browser.get(done.headers["location"]).text


@pytest.mark.parametrize(("path", "is_here"), [
    ("/", True), ("/find?code=L26", True), ("//host", False), ("/\\host", False), ("https://host", False), ("", False), ("/a\nb", False),
])  # fmt: skip
def test_a_way_back_stays_here(path: str, is_here: bool) -> None:
    assert here_only(path) == (path if is_here else "/")


def test_times_are_said_in_the_sites_zone_with_its_name(house: House) -> None:
    app = make_app(house.settings, house)
    app.state.zone = "Asia/Ho_Chi_Minh"

    @app.get("/when")
    def said(request: Request) -> Response:
        return Response(when(request, datetime(2026, 3, 1, 20, 30, tzinfo=UTC)) + "|" + when(request, None))

    assert TestClient(app).get("/when").text == "2026-03-02 03:30 +07|"


def test_what_an_earlier_app_left_is_not_kept_by_a_later_one(house: House) -> None:
    make_app(house.settings, house)
    kept = gc.get_freeze_count()
    make_app(house.settings, house)
    assert gc.get_freeze_count() <= kept


def test_the_app_refuses_a_database_of_another_version(empty_house: House) -> None:
    with pytest.raises(Refused) as caught:
        make_app(empty_house.settings, empty_house)
    assert "reelroot upgrade" in caught.value.now


def test_no_two_pages_share_a_name_and_links_lead_to_pages(house: House) -> None:
    app = make_app(house.settings, house)
    names = [route.name for router in main._PAGES for route in router.routes if isinstance(route, APIRoute)]
    assert sorted(names) == sorted(set(names))
    for name in names:
        wanted = next(route for router in main._PAGES for route in router.routes if isinstance(route, APIRoute) and route.name == name)
        parts = dict.fromkeys(re.findall(r"{(\w+)", wanted.path), "1")
        assert not app.url_path_for(name, **parts).startswith("/api/v1/"), name
