"""A second factor at desks: the codes by the RFCs' own values, each good once, asked where it is set up or where the settings ask for one."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from people.signing_in import HERE, PASSWORD, PIN, call, client, person, post, sign_in, terminal, token
from sqlalchemy import select

from app import clock
from app.db import House
from app.journal.models import Entry
from app.people import second_factor
from app.people import sign_in as sessions
from app.people.second_factor import SECONDS, code_at, step_of
from app.people.sign_in import sign_in as enter


@pytest.fixture(autouse=True)
def still(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock stands, so that no half minute ends between a code and its use."""
    moment = clock.now()
    monkeypatch.setattr(clock, "now", lambda: moment)


RFC_SEED = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # "12345678901234567890" in base 32


@pytest.mark.parametrize(("seconds", "code"), [
    (59, "94287082"), (1111111109, "07081804"), (1111111111, "14050471"), (1234567890, "89005924"), (2000000000, "69279037"),
    (20000000000, "65353130"),
])  # fmt: skip
def test_codes_are_those_of_rfc_6238_appendix_b(seconds: int, code: str) -> None:
    assert code_at(RFC_SEED, seconds // SECONDS, digits=8) == code


def test_codes_are_those_of_rfc_4226_appendix_d() -> None:
    codes = ["755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"]
    assert [code_at(RFC_SEED, count) for count in range(10)] == codes


@pytest.mark.parametrize(("late", "is_right"), [(-61, False), (-30, True), (0, True), (30, True), (61, False)])
def test_a_device_may_be_half_a_minute_off(late: int, is_right: bool) -> None:
    now = datetime(2026, 11, 26, 12, 0, 15, tzinfo=UTC)
    code = code_at(RFC_SEED, int((now + timedelta(seconds=late)).timestamp()) // SECONDS)
    assert (step_of(RFC_SEED, f" {code[:3]} {code[3:]}", now) is not None) is is_right
    assert step_of(RFC_SEED, "", now) is step_of(RFC_SEED, "½" * 6, now) is None


def now_code(seed: str, steps: int = 0) -> str:
    return code_at(seed, int(clock.now().timestamp()) // SECONDS + steps)


def set_up(browser: TestClient, at: str = "/second-factor", **more: str) -> str:
    """Sets one up as its owner; the seed."""
    seed = re.search(r'name="seed" value="([A-Z2-7]{32})"', browser.get(at).text)
    assert seed is not None
    answer = post(browser, at, "/second-factor", seed=seed[1], code=now_code(seed[1], -1), password=PASSWORD, **more)
    assert answer.status_code == 303, answer.text
    return seed[1]


def test_a_desk_asks_for_the_code_and_a_terminal_does_not(house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    with client(house) as desk, client(house) as floor:
        sign_in(desk, badge)
        seed = set_up(desk)
        assert desk.get("/lots").status_code == 200, "this browser goes on, in a new session"
        assert sign_in(desk, badge).status_code == 403
        assert sign_in(desk, badge, code="000000").status_code == 403
        assert sign_in(desk, badge, "guessed", code=now_code(seed)).status_code == 403
        assert sign_in(desk, badge, code=now_code(seed)).status_code == 303
        assert sign_in(desk, badge, code=now_code(seed)).status_code == 403, "no code is right twice"
        floor.cookies.set("reelroot_terminal", cookie)
        assert sign_in(floor, badge, PIN).status_code == 303


def test_who_knows_a_password_replaces_no_second_factor_at_a_terminal(house: House) -> None:
    """A terminal asks for no code: with a device of their own put in there, they would sign in at any desk."""
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    with client(house) as desk, client(house) as floor:
        floor.cookies.set("reelroot_terminal", cookie)
        sign_in(floor, badge, PASSWORD)
        seed = set_up(floor)
        sign_in(floor, badge, PASSWORD)
        other = {"seed": RFC_SEED, "code": now_code(RFC_SEED), "password": PASSWORD}
        answer = post(floor, "/second-factor", "/second-factor", **other)
        assert answer.status_code == 403 and "not replaced from a floor terminal" in answer.text
        assert sign_in(desk, badge, code=now_code(RFC_SEED)).status_code == 403
        assert sign_in(desk, badge, code=now_code(seed, 1)).status_code == 303
        assert post(desk, "/second-factor", "/second-factor", **other).status_code == 303, "where its code was asked for it is replaced"


def test_a_session_from_before_a_second_factor_does_not_replace_it(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """No code was asked for when it began: who knew the password then would shut the owner out with a device of their own."""
    badge, moment = person(house, "Mara", "operate"), clock.now()
    with client(house) as thief, client(house) as desk:
        sign_in(thief, badge)
        monkeypatch.setattr(clock, "now", lambda: moment + timedelta(minutes=2))
        sign_in(desk, badge)
        seed = set_up(desk)
        monkeypatch.setattr(clock, "now", lambda: moment + timedelta(minutes=4))
        other = {"seed": RFC_SEED, "code": now_code(RFC_SEED), "password": PASSWORD}
        answer = post(thief, "/second-factor", "/second-factor", **other)
        assert answer.status_code == 403 and "began before it was set up" in answer.text
        assert post(desk, "/second-factor", "/second-factor", **other).status_code == 303, "the one that set it up may"
        assert sign_in(desk, badge, code=now_code(seed)).status_code == 403


def test_who_is_signing_in_without_a_code_while_the_factor_is_set_up_has_no_session(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    badge, real = person(house, "Mara", "operate"), sessions.was_right
    with client(house) as thief, client(house) as desk:
        sign_in(desk, badge)
        seeds: list[str] = []

        def set_up_meanwhile(*args: Any) -> None:
            real(*args)
            monkeypatch.setattr(sessions, "was_right", real)
            seeds.append(set_up(desk))

        monkeypatch.setattr(sessions, "was_right", set_up_meanwhile)
        assert sign_in(thief, badge).status_code == 403 and seeds
        assert thief.get("/lots").status_code == 303


def test_a_code_that_was_seen_is_worth_nothing(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as desk:
        sign_in(desk, badge)
        seed = set_up(desk)
        assert sign_in(desk, badge, code=now_code(seed, -1)).status_code == 403, "the one that set it up"
        assert sign_in(desk, badge, code=now_code(seed, 1)).status_code == 303
        assert sign_in(desk, badge, code=now_code(seed)).status_code == 403, "nor an older one after a newer"


@pytest.mark.parametrize(("wrong", "said"), [
    ({"code": "000000"}, "not that of this seed"), ({"password": "guessed"}, "The password is wrong"), ({"seed": "A" * 31 + "1"}, "not a seed"),
])  # fmt: skip
def test_what_does_not_set_one_up_leaves_none(house: House, wrong: dict[str, str], said: str) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as desk:
        sign_in(desk, badge)
        fields = {"seed": RFC_SEED, "code": now_code(RFC_SEED), "password": PASSWORD} | wrong
        answer = post(desk, "/second-factor", "/second-factor", **fields)
        assert answer.status_code in (403, 422) and said in answer.text
        assert sign_in(desk, badge).status_code == 303


def test_where_the_settings_ask_for_one_a_desk_leads_to_it_and_nowhere_else(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(house.settings, "second_factor", True)
    badge = person(house, "Mara", "operate")
    with client(house) as desk, client(house) as floor:
        sign_in(desk, badge)
        asked = desk.get("/lots").headers["location"]
        assert asked == "/second-factor?next=/lots"
        assert desk.get("/api/v1/lots").json()["title"] == "Set up a second factor first."
        assert post(desk, asked, "/my-secret", kind="password", old=PASSWORD, new="a bird on a wire", again="a bird on a wire").status_code == 303
        assert sign_in(desk, badge).status_code == 303, "the password is still the one of before"
        set_up(desk, asked, next="/lots")
        assert desk.get("/lots").status_code == 200
        floor.cookies.set("reelroot_terminal", terminal(house))
        sign_in(floor, badge, PIN)
        assert floor.get("/floor").status_code == 200


def test_first_the_given_password_is_changed_then_the_second_factor_is_set_up(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(house.settings, "second_factor", True)
    badge = person(house, "Mara", "operate")
    with client(house) as desk:
        call(desk, token(house, "administer"), "POST", f"/people/{badge}/secret", kind="password", secret="given by Ada")
        sign_in(desk, badge, "given by Ada")
        assert desk.get("/second-factor").headers["location"].startswith("/choose-secret")
        post(desk, "/choose-secret", "/my-secret", kind="password", old="given by Ada", new=PASSWORD, again=PASSWORD, next="/lots")
        assert desk.get("/lots").headers["location"] == "/second-factor?next=/lots"
        set_up(desk)
        assert desk.get("/lots").status_code == 200


def test_an_administrator_ends_the_one_of_a_lost_device_on_the_record(house: House) -> None:
    ada, mara = person(house, "Ada", "administer"), person(house, "Mara", "operate")
    with client(house) as desk, client(house) as hers:
        sign_in(hers, mara)
        seed = set_up(hers)
        sign_in(desk, ada)
        assert post(hers, "/", f"/people/{mara}/second-factor/end").status_code == 403
        assert post(desk, f"/people/{mara}", f"/people/{mara}/second-factor/end").status_code == 303
        assert sign_in(hers, mara).status_code == 303
        again = call(desk, token(house, "administer"), "POST", f"/people/{mara}/end_second_factor")
        assert (again.status_code, again.json()["kind"]) == (409, "finished")
        assert "End the second factor" not in desk.get(f"/people/{mara}").text
    with house.reading() as session:
        told = [(one.action, one.outcome) for one in session.scalars(select(Entry).where(Entry.action.contains("second_factor")).order_by(Entry.id))]
        assert told[:2] == [("set_second_factor", "done"), ("end_second_factor", "done")]
        assert seed not in str(list(session.scalars(select(Entry.arguments))))


def test_an_administrator_ends_their_own_nowhere(house: House) -> None:
    """A PIN at a terminal would do for that, and a password for a new one."""
    ada = person(house, "Ada", "administer")
    with client(house) as browser:
        sign_in(browser, ada)
        set_up(browser)
        for answer in (
            browser.post(f"/api/v1/people/{ada}/end_second_factor", json={}, headers=HERE),
            post(browser, "/sessions", f"/people/{ada}/second-factor/end"),
        ):
            assert answer.status_code == 403 and "Your second factor is not ended." in answer.text
        assert sign_in(browser, ada).status_code == 403, "a code is asked for"


def test_a_code_is_used_once_though_two_send_it_at_once(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as desk:
        sign_in(desk, badge)
        seed = set_up(desk)
        now = clock.now()
        assert [second_factor.use_code(house, 1, now_code(seed), now) for _ in range(2)] == [True, False]
        assert enter(house, badge, PASSWORD, terminal=None, address="10.0.0.1", code=now_code(seed, 1))
        assert desk.post("/second-factor", data={"form_token": "stale"}, headers=HERE).status_code == 422
