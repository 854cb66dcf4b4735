"""What must not get out, and what must not get in: file rights, logs, evidence, uploads, cookies, policies."""

import io
import logging
import os
import re
import ssl
import stat
import traceback
from pathlib import Path

import pytest
from people.signing_in import HERE, PASSWORD, PIN, client, person, post, sign_in, terminal, token
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError

from app.db import House
from app.errors import BadInput, NotFound
from app.evidence.keep import keep_file, path_of, record_evidence
from app.journal.act import SYSTEM, act
from app.listed import Question, hear, listed, say, tuples
from app.main import make_app
from app.people import first_run
from app.people.models import SignIn
from app.settings import Settings
from app.shell.tls import tls_of
from app.web.handshakes import WithTls


def test_the_secret_of_the_first_run_is_for_its_owner_only(house: House) -> None:
    first_run.link(house)
    assert stat.S_IMODE((house.data_dir / "first-administrator").stat().st_mode) == 0o600


def test_what_is_kept_is_for_its_owner_only(house: House) -> None:
    kept = keep_file(house, "map.xml", io.BytesIO(b"<a/>"))
    assert stat.S_IMODE(kept.path.stat().st_mode) == 0o600


@pytest.mark.only_on("sqlite")
def test_a_new_database_is_for_its_owner_only_in_a_folder_that_others_read_too(house: House, tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        with House(Settings(data_dir=tmp_path)).writing() as session:
            session.execute(text("create table one (id integer)"))
            made = list(tmp_path.iterdir())
            House(Settings(data_dir=tmp_path / "new"))
    finally:
        os.umask(before)
    assert {path.name for path in made} >= {"reelroot.db", "reelroot.db-wal"}
    for path in (*made, tmp_path / "new"):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


@pytest.mark.parametrize("name", ["../../etc/passwd", "/etc/passwd", "..\\..\\boot.ini", "a/../../b", "", "x" * 5000, "\x00"])
def test_a_file_lies_by_its_digest_whatever_it_is_called(house: House, name: str) -> None:
    kept = keep_file(house, name, io.BytesIO(b"bytes"))
    assert kept.path.resolve().is_relative_to((house.data_dir / "evidence").resolve())
    assert "/" not in kept.name and len(kept.name) <= 200


@pytest.mark.parametrize("digest", ["../" * 20 + "etc/passwd", "g" * 64, "a" * 63, "A" * 64, "a" * 62 + "/.", ""])
def test_no_digest_leads_out_of_the_folder(house: House, digest: str) -> None:
    with pytest.raises(NotFound):
        path_of(house, digest)


def test_no_path_leads_to_a_file_that_is_not_served(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        for path in ("/static/../settings.py", "/static/%2e%2e/settings.py", "/static/..%2f..%2fpyproject.toml", "/static//etc/passwd", "/static/"):
            assert browser.get(path).status_code == 404, path
        for number in ("..%2f1", "%2e%2e", "1%00"):
            assert browser.get(f"/evidence/{number}").status_code in (404, 422), number


def evidence(house: House, kind: str, name: str, content: bytes) -> str:
    """The address of a file that was kept."""
    kept = keep_file(house, name, io.BytesIO(content))
    answer = act(house, SYSTEM, "import_logger_file", {}, lambda session, by: {"number": record_evidence(session, by, kept, kind).id})
    return f"/evidence/{answer.body['number']}"


def test_a_kept_file_is_given_back_as_a_download_and_never_as_a_page(house: House) -> None:
    address = evidence(house, "logger_file", 'a"b.html', b"<script>alert(1)</script>")
    with client(house) as browser:
        sign_in(browser, person(house, "Mara", "operate"))
        told = browser.get(address)
    assert (told.content, told.headers["content-type"]) == (b"<script>alert(1)</script>", "application/octet-stream")
    assert told.headers["content-disposition"] == "attachment; filename*=UTF-8''a%22b.html" and told.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(("duty", "sees"), [("operate", False), ("quality", False), ("engineer", False), ("lead", True), ("administer", True)])
def test_a_file_of_a_catalogue_is_for_who_sees_people(house: House, duty: str, sees: bool) -> None:
    """It has their duties and certificates as it came."""
    address = evidence(house, "catalogue", "plant.toml", b'[[people]]\nname = "Mara"\n')
    with client(house) as browser:
        sign_in(browser, person(house, "Odd", duty))
        assert browser.get(address).status_code == (200 if sees else 403)


def test_the_log_has_no_secret_and_no_name(house: House, caplog: pytest.LogCaptureFixture) -> None:
    """All that is logged through a sign-in, a wrong one, a token's call and a mistake of ours."""
    badge, bearer, cookie = person(house, "Mara Lind", "operate", "administer"), token(house, "operate"), terminal(house)
    with caplog.at_level(logging.DEBUG), client(house) as browser:
        sign_in(browser, badge, "a wrong password")
        sign_in(browser, badge)
        session = browser.cookies["reelroot_session"]
        post(browser, f"/people/{badge}", f"/people/{badge}/secret", kind="pin", new="918273", again="918273")
        browser.get("/api/v1/lots", headers={"Authorization": f"Bearer {bearer}"})
    ours = "\n".join(one.getMessage() for one in caplog.records if not one.name.startswith(("httpx", "asyncio")))
    for secret in (PASSWORD, PIN, "a wrong password", "918273", bearer, session, cookie, "Mara"):
        assert secret not in ours


def test_a_statement_that_fails_names_no_values_in_the_log(house: House) -> None:
    """A mistake of ours is logged with its trace: it shows the statement, and not whose name or hash was in it."""
    for engine in (house.read_engine, house.write_engine):
        with engine.connect() as connection, pytest.raises(DBAPIError) as caught:
            connection.execute(text("insert into no_such_table values (:name, :secret)"), {"name": "Mara Lind", "secret": PIN})
        assert "no_such_table" in str(caught.value) and "Mara" not in str(caught.value) and PIN not in str(caught.value)


@pytest.mark.parametrize("statement", [
    "insert into secret (e, person, kind, hash) select e, person, null, hash from secret",
    "insert into person (id, e, name) select id, e, name from person",
    "update secret set kind = null",
])  # fmt: skip
def test_a_row_that_the_database_refuses_is_not_in_the_log(house: House, statement: str) -> None:
    """PostgreSQL tells it as a detail, below what was wrong."""
    person(house, "Mara Lind", "operate")
    with house.write_engine.connect() as connection, pytest.raises(DBAPIError) as asked:
        connection.execute(text(statement))
    with house.reading() as session, pytest.raises(DBAPIError) as asked_of_the_driver:
        tuples(session, listed(statement))
    with house.writing() as session, pytest.raises(DBAPIError) as said:  # noqa: PT012  # it is sent with what comes next
        say(session, Question(listed(statement), {}))
        hear(session)
    for caught in (asked, asked_of_the_driver, said):
        told = "".join(traceback.format_exception(caught.value))
        assert "argon2" not in told and "Mara" not in told and "DETAIL" not in told, told


def test_the_policy_allows_no_inline_script_and_no_other_host(house: House) -> None:
    with client(house) as browser:
        policy = browser.get("/sign-in").headers["content-security-policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'self'" and "script-src" not in rules and "style-src" not in rules
    assert rules["frame-ancestors"] == rules["base-uri"] == "'none'" and rules["form-action"] == "'self'" and rules["object-src"] == "'none'"
    assert "unsafe" not in policy and "http" not in policy


def test_templates_bring_no_inline_script_style_or_handler() -> None:
    for path in (Path(__file__).parents[2] / "templates").rglob("*.html"):
        text = path.read_text()
        assert not re.search(r"<script(?![^>]*\bsrc=)[^>]*>|<style\b|\sstyle=|\son[a-z]+=|javascript:", text), path.name


def test_a_signature_asks_the_password_even_at_a_terminal_where_the_pin_signed_in(house: House) -> None:
    lead, cookie = person(house, "Mara", "lead", "quality"), terminal(house)
    with client(house) as browser:
        browser.cookies.set("reelroot_terminal", cookie)
        sign_in(browser, lead, PIN)
        for password in ("", PIN):
            body = {"what": "concession", "words": "x", "password": password}
            answer = browser.post("/api/v1/lines/57/disposition", json=body, headers=HERE)
            assert answer.status_code == 403 and answer.json()["kind"] == "password", password


def test_the_badge_reopens_a_terminal_and_the_session_before_is_over(house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    with client(house) as browser:
        browser.cookies.set("reelroot_terminal", cookie)
        sign_in(browser, badge, PIN)
        first = browser.cookies["reelroot_session"]
        assert sign_in(browser, badge, "").headers["location"] == "/floor"
        assert browser.cookies["reelroot_session"] != first
    with house.reading() as session:
        rows = session.scalars(select(SignIn).order_by(SignIn.seen_at)).all()
    assert rows[0].ended_at is not None and rows[1].ended_at is None
    assert rows[0].begun_at == rows[1].begun_at, "the limit of a shift counts from the PIN, not from the badge"


def test_who_is_nobody_sends_no_large_body(house: House) -> None:
    """A stranger could fill the disk with what is refused afterwards."""
    large = b"x" * (2 << 20)
    with client(house) as browser:
        for headers in ({}, {"Authorization": "Bearer nobody"}, {"Cookie": "reelroot_session=nobody"}):
            assert browser.post("/api/v1/logger_files", content=large, headers=HERE | headers).status_code == 413, headers
            for path, kind in (
                ("/api/v1/logger_files", "multipart/form-data; boundary=b"), ("/api/v1/people", "application/json"),
                ("/sign-in", "application/x-www-form-urlencoded"), ("/loads", "multipart/form-data; boundary=b"),
            ):  # fmt: skip
                pieces = iter([b'--b\r\nContent-Disposition: form-data; name="file"; filename="f"\r\n\r\n', *[b"x" * (1 << 16)] * 32])
                in_pieces = browser.post(path, content=pieces, headers=HERE | headers | {"content-type": kind})
                assert in_pieces.status_code == 413, (headers, path)
        bearer = {"Authorization": f"Bearer {token(house, 'operate')}"}
        assert browser.post("/api/v1/logger_files", files={"file": ("log.csv", large)}, headers=bearer).status_code == 422


def test_over_https_a_browser_is_told_to_come_by_no_other_way(house: House) -> None:
    with client(house) as browser:
        plain = browser.get("/sign-in")
        assert "strict-transport-security" not in plain.headers
        over = browser.get("https://testserver/sign-in")
        assert over.headers["strict-transport-security"] == "max-age=31536000; includeSubDomains"
        answer = browser.post(
            "https://testserver/sign-in", data={"badge": person(house, "Mara", "operate"), "secret": PASSWORD}, headers={"Origin": "https://testserver"}
        )
        assert answer.headers["set-cookie"].startswith("__Host-reelroot_session=") and "Secure" in answer.headers["set-cookie"]
        assert browser.get("https://testserver/lots").status_code == 200
        browser.cookies.set("reelroot_session", browser.cookies.pop("__Host-reelroot_session"))
        assert browser.get("https://testserver/lots").status_code == 303, "what a page over plain HTTP could have set is not read"


@pytest.mark.only_on("sqlite")
def test_the_server_speaks_no_old_tls_and_no_weak_cipher(house: House, certified: tuple[Path, Path]) -> None:
    """By what the server makes of certificate and key: each session has keys of its own, and none is short."""
    served = WithTls(make_app(house.settings, house), ssl_certfile=certified[0], ssl_keyfile=certified[1], log_config=None)
    served.load()
    assert served.tls.minimum_version == ssl.TLSVersion.TLSv1_2
    for cipher in served.tls.get_ciphers():
        assert cipher["strength_bits"] >= 128, cipher
        assert cipher["name"].startswith(("TLS_", "ECDHE-", "DHE-")) and not cipher["name"].endswith("-SHA"), cipher


@pytest.mark.only_on("sqlite")
def test_https_takes_a_certificate_and_its_key_and_says_what_is_wrong_with_others(certified: tuple[Path, Path], tmp_path: Path) -> None:
    certificate, key = certified
    assert tls_of(Settings()) == (None, None)
    assert tls_of(Settings(tls_certificate=certificate, tls_key=key)) == (certificate, key)
    for wrong, said in (({"tls_key": key}, "One of them is not named"), ({"tls_certificate": certificate, "tls_key": certificate}, "can't be used")):
        with pytest.raises(BadInput, match=said):
            tls_of(Settings(**wrong))  # type: ignore[arg-type]
    with pytest.raises(BadInput, match="No such file"):
        tls_of(Settings(tls_certificate=tmp_path / "none", tls_key=key))
