"""Sign in and out: badges, names, PINs and passwords; sessions that turn, age and end; guessing made slow."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from people.signing_in import HERE, PASSWORD, PIN, client, person, sign_in, terminal
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from app import clock
from app.db import House
from app.errors import Refused
from app.journal.act import SYSTEM, By, act
from app.naming.resolve import resolve
from app.people import sign_in as sessions
from app.people import throttle
from app.people.models import SignIn, Terminal, Throttle
from app.people.people import set_duties
from app.people.secrets import set_secret
from app.people.sessions import end_all
from app.people.terminals import retire_terminal
from app.people.throttle import Try, begin_try, was_right

T0 = datetime(2026, 3, 5, 6, 0, tzinfo=UTC)


def enter(house: House, badge: str, secret: str = PASSWORD, *, at: str | None = None, address: str = "10.0.0.1", before: str | None = None) -> str:
    return sessions.sign_in(house, badge, secret, terminal=at, address=address, before=before)


def change(house: House, badge: str, verb: Callable[[Session, By, int], object]) -> None:
    def once(session: Session, by: By) -> dict[str, Any]:
        verb(session, by, resolve(session, badge, "person").id)
        return {}

    act(house, SYSTEM, "change_person", {}, once)


def resolve_person(house: House, badge: str) -> int:
    with house.reading() as session:
        return resolve(session, badge, "person").id


def refused(house: House, badge: str, secret: str, **how: str | None) -> str:
    with pytest.raises(Refused) as caught:
        enter(house, badge, secret, **how)  # type: ignore[arg-type]
    assert caught.value.kind in ("password", "too_many_tries")
    return str(caught.value)


def test_a_badge_or_a_name_with_a_password_signs_in_anywhere(house: House) -> None:
    badge = person(house, "Mara", "operate", "lead")
    for typed in (badge, f" {badge.lower()} ", " Mara "):
        found = sessions.signed_in(house, enter(house, typed))
        assert found is not None
        assert (found.name, found.duties, found.area) == ("Mara", {"operate", "lead"}, None)


def test_a_pin_works_at_an_enrolled_terminal_only(house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house, "bonding")
    found = sessions.signed_in(house, enter(house, badge, PIN, at=cookie))
    assert found is not None and found.area == "bonding"
    refused(house, badge, PIN)
    refused(house, badge, PIN, at="a cookie of nobody")


def test_a_retired_terminal_takes_no_pin_and_ends_its_sessions(house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    session = enter(house, badge, PIN, at=cookie)
    with house.reading() as reading:
        place = reading.scalars(select(Terminal.id)).one()
    act(house, SYSTEM, "retire_terminal", {}, lambda s, by: {"_": retire_terminal(s, by, place)})
    assert sessions.signed_in(house, session) is None
    refused(house, badge, PIN, at=cookie)


def test_a_name_that_two_have_needs_the_badge(house: House) -> None:
    first, _second = person(house, "Mara", "operate"), person(house, "Mara", "operate")
    refused(house, "Mara", PASSWORD)
    assert enter(house, first)


def test_a_name_is_typed_in_small_letters_or_capitals_unless_two_differ_by_them_alone(house: House) -> None:
    person(house, "Åsa Öst", "operate")
    for typed in ("Åsa Öst", "åsa öst", "ÅSA ÖST "):
        assert sessions.signed_in(house, enter(house, typed)).name == "Åsa Öst", typed  # type: ignore[union-attr]
    person(house, "åsa öst", "lead")
    refused(house, "ÅSA ÖST", PASSWORD)
    found = sessions.signed_in(house, enter(house, "åsa öst"))
    assert found is not None and found.duties == {"lead"}, "as it is written it is one person's"


def test_who_is_unknown_and_what_is_wrong_sound_the_same(house: House) -> None:
    badge = person(house, "Mara", "operate")
    assert refused(house, badge, "guessed") == refused(house, "E-9999-0", "guessed") == refused(house, "\x00", "guessed")


def test_someone_who_left_can_not_sign_in_and_is_out_at_once(house: House) -> None:
    badge = person(house, "Mara", "operate")
    session = enter(house, badge)
    change(house, badge, lambda s, by, one: set_duties(s, by, one, []))
    assert sessions.signed_in(house, session) is None
    refused(house, badge, PASSWORD)


def test_a_new_password_ends_every_session_of_that_person_only(house: House) -> None:
    mara, odd = person(house, "Mara", "operate"), person(house, "Odd", "operate")
    hers, his = enter(house, mara), enter(house, odd)
    change(house, mara, lambda s, by, one: set_secret(s, by, one, "password", "another one", cheap=True))
    assert sessions.signed_in(house, hers) is None
    assert sessions.signed_in(house, his) is not None
    refused(house, mara, PASSWORD)
    assert enter(house, mara, "another one")


def test_each_sign_in_has_a_new_secret_and_ends_the_one_before(house: House) -> None:
    badge = person(house, "Mara", "operate")
    first = enter(house, badge)
    second = enter(house, badge, before=first)
    assert first != second
    assert sessions.signed_in(house, first) is None
    found = sessions.signed_in(house, second)
    assert found is not None and found.form_token != sessions.form_token(first)


def test_a_browser_keeps_no_session_id_that_it_had_before(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with client(house) as browser:
        browser.cookies.set("reelroot_session", "planted")
        answer = sign_in(browser, badge)
        cookie = answer.headers["set-cookie"]
        assert "planted" not in cookie
        assert "HttpOnly" in cookie and "SameSite=lax" in cookie


@pytest.mark.parametrize(("column", "age", "is_in"), [
    ("seen_at", timedelta(minutes=59), True), ("seen_at", timedelta(minutes=61), False),
    ("begun_at", timedelta(hours=11, minutes=59), True), ("begun_at", timedelta(hours=12, minutes=1), False),
])  # fmt: skip
def test_a_session_ends_when_idle_and_after_a_shift(house: House, column: str, age: timedelta, is_in: bool) -> None:
    session = enter(house, person(house, "Mara", "operate"))
    with house.writing(as_owner=True) as writing:
        writing.execute(update(SignIn).values({column: clock.now() - age}))
    assert (sessions.signed_in(house, session) is not None) is is_in


@pytest.mark.parametrize(("address", "is_someone"), [
    ("/board/now", False), ("/board?renewed=1", False), ("/paper/here", False), ("/board", True), ("/lots", True),
])  # fmt: skip
def test_a_page_that_renews_itself_keeps_no_session_alive(house: House, address: str, is_someone: bool) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Mara", "operate"))
        with house.writing() as writing:
            writing.execute(update(SignIn).values(seen_at=clock.now() - timedelta(minutes=50)))
        assert browser.get(address).status_code in (200, 404)
        with house.reading() as reading:
            seen = reading.scalars(select(SignIn.seen_at)).one()
        assert (clock.now() - seen < timedelta(minutes=40)) is is_someone


def test_a_board_that_nobody_touches_is_left_after_an_hour(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Mara", "operate"))
        with house.writing() as writing:
            writing.execute(update(SignIn).values(seen_at=clock.now() - timedelta(minutes=61)))
        assert "/sign-in" in browser.get("/board/now").headers["location"]


@pytest.mark.parametrize(("age", "is_in"), [(timedelta(hours=9, minutes=59), True), (timedelta(hours=10, minutes=1), False)])
def test_a_terminal_may_rest_for_a_shift(house: House, age: timedelta, is_in: bool) -> None:
    session = enter(house, person(house, "Mara", "operate"), PIN, at=terminal(house))
    with house.writing() as writing:
        writing.execute(update(SignIn).values(seen_at=clock.now() - age))
    assert (sessions.signed_in(house, session) is not None) is is_in


def test_no_secret_lies_in_the_database_as_it_is(house: House) -> None:
    cookie = terminal(house)
    session = enter(house, person(house, "Mara", "operate"), at=cookie)
    with house.reading() as reading:
        kept = [*reading.scalars(select(SignIn.hash)), *reading.scalars(select(Terminal.hash))]
    assert session not in kept and cookie not in kept


def test_five_wrong_tries_make_that_person_wait_however_the_badge_is_typed(house: House) -> None:
    badge, other = person(house, "Mara", "operate"), person(house, "Odd", "operate")
    for typed in (badge, "Mara", badge.lower(), f" {badge}", badge):
        assert "Too many" not in refused(house, typed, "guessed")
    assert "Too many" in refused(house, badge, PASSWORD)
    with client(house) as browser:
        told = sign_in(browser, badge)
    wait = told.headers["retry-after"]
    assert told.status_code == 429 and 0 < int(wait) <= 15 and f"Wait {wait} seconds" in told.text
    assert enter(house, other), "a colleague at the same address is not shut out"


def test_the_wait_ends_and_a_right_try_wipes_the_count(house: House) -> None:
    badge = person(house, "Mara", "operate")
    for _ in range(5):
        refused(house, badge, "guessed")
    with house.writing() as writing:
        writing.execute(update(Throttle).values(until=clock.now() - timedelta(seconds=1)))
    assert enter(house, badge)
    for _ in range(4):
        refused(house, badge, "guessed")
    assert enter(house, badge)


def test_the_wait_grows_to_five_minutes_and_no_further(house: House) -> None:
    badge, waits = person(house, "Mara", "operate"), []
    for _ in range(12):
        refused(house, badge, "guessed")
        with house.writing() as writing:
            row = writing.scalars(select(Throttle).where(Throttle.who.startswith("person"))).one()
            waits.append(round((row.until - row.last_at).total_seconds()) if row.until else 0)
            row.until = None
    assert waits == [0, 0, 0, 0, 15, 60, *[300] * 6]


def test_an_address_waits_after_fifty_but_an_enrolled_terminal_there_does_not(house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    for n in range(50):
        refused(house, f"nobody {n}", "guessed")
    assert "Too many" in refused(house, badge, PASSWORD)
    assert enter(house, badge, PIN, at=cookie)
    assert enter(house, badge, address="10.0.0.2")


@pytest.mark.parametrize("at_terminal", [False, True])
def test_who_signs_in_right_between_guesses_at_others_gains_none(house: House, at_terminal: bool) -> None:
    guesser, mara, cookie = person(house, "Odd", "operate"), person(house, "Mara", "operate"), terminal(house) if at_terminal else None
    before = enter(house, mara)
    for n in range(50):
        assert "Too many" not in refused(house, f"nobody {n}", "guessed", at=cookie)
        if n < 49:
            enter(house, guesser, at=cookie)
    assert "Too many" in refused(house, guesser, PASSWORD, at=cookie)
    assert "Too many" in refused(house, "nobody else", "guessed", at=cookie)
    assert enter(house, mara, before=before), "a colleague goes on at the browser that knows them"
    assert enter(house, mara, at=terminal(house)), "and at the terminals"


def test_who_guesses_at_signatures_of_others_and_signs_right_between_gains_none(house: House) -> None:
    people = [resolve_person(house, person(house, f"Mara {n}", "quality")) for n in range(12)]
    tries = [n for n in range(11) for _ in range(5)]
    for number, n in enumerate(tries[:50]):
        with pytest.raises(Refused, match="password is wrong"):
            sessions.check_signature(house, people[n], "guessed", "10.0.0.1", is_brought=True)
        if number < 49:
            sessions.check_signature(house, people[11], PASSWORD, "10.0.0.1", is_brought=True)
    with pytest.raises(Refused, match="Too many"):
        sessions.check_signature(house, people[10], "guessed", "10.0.0.1", is_brought=True)
    sessions.check_signature(house, people[10], PASSWORD, "10.0.0.1")  # in a session of their own


def tried(house: House, monkeypatch: pytest.MonkeyPatch, seconds: float, wrong: bool, where: str = "address 10.0.0.1") -> bool:
    """One more person at that place, so many seconds after the start; whether they were judged."""
    monkeypatch.setattr(clock, "now", lambda: T0 + timedelta(seconds=seconds))
    one = Try(f"person at {seconds}", where)
    try:
        waits = begin_try(house, one)
    except Refused:
        return False
    if not wrong:
        was_right(house, one, waits)
    return True


def test_a_place_that_a_shift_shares_waits_for_nobody_who_types_wrong_now_and_then(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three quarters of a minute apart, each second one wrong, without an hour's rest between."""
    assert all(tried(house, monkeypatch, 45 * n, wrong=n % 2 == 0) for n in range(400))


def test_who_never_rests_has_fifty_guesses_an_hour_at_one_place(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    judged = [n for n in range(0, 4 * 3600, 10) if tried(house, monkeypatch, n, wrong=True)]
    assert 150 < len(judged) <= 50 * 5


def test_a_right_try_after_the_wait_of_a_place_begins_no_other(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    for n in range(50):
        assert tried(house, monkeypatch, n / 100, wrong=True)
    assert not tried(house, monkeypatch, 10, wrong=False)
    assert all(tried(house, monkeypatch, 20 + n, wrong=False) for n in range(30)), "a whole shift signs in"
    assert tried(house, monkeypatch, 51, wrong=True) and not tried(house, monkeypatch, 52, wrong=False)


def test_a_clock_that_was_set_back_makes_no_place_wait(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    assert all(tried(house, monkeypatch, -3600 * n, wrong=True) for n in range(10))


def test_a_count_is_not_forgotten_while_one_more_is_added(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the morning all counts are old, and the first who is in forgets those of the others."""
    monkeypatch.setattr(clock, "now", lambda: T0)
    begin_try(house, Try("person 1 at terminals", "terminal 1"))
    monkeypatch.setattr(clock, "now", lambda: T0 + timedelta(hours=8))
    other = threading.Thread(target=lambda: was_right(house, Try("person 2 at terminals", None), None))
    locked = throttle._locked

    def after_the_other(session: Session, keys: list[str]) -> dict[str, Throttle]:
        if not other.ident:
            other.start()
            other.join(0.3)
        return locked(session, keys)

    monkeypatch.setattr(throttle, "_locked", after_the_other)
    begin_try(house, Try("person 1 at terminals", "terminal 1"))
    other.join()
    with house.reading() as session:
        assert session.execute(select(Throttle.who, Throttle.failures).order_by(Throttle.who)).all() == [
            ("person 1 at terminals", 1), ("terminal 1", 1),
        ]  # fmt: skip


def test_who_guesses_at_desks_shuts_nobody_out_of_the_floor(house: House) -> None:
    badges, cookie = [person(house, f"Mara {n}", "operate") for n in range(3)], terminal(house)
    for badge in badges:
        for n in range(6):
            refused(house, badge, "guessed", address=f"10.0.{n}.1")
        assert "Too many" in refused(house, badge, PASSWORD, address="10.0.9.1")
        assert enter(house, badge, PIN, at=cookie)
    for _ in range(5):
        refused(house, badges[0], "guessed", at=cookie)
    assert "Too many" in refused(house, badges[0], PIN, at=terminal(house)), "the next terminal gives no new tries"


def test_who_guesses_elsewhere_shuts_nobody_out_of_their_own_browser(house: House) -> None:
    badge, other = person(house, "Mara", "operate"), person(house, "Odd", "operate")
    mine, others = enter(house, badge), enter(house, other)
    for n in range(6):
        refused(house, badge, "guessed", address=f"10.0.{n}.1")
    assert "Too many" in refused(house, badge, PASSWORD, address="10.0.9.1")
    assert "Too many" in refused(house, badge, PASSWORD, address="10.0.9.1", before=others), "a session of someone else counts for nothing"
    mine = enter(house, badge, address="10.0.9.1", before=mine)
    assert "Too many" in refused(house, badge, PASSWORD, address="10.0.9.1"), "and a right try there gives no new ones elsewhere"
    for _ in range(5):
        assert "Too many" not in refused(house, badge, "guessed", before=mine)
    assert "Too many" in refused(house, badge, PASSWORD, before=mine), "whoever has that browser is slowed all the same"


def test_who_guesses_at_a_signature_that_is_brought_keeps_nobody_from_signing(house: House) -> None:
    operator, quality = person(house, "Odd", "operate"), person(house, "Mara", "quality")
    release = {"items": [], "disposition": "concession", "words": "x"}
    with client(house) as colleague, client(house) as desk:
        sign_in(colleague, operator)
        sign_in(desk, quality)
        path = "/api/v1/holds/H26-000001-O/release"
        tries = [colleague.post(path, json=release | {"signed_by": quality, "password": "guessed"}, headers=HERE).status_code for _ in range(6)]
        assert tries == [403] * 5 + [429]
        assert desk.post(path, json=release | {"password": PASSWORD}, headers=HERE).status_code == 404, "signed; there is no such hold"
        assert desk.post(path, json=release | {"password": PASSWORD, "signed_by": quality}, headers=HERE).status_code == 404


def test_a_session_that_ended_with_the_duties_is_over_for_good(house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    session = enter(house, badge, PIN, at=cookie)
    change(house, badge, lambda s, by, one: set_duties(s, by, one, []))
    change(house, badge, lambda s, by, one: set_duties(s, by, one, ["operate"]))
    assert sessions.signed_in(house, session) is None
    assert sessions.reopen(house, badge, terminal=cookie) is None
    assert enter(house, badge, PIN, at=cookie)


def test_a_network_of_many_addresses_counts_as_one(house: House) -> None:
    """A single machine may take any of the 2**64 addresses of its IPv6 network (RFC 4291, 2.5.4)."""
    for n in range(50):
        refused(house, f"nobody {n}", "guessed", address=f"2001:db8::{n:x}")
    assert "Too many" in refused(house, "nobody else", "guessed", address="2001:db8::abcd:1")
    assert "Too many" not in refused(house, "nobody else", "guessed", address="2001:db8:0:1::1")


def test_one_address_that_a_proxy_tells_in_the_other_spelling_is_a_place_of_its_own(house: House) -> None:
    """A proxy that listens for both kinds says ::ffff:10.0.0.1 (RFC 4291, 2.5.5.2): one who guesses there shuts out nobody else."""
    badge = person(house, "Mara", "operate")
    for n in range(50):
        refused(house, f"nobody {n}", "guessed", address="::ffff:10.0.0.1")
    assert enter(house, badge, address="::ffff:10.0.0.2")
    assert "Too many" in refused(house, badge, PASSWORD, address="10.0.0.1"), "it is the same machine"


def test_many_guesses_at_once_are_counted_each(house: House) -> None:
    badge, said = person(house, "Mara", "operate"), []

    def guess() -> None:
        try:
            enter(house, badge, "guessed")
        except Refused as refusal:
            said.append("waits" if "Too many" in str(refusal) else "judged")

    threads = [threading.Thread(target=guess) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(said) == ["judged"] * 5 + ["waits"] * 7


def test_a_signature_asks_for_the_password_and_is_slow_to_guess(house: House) -> None:
    badge = person(house, "Mara", "quality")
    with house.reading() as reading:
        mara = resolve(reading, badge, "person").id
    sessions.check_signature(house, mara, PASSWORD, "10.0.0.1")
    for wrong in (None, "", PIN, "guessed", "guessed"):
        with pytest.raises(Refused, match="password is wrong"):
            sessions.check_signature(house, mara, wrong, "10.0.0.1")
    with pytest.raises(Refused, match="Too many"):
        sessions.check_signature(house, mara, PASSWORD, "10.0.0.1")


@pytest.mark.parametrize("at_terminal", [False, True])
def test_who_is_signing_in_while_the_secret_is_changed_has_no_session(house: House, monkeypatch: pytest.MonkeyPatch, at_terminal: bool) -> None:
    """Who knows the old one could try again and again: of all those sessions one would begin just after its owner had ended all."""
    badge, cookie = person(house, "Mara", "operate"), terminal(house) if at_terminal else None
    kind, secret = ("pin", PIN) if at_terminal else ("password", PASSWORD)

    def changed_meanwhile(*args: Any) -> None:
        was_right(*args)
        change(house, badge, lambda session, by, one: set_secret(session, by, one, kind, "739104 and more"[: 6 if at_terminal else None], cheap=True))

    monkeypatch.setattr(sessions, "was_right", changed_meanwhile)
    with pytest.raises(Refused, match="not signed in"):
        enter(house, badge, secret, at=cookie)
    with house.reading() as session:
        assert list(session.scalars(select(SignIn))) == []
    monkeypatch.undo()
    assert enter(house, badge, "739104" if at_terminal else "739104 and more", at=cookie)


def test_a_badge_that_is_read_while_all_sessions_are_ended_opens_none(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    enter(house, badge, PIN, at=cookie)
    real = sessions.duties_of

    def ended_meanwhile(session: Session, one: int) -> frozenset[str]:
        change(house, badge, end_all)
        return real(session, one)

    monkeypatch.setattr(sessions, "duties_of", ended_meanwhile)
    assert sessions.reopen(house, badge, terminal=cookie) is None
    with house.reading() as session:
        assert all(row.ended_at is not None for row in session.scalars(select(SignIn)))
