"""One's own sessions seen and ended, and those of another by an administrator."""

import re
from datetime import timedelta

import pytest
from people.signing_in import PASSWORD, PIN, call, client, person, post, sign_in, terminal, token
from sqlalchemy import func, select, update

from app import clock
from app.db import House
from app.journal.models import Entry
from app.people import sessions
from app.people.addresses import network_of
from app.people.models import SignIn
from app.people.sign_in import digest


def test_one_sees_where_one_is_signed_in_and_ends_the_others(house: House) -> None:
    mara, odd = person(house, "Mara", "operate"), person(house, "Odd", "operate")
    with client(house) as desk, client(house) as elsewhere, client(house) as floor, client(house) as colleague:
        floor.cookies.set("reelroot_terminal", terminal(house, "bonding"))
        desk.headers["user-agent"] = "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0"
        sign_in(desk, mara)
        sign_in(elsewhere, mara)
        sign_in(floor, mara, PIN)
        sign_in(colleague, odd)
        page = desk.get("/sessions").text
        assert page.count("<tr>") == 4 and "Firefox on Linux" in page and "bonding" in page and "this one" in page
        one = re.search(r'value="([0-9a-f]{16})" aria-label="this, at terminal', page)
        assert one is not None
        post(desk, "/sessions", "/sessions/end", which=one[1], secret=PASSWORD)
        assert floor.get("/floor").status_code == 303
        assert sign_in(floor, mara, "").status_code == 200, "nor does the badge alone open it again"
        assert elsewhere.get("/lots").status_code == 200
        post(desk, "/sessions", "/sessions/end", which="others", secret=PASSWORD)
        assert elsewhere.get("/lots").status_code == 303
        assert desk.get("/lots").status_code == colleague.get("/lots").status_code == 200
        assert "signed in nowhere else" in desk.get("/sessions").text


def test_nobody_ends_anothers_session_by_its_handle(house: House) -> None:
    mara, odd = person(house, "Mara", "operate"), person(house, "Odd", "operate")
    with client(house) as hers, client(house) as his:
        sign_in(hers, mara)
        sign_in(his, odd)
        with house.reading() as session:
            foreign = session.scalars(select(SignIn.hash).order_by(SignIn.seen_at.desc())).first() or ""
        for handle in (foreign[:16], foreign, foreign[:1], "%" * 16, "_" * 16):
            assert "over%20already" in post(hers, "/sessions", "/sessions/end", which=handle, secret=PASSWORD).headers["location"]
        assert his.get("/lots").status_code == 200


def test_who_finds_a_browser_open_ends_no_other_session_without_a_secret(house: House) -> None:
    mara, cookie = person(house, "Mara", "operate"), terminal(house)
    with client(house) as desk, client(house) as floor:
        sign_in(desk, mara)
        floor.cookies.set("reelroot_terminal", cookie)
        sign_in(floor, mara, PIN)
        for secret in ("", "guessed", PIN):
            again = post(desk, "/sessions", "/sessions/end", which="others", secret=secret)
            assert again.status_code == 403 and 'value="others" checked' in again.text and "Nothing was ended" in again.text
        assert floor.get("/floor").status_code == 200
        assert post(floor, "/sessions", "/sessions/end", which="others", secret=PIN).status_code == 303
        assert desk.get("/lots").status_code == 303


def test_a_session_that_rests_at_a_terminal_is_seen_once_and_ended(house: House) -> None:
    mara, odd, cookie = person(house, "Mara", "operate"), person(house, "Odd", "operate"), terminal(house)
    with client(house) as floor, client(house) as desk:
        floor.cookies.set("reelroot_terminal", cookie)
        for badge, secret in ((mara, PIN), (odd, PIN), (mara, ""), (odd, "")):
            sign_in(floor, badge, secret)
        sign_in(desk, mara)
        page = desk.get("/sessions").text
        assert page.count("(rests)") == 1
        post(desk, "/sessions", "/sessions/end", which="others", secret=PASSWORD)
        assert sign_in(floor, mara, "").status_code == 200
        assert sign_in(floor, odd, "").status_code == 303


def test_an_administrator_ends_all_sessions_of_someone_on_the_record(house: House) -> None:
    ada, mara = person(house, "Ada", "administer"), person(house, "Mara", "operate")
    with client(house) as desk, client(house) as hers:
        sign_in(desk, ada)
        sign_in(hers, mara)
        assert "1 open session" in desk.get(f"/people/{mara}").text
        assert post(desk, f"/people/{mara}", f"/people/{mara}/sessions/end").status_code == 303
        assert hers.get("/lots").status_code == 303 and desk.get("/lots").status_code == 200
        assert post(desk, f"/people/{mara}", f"/people/{ada}/sessions/end").status_code == 303
        assert desk.get("/lots").status_code == 303, "one's own too"
        sign_in(hers, mara)
        assert call(hers, token(house, "administer"), "POST", f"/people/{mara}/end_sessions").json() == {"person": mara, "ended": 1}
        assert call(hers, token(house, "lead"), "POST", f"/people/{mara}/end_sessions").status_code == 403
    with house.reading() as session:
        assert len(session.scalars(select(Entry).where(Entry.action == "end_sessions")).all()) == 3


@pytest.mark.parametrize("by_whom", ["its owner", "an administrator"])
def test_a_new_password_or_pin_ends_all_sessions(house: House, by_whom: str) -> None:
    mara, admin = person(house, "Mara", "operate"), token(house, "administer")
    for kind, new in (("pin", "918273"), ("password", "a bird on a wire")):
        with client(house) as one, client(house) as other:
            sign_in(one, mara)
            sign_in(other, mara)
            if by_whom == "its owner":
                assert post(one, f"/people/{mara}", "/my-secret", kind=kind, old=PASSWORD, new=new, again=new).status_code == 303
            else:
                call(one, admin, "POST", f"/people/{mara}/secret", kind=kind, secret=new)
            assert other.get("/lots").status_code == 303
            assert one.get("/lots").status_code == (200 if by_whom == "its owner" else 303)


def test_what_is_over_is_in_no_list(house: House) -> None:
    mara = person(house, "Mara", "operate")
    with client(house) as desk:
        sign_in(desk, mara)
        with house.reading() as session:
            row = session.scalars(select(SignIn)).one()
            for hours, open_now in ((0, 1), (1.1, 0), (13, 0)):
                assert len(sessions.open_sessions(session, row.person, clock.now() + timedelta(hours=hours))) == open_now


def test_a_session_is_forgotten_after_seven_days(house: House) -> None:
    badge = person(house, "Mara", "operate")
    for age in (timedelta(days=6, hours=23), timedelta(days=7, hours=1)):
        with client(house) as browser:
            sign_in(browser, badge)
            token = digest(browser.cookies["reelroot_session"])
            with house.writing(as_owner=True) as writing:
                writing.execute(update(SignIn).where(SignIn.hash == token).values(begun_at=clock.now() - age))
    with client(house) as browser:
        sign_in(browser, badge)
    with house.reading() as session:
        assert session.scalar(select(func.count()).select_from(SignIn)) == 2, "the one before, and this one"


@pytest.mark.parametrize(("address", "kept"), [
    ("10.1.2.3", "10.1.2.0/24"), ("::ffff:10.1.2.3", "10.1.2.0/24"), ("2001:db8:1:2::9", "2001:db8:1::/48"), ("fe80::1%eth0", "fe80::/48"),
    ("testclient", ""), ("", ""),
])  # fmt: skip
def test_of_an_address_its_network_is_kept(address: str, kept: str) -> None:
    assert network_of(address) == kept


@pytest.mark.parametrize(("agent", "kept"), [
    ("Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0 Safari/537.36 Edg/140.0", "Edge on Windows"),
    ("Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0 Mobile Safari/537.36", "Chrome on Android"),
    ("Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/26.0 Safari/605.1.15", "Safari on macOS"),
    ("curl/8.5.0", "another program"), ("", "another program"),
])  # fmt: skip
def test_of_a_browser_its_kind_is_kept(agent: str, kept: str) -> None:
    assert sessions.browser_of(agent) == kept
