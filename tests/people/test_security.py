"""What was tried, counted by hour, person and address: for administrators, without secrets, and bounded whoever floods it."""

from datetime import timedelta

import pytest
from people.signing_in import HERE, PASSWORD, PIN, client, person, post, sign_in, terminal
from sqlalchemy import func, select, update

from app import clock
from app.db import House
from app.errors import Refused
from app.journal.models import Entry
from app.people import security
from app.people.models import SecurityEvent
from app.people.sign_in import check_signature
from app.people.sign_in import sign_in as enter


def counted(house: House) -> dict[tuple[str, int, str], int]:
    security.write_noted(house)
    with house.reading() as session:
        return {(one.kind, one.person, one.address): one.times for one in session.scalars(select(SecurityEvent))}


def fail(house: House, badge: str, secret: str, address: str = "10.0.0.1") -> None:
    with pytest.raises(Refused):
        enter(house, badge, secret, terminal=None, address=address)


def test_tries_are_counted_by_person_and_address(house: House) -> None:
    badge = person(house, "Mara", "operate")
    for _ in range(6):
        fail(house, badge, "guessed")
    fail(house, "E-9999-0", "guessed")
    fail(house, "Mara Lind's password", "guessed")
    enter(house, person(house, "Odd", "operate"), PASSWORD, terminal=None, address="10.0.0.2")
    assert counted(house) == {
        ("wrong_secret", 1, "10.0.0.1"): 5, ("made_to_wait", 1, "10.0.0.1"): 1, ("wrong_secret", 0, "10.0.0.1"): 2, ("signed_in", 2, "10.0.0.2"): 1,
    }  # fmt: skip
    fail(house, "E-9999-0", "guessed")
    assert counted(house)["wrong_secret", 0, "10.0.0.1"] == 3, "the same row of the hour"


def test_the_journal_does_not_grow_by_what_strangers_try(house: House) -> None:
    with client(house) as stranger:
        for n in range(60):
            sign_in(stranger, f"nobody {n}", "guessed")
        stranger.get("/api/v1/lots", headers={"Authorization": "Bearer guessed"})
        stranger.get("/first/guessed")
        stranger.post("/sign-in", data={"badge": "x"}, headers={"Origin": "http://elsewhere.example"})
    with house.reading() as session:
        assert session.scalar(select(func.count()).select_from(Entry)) == 0
    assert counted(house) == {
        ("wrong_secret", 0, "testclient"): 50, ("made_to_wait", 0, "testclient"): 10, ("unknown_token", 0, "testclient"): 1,
        ("wrong_link", 0, "testclient"): 1, ("from_elsewhere", 0, "testclient"): 1,
    }  # fmt: skip


def test_a_wrong_signature_a_missing_duty_and_a_stale_form_are_noted_with_the_person(house: House) -> None:
    badge = person(house, "Mara", "quality")
    with client(house) as browser:
        sign_in(browser, badge)
        browser.get("/tokens")
        browser.get("/api/v1/tokens")
        post(browser, "/do", "/do/act", call="/tokens")
        browser.post("/do/act", data={"form_token": "stale"}, headers=HERE)
        with pytest.raises(Refused):
            check_signature(house, 1, "guessed", "testclient")
    found = counted(house)
    assert found["not_allowed", 1, "testclient"] == 3
    assert found["from_elsewhere", 1, "testclient"] == found["wrong_signature", 1, "testclient"] == 1


def test_an_administrator_reads_them_and_nobody_else(house: House) -> None:
    ada, mara, cookie = person(house, "Ada", "administer"), person(house, "Mara", "lead", "quality", "engineer", "operate"), terminal(house)
    with client(house) as browser, client(house) as floor:
        floor.cookies.set("reelroot_terminal", cookie)
        sign_in(floor, mara, "a wrong secret")
        sign_in(floor, mara, PIN)
        sign_in(browser, ada)
        page = browser.get("/security").text
        assert "wrong badge, PIN, password or code" in page and f'href="/people/{mara}"' in page and "T-" in page
        assert "a wrong secret" not in page and PIN not in page
        failed = browser.get("/security", params={"what": "all that failed or was refused", "format": "json"}).json()["security"]
        assert [(row["what"], row["times"]) for row in failed] == [("wrong badge, PIN, password or code", 1)]
        assert floor.get("/security").status_code == 403


def test_a_flood_fills_neither_memory_nor_table(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(security, "_MOST_WAITING", 8)
    monkeypatch.setattr(security, "_MOST_A_DAY", 12)
    for one in range(3):
        for n in range(20):
            security.note(house, "wrong_secret", address=f"10.0.{one}.{n}")
        security.note(house, "wrong_secret", address=f"2001:db8:0:7::{one}")
        found = counted(house)
    assert len(found) <= 13 and sum(found.values()) == 63, "every one is counted, though no longer where"
    assert found["wrong_secret", 0, ""] > 63 - 12


def test_an_address_of_ipv6_counts_as_its_network(house: House) -> None:
    for n in range(9):
        security.note(house, "wrong_secret", address=f"2001:db8:0:7::{n}")
    assert counted(house) == {("wrong_secret", 0, "2001:db8:0:7::/64"): 9}


def test_what_could_not_be_written_waits_and_what_is_old_goes(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    security.note(house, "wrong_secret", address="10.0.0.1")
    with monkeypatch.context() as patch:
        patch.setattr(security, "_write", lambda house, noted: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            security.write_noted(house)
    security.note(house, "wrong_secret", address="10.0.0.1")
    assert counted(house) == {("wrong_secret", 0, "10.0.0.1"): 2}
    for age, left in ((timedelta(days=89, hours=23), 1), (timedelta(days=90, hours=1), 0)):
        with house.writing(as_owner=True) as writing:
            writing.execute(update(SecurityEvent).values(hour=clock.now() - age))
        security.forget_old_events(house)
        assert len(counted(house)) == left


def test_the_kinds_are_closed(house: House) -> None:
    with pytest.raises(ValueError, match="unknown kind"):
        security.note(house, "something else")
    assert set(security.CARE) < set(security.KINDS)
