"""What another gave opens nothing but the page where its owner chooses one: at desks, at terminals, for calls and for signatures."""

import pytest
from fastapi.testclient import TestClient
from people.signing_in import HERE, PASSWORD, call, client, person, post, sign_in, terminal, token

from app.db import House
from app.errors import Refused
from app.naming.resolve import resolve
from app.people.sign_in import check_signature

GIVEN, OWN = "given by Ada", "a bird on a wire"


def give(browser: TestClient, house: House, badge: str, kind: str, secret: str) -> None:
    assert call(browser, token(house, "administer"), "POST", f"/people/{badge}/secret", kind=kind, secret=secret).status_code == 200


def test_a_given_password_leads_to_its_change_and_nowhere_else(house: House) -> None:
    badge = person(house, "Mara", "operate", "administer")
    with client(house) as browser:
        give(browser, house, badge, "password", GIVEN)
        assert sign_in(browser, badge, GIVEN).status_code == 303
        for path in ("/", "/lots", f"/people/{badge}", "/sessions", "/floor"):
            assert browser.get(path).headers["location"] == f"/choose-secret?next={path}"
        assert post(browser, "/choose-secret", "/people", name="X", password="long enough", again="long enough", duties="operate").status_code == 303
        refused = browser.get("/api/v1/lots")
        assert (refused.status_code, refused.json()["kind"]) == (403, "password")
        assert refused.json()["title"] == "Choose your own password first."
        page = browser.get("/choose-secret").text
        assert "someone else knows it" in page and "All pages" not in page
        chosen = post(browser, "/choose-secret", "/my-secret", kind="password", old=GIVEN, new=OWN, again=OWN, next="/lots")
        assert chosen.headers["location"] == "/lots"
        assert browser.get("/lots").status_code == 200
        assert sign_in(browser, badge, GIVEN).status_code == 403
        assert sign_in(browser, badge, OWN).status_code == 303 and browser.get("/lots").status_code == 200


def test_a_choice_that_was_sent_twice_is_not_told_as_lost(house: House) -> None:
    """A double click: the first ends the session that the second comes with, and its owner was told to enter it all again."""
    badge = person(house, "Mara", "operate")
    with client(house) as browser:
        give(browser, house, badge, "password", GIVEN)
        sign_in(browser, badge, GIVEN)
        before = dict(browser.cookies)
        assert post(browser, "/choose-secret", "/my-secret", kind="password", old=GIVEN, new=OWN, again=OWN, next="/lots").status_code == 303
        browser.cookies.clear()
        browser.cookies.update(before)
        second = browser.post("/my-secret", data={"kind": "password", "old": GIVEN, "new": OWN, "again": OWN}, headers=HERE)
        assert "the first time counts, a new password too" in browser.get(second.headers["location"]).text


@pytest.mark.parametrize(("kind", "old", "new", "said"), [
    ("password", GIVEN, GIVEN, "That is the current password."), ("password", "guessed", OWN, "The current password is wrong."),
    ("password", GIVEN, "short", "too short"), ("pin", GIVEN, "918273", "Choose a password first."),
])  # fmt: skip
def test_what_does_not_change_it_leaves_the_page(house: House, kind: str, old: str, new: str, said: str) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as browser:
        give(browser, house, badge, "password", GIVEN)
        sign_in(browser, badge, GIVEN)
        answer = post(browser, "/choose-secret", "/my-secret", kind=kind, old=old, new=new, again=new)
        assert answer.status_code in (403, 422) and said in answer.text
        assert browser.get("/lots").headers["location"].startswith("/choose-secret")


def test_a_given_pin_is_changed_at_the_terminal_by_itself_and_the_badge_alone_opens_nothing(house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    with client(house) as browser:
        browser.cookies.set("reelroot_terminal", cookie)
        give(browser, house, badge, "pin", "111222")
        sign_in(browser, badge, "111222")
        assert browser.get("/floor").headers["location"] == "/choose-secret?next=/floor"
        assert sign_in(browser, badge, "").status_code == 200, "asks for the PIN: it was never its owner's"
        sign_in(browser, badge, "111222")
        post(browser, "/choose-secret", "/my-secret", kind="pin", old="111222", new="333444", again="333444")
        assert browser.get("/floor").status_code == 200
        assert sign_in(browser, badge, "").status_code == 303
        assert sign_in(browser, badge, PASSWORD).status_code == 303 and browser.get("/floor").status_code == 200


def test_who_has_an_own_password_is_not_asked_for_a_given_pin_at_a_desk(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as browser:
        give(browser, house, badge, "pin", "111222")
        sign_in(browser, badge)
        assert browser.get("/lots").status_code == 200
        assert post(browser, f"/people/{badge}", "/my-secret", kind="pin", old=PASSWORD, new="333444", again="333444").status_code == 303


def test_nothing_is_signed_with_a_given_password(house: House) -> None:
    """Its giver could sign as its owner."""
    badge = person(house, "Mara", "quality")
    with client(house) as browser:
        give(browser, house, badge, "password", GIVEN)
        with house.reading() as session:
            mara = resolve(session, badge, "person").id
        with pytest.raises(Refused, match="Someone else gave you this password"):
            check_signature(house, mara, GIVEN, "10.0.0.1")
        body = {"what": "concession", "words": "x", "signed_by": badge, "password": GIVEN}
        bearer = {"Authorization": f"Bearer {token(house, 'quality')}"}
        answer = browser.post("/api/v1/lines/57/disposition", json=body, headers=HERE | bearer)
        assert (answer.status_code, answer.json()["kind"]) == (403, "password")
        sign_in(browser, badge, GIVEN)
        post(browser, "/choose-secret", "/my-secret", kind="password", old=GIVEN, new=OWN, again=OWN)
    check_signature(house, mara, OWN, "10.0.0.1")


def test_a_machines_token_is_nobodys_secret_and_goes_on(house: House) -> None:
    bearer = token(house, "operate")
    badge = person(house, "Mara", "operate")
    with client(house) as machine:
        give(machine, house, badge, "password", GIVEN)
        assert call(machine, bearer, "GET", "/lots").status_code == 200


def test_the_first_administrator_has_chosen_and_whom_the_page_adds_has_not(house: House) -> None:
    badge = person(house, "Ada", "administer")
    with client(house) as browser:
        sign_in(browser, badge)
        added = post(browser, "/people", "/people", name="Odd", password=GIVEN, again=GIVEN, duties=["operate"]).headers["location"]
        odd = added.split("/people/")[1].split("?")[0]
        assert "has not chosen one yet" in browser.get(f"/people/{odd}").text
        sign_in(browser, odd, GIVEN)
        assert browser.get("/lots").headers["location"].startswith("/choose-secret")


@pytest.mark.parametrize("by_call", [True, False])
def test_an_administrator_gives_themselves_none(house: House, by_call: bool) -> None:
    """Who finds their browser open would choose with it what the current one is not asked for."""
    ada = person(house, "Ada", "administer")
    with client(house) as browser:
        sign_in(browser, ada)
        if by_call:
            answer = browser.post(f"/api/v1/people/{ada}/secret", json={"kind": "password", "secret": GIVEN}, headers=HERE)
        else:
            answer = post(browser, f"/people/{ada}", f"/people/{ada}/secret", kind="password", new=GIVEN, again=GIVEN)
        assert answer.status_code == 403 and "Your password is chosen, not given." in answer.text.replace("&#39;", "'")
        assert browser.get("/lots").status_code == 200
        assert sign_in(browser, ada, GIVEN).status_code == 403 and sign_in(browser, ada).status_code == 303
