"""The pages of people, terminals and tokens, as an administrator uses them without script."""

import re

from people.signing_in import HERE, PASSWORD, PIN, call, client, person, post, sign_in, terminal

from app.db import House
from app.people import first_run


def test_from_the_first_link_to_a_colleague_at_a_terminal(house: House) -> None:
    first = str(first_run.link(house))
    with client(house) as browser:
        assert browser.get("/first/guessed").status_code == 404
        short = browser.post(first, data={"name": "Ada", "password": "short", "again": "short"}, headers=HERE)
        assert short.status_code == 422 and 'value="Ada"' in short.text, "what was typed stays"
        made = browser.post(first, data={"name": "Ada", "password": PASSWORD, "again": PASSWORD}, headers=HERE)
        badge = re.search(r"E-\d{4}-.", made.headers["location"])
        assert badge is not None
        again = browser.get(first)
        assert again.status_code == 404 and "There is an administrator already." in again.text, "it is not sought in the log once more"
        sign_in(browser, badge[0])
        added = post(browser, "/people", "/people", name="Mara", password="first word", again="first word", duties=["operate", "lead"])
        mara = re.search(r"/people/(E-\d{4}-.)", added.headers["location"])
        assert mara is not None and "operate, lead" in browser.get(mara[0]).text
        post(browser, f"/people/{mara[1]}", f"/people/{mara[1]}/secret", kind="pin", new=PIN, again=PIN)
        post(browser, f"/people/{mara[1]}", f"/people/{mara[1]}/certificates", name="wire bond", until="2031-03-31")
        assert "2031-03-31 23:59 UTC" in browser.get(f"/people/{mara[1]}").text
        enrolled = post(browser, "/terminals", "/terminals", area="bonding")
        assert "reelroot_terminal=" in enrolled.headers["set-cookie"]
        at_terminal = sign_in(browser, mara[1], PIN)
        assert at_terminal.status_code == 303
        asked = browser.get("/floor").headers["location"]
        assert at_terminal.headers["location"] == "/floor", "where its owner works, when no page was asked for"
        assert asked == "/choose-secret?next=/floor"
        chosen = post(browser, asked, "/my-secret", kind="pin", old=PIN, new="918273", again="918273", next="/floor")
        assert chosen.headers["location"] == "/floor"
        assert "bonding" in browser.get("/floor").text


def test_only_an_administrator_sees_and_uses_the_forms(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as browser:
        sign_in(browser, badge)
        assert "Add a person" not in browser.get("/").text
        assert browser.get("/tokens").status_code == 403
        for path, fields in (
            ("/people", {"name": "X", "password": "long enough", "again": "long enough", "duties": "operate"}),
            (f"/people/{badge}/duties", {"duties": "administer"}),
            (f"/people/{badge}/secret", {"kind": "pin", "new": "999999", "again": "999999"}),
            (f"/people/{badge}/certificates", {"name": "wire bond"}),
            ("/tokens", {"name": "x", "duties": "operate"}), ("/terminals", {"area": "x"}),
        ):  # fmt: skip
            answer = post(browser, "/", path, **fields)
            assert answer.status_code == 403, path
            assert "This needs the duty: administer" in answer.text, path


def test_a_new_password_of_ones_own_needs_the_old_and_turns_the_session(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as elsewhere, client(house) as browser:
        sign_in(elsewhere, badge)
        sign_in(browser, badge)
        own = f"/people/{badge}"
        assert post(browser, own, "/my-secret", kind="password", old="guessed", new="another one", again="another one").status_code == 403
        before = browser.cookies["reelroot_session"]
        assert post(browser, own, "/my-secret", kind="password", old=PASSWORD, new="another one", again="another one").status_code == 303
        assert browser.cookies["reelroot_session"] != before
        assert browser.get("/lots").status_code == 200
        assert elsewhere.get("/lots").status_code == 303, "the session elsewhere is over"
        assert sign_in(elsewhere, badge).status_code == 403
        assert sign_in(elsewhere, badge, "another one").status_code == 303


def test_signing_out_ends_the_session_itself(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as browser:
        sign_in(browser, badge)
        cookie = browser.cookies["reelroot_session"]
        post(browser, "/lots", "/sign-out")
        assert browser.get("/lots").status_code == 303
        browser.cookies.set("reelroot_session", cookie)
        assert browser.get("/lots").status_code == 303


def test_signing_out_needs_the_token_of_the_session(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Mara", "operate"))
        assert browser.post("/sign-out", data={"form_token": "guessed"}, headers=HERE).status_code == 422
        assert browser.get("/lots").status_code == 200


def test_a_token_is_shown_once_and_works_until_it_is_revoked(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        page = post(browser, "/tokens", "/tokens", name="bonder", duties=["operate"], facts="yes").text
        secret = re.search(r"rr_[\w-]+", page)
        assert secret is not None
        listed = browser.get("/tokens").text
        assert secret[0] not in listed and "may state them" in listed
        assert call(browser, secret[0], "GET", "/holds").status_code == 200
        revoke = re.search(r"/tokens/\d+/revoke", listed)
        assert revoke is not None
        post(browser, "/tokens", revoke[0])
        assert call(browser, secret[0], "GET", "/holds").status_code == 401


def test_a_double_tap_adds_one_person(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        fields = {"name": "Mara", "password": PASSWORD, "again": PASSWORD, "duties": "operate", "key": "one tap"}
        first, second = (post(browser, "/people", "/people", **fields).headers["location"] for _ in range(2))
        assert first == second
        assert browser.get("/people").text.count(">Mara<") == 1


def test_another_form_of_a_page_that_was_used_says_how_a_person_sends_it(house: House) -> None:
    """The forms of a page share its key: who went back to one that had been sent read of a key, and of nothing to be done about it."""
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        badge = person(house, "Mara", "operate")
        assert post(browser, f"/people/{badge}", f"/people/{badge}/duties", duties="lead", key="of the page").status_code == 303
        other = post(browser, f"/people/{badge}", f"/people/{badge}/certificates", name="ovens", key="of the page")
        assert other.status_code == 422
        assert "This was not done." in other.text and "open the page again and send it from there" in other.text


def test_a_sign_in_leads_back_to_the_page_but_never_to_another_host(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as browser:
        asked = browser.get("/find?code=L26")
        assert asked.headers["location"] == "/sign-in?next=/find%3Fcode%3DL26"
        assert sign_in(browser, badge, next="/find?code=L26").headers["location"] == "/find?code=L26"
        for elsewhere in ("//evil.example", "/\\evil.example", "https://evil.example", "javascript:alert(1)", ""):
            assert sign_in(browser, badge, next=elsewhere).headers["location"] == "/", elsewhere


def test_a_form_sent_after_the_session_ended_leads_back_to_its_page(house: House) -> None:
    with client(house) as browser:
        answer = browser.post("/floor/scan", data={"scan": "L"}, headers=HERE | {"Referer": "http://testserver/floor"})
        assert answer.headers["location"].startswith("/sign-in?next=/floor&said=Take%20care.%20What%20you%20sent")
        assert "was not recorded" in browser.get(answer.headers["location"]).text
        foreign = browser.post("/floor/scan", data={"scan": "L"}, headers=HERE | {"Referer": "http://evil.example/floor"})
        assert foreign.headers["location"].startswith("/sign-in?next=/&")


def test_the_sign_in_page_offers_the_pin_at_an_enrolled_terminal_only(house: House) -> None:
    with client(house) as browser:
        browser.cookies.set("reelroot_terminal", "of nobody")
        assert "PIN or password" not in browser.get("/sign-in").text
        browser.cookies.clear()
        browser.cookies.set("reelroot_terminal", terminal(house))
        assert "PIN or password" in browser.get("/sign-in").text


def test_a_refused_password_leaves_what_was_chosen_beside_it(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        mara = person(house, "Mara", "operate")
        again = post(browser, "/people", "/people", name="Odd Lind", password="short", again="short", duties=["operate", "lead"])
        assert again.status_code == 422 and 'value="Odd Lind"' in again.text and again.text.count("checked") == 2 and "short\"" not in again.text
        again = post(browser, f"/people/{mara}", f"/people/{mara}/secret", kind="pin", new="12", again="12")
        assert again.status_code == 422 and 'value="pin" selected' in again.text and "too short" in again.text


def test_a_password_or_pin_that_is_typed_in_two_ways_is_not_set(house: House) -> None:
    link = str(first_run.link(house))
    with client(house) as browser:
        wrong = browser.post(link, data={"name": "Ada", "password": "long enough", "again": "long enuogh"}, headers=HERE)
        assert wrong.status_code == 422 and "The password was typed in two ways." in wrong.text
        mara = person(house, "Mara", "operate")
        sign_in(browser, person(house, "Ada", "administer"))
        own = {"kind": "password", "old": PASSWORD, "new": "another one", "again": "another two"}
        for path, fields in (
            ("/people", {"name": "Odd", "password": "long enough", "again": "", "duties": "operate"}),
            (f"/people/{mara}/secret", {"kind": "pin", "new": "918273", "again": "918237"}), ("/my-secret", own),
        ):  # fmt: skip
            answer = post(browser, "/people", path, **fields)
            assert answer.status_code == 422 and "was typed in two ways. Type it again, in both fields alike." in answer.text, path
        assert "Odd" not in browser.get("/people").text
        assert post(browser, "/people", "/my-secret", **(own | {"again": "another one"})).status_code == 303
