"""People, their duties and certificates, secrets, tokens and the first run."""

import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from people.signing_in import person, token
from sqlalchemy import event, select
from sqlalchemy.orm import Session
from zxcvbn import matching
from zxcvbn.matching import RANKED_DICTIONARIES

from app import clock, codes
from app.db import House
from app.errors import BadInput, Refused
from app.journal.act import SYSTEM, By, act
from app.journal.models import Entry
from app.naming.resolve import code_of, resolve
from app.people import first_run
from app.people.models import Certificate, PersonDuty, Secret, Token
from app.people.people import Certified, add_person, duties_of, everyone, set_certificates, set_duties, there_is_an_administrator
from app.people.secrets import is_right, new_secret, set_secret
from app.people.tokens import bearer_of, make_token, revoke_token

NEXT_YEAR = datetime(2031, 1, 1, tzinfo=UTC)


def do(house: House, verb: Callable[[Session, By], Any], action: str = "change_person") -> Any:
    kept: list[Any] = []

    def once(session: Session, by: By) -> dict[str, Any]:
        kept[:] = [verb(session, by)]
        return {}

    act(house, SYSTEM, action, {}, once)
    return kept[0]


def id_of(house: House, badge: str) -> int:
    with house.reading() as session:
        return resolve(session, badge, "person").id


def test_a_badge_that_would_be_the_next_ones_keeps_nobody_out(house: House) -> None:
    def add(name: str, badge: str | None = None) -> tuple[int, str]:
        def verb(session: Session, by: By) -> dict[str, Any]:
            one = add_person(session, by, name, ["operate"], badge=badge)
            return {"id": one.id, "badge": code_of(session, "person", one.id)}

        told = act(house, SYSTEM, "add_person", {"name": name}, verb).body
        return told["id"], told["badge"]

    first, _ = add("Mara")
    chosen = codes.make("person", f"-{first + 2:04d}")
    assert add("Ida", chosen)[1] == chosen
    badges = {add(f"Odd {n}")[1] for n in range(3)}
    assert len(badges) == 3 and chosen not in badges and all(codes.is_valid(one) for one in badges)


def test_duties_change_by_closing_rows_and_writing_new_ones(house: House) -> None:
    mara = id_of(house, person(house, "Mara", "operate", "lead"))
    assert do(house, lambda s, by: set_duties(s, by, mara, ["lead", "quality"])) is True
    assert do(house, lambda s, by: set_duties(s, by, mara, ["quality", "lead"])) is False
    with house.reading() as session:
        assert duties_of(session, mara) == {"lead", "quality"}
        rows = session.execute(select(PersonDuty.duty, PersonDuty.closed_e.is_(None)).order_by(PersonDuty.duty)).all()
    assert [tuple(row) for row in rows] == [("lead", True), ("operate", False), ("quality", True)]


def test_an_unknown_duty_is_named_and_nobody_is_added(house: House) -> None:
    with pytest.raises(BadInput, match="'supervise' is not one of"):
        do(house, lambda s, by: add_person(s, by, "Mara", ["operate", "supervise"]), "add_person")
    with house.reading() as session:
        assert everyone(session) == []


@pytest.mark.parametrize("badge", ["E-0001-W", "T-0001-X", "E", "", "E-0001"])
def test_a_wrong_badge_code_says_what_a_right_one_is_like(house: House, badge: str) -> None:
    with pytest.raises(BadInput) as caught:
        do(house, lambda s, by: add_person(s, by, "Mara", [], badge=badge), "add_person")
    assert "valid one is like" in caught.value.now


def test_a_taken_badge_is_refused(house: House) -> None:
    badge = person(house, "Mara", "operate")
    with pytest.raises(Refused, match="is taken"):
        do(house, lambda s, by: add_person(s, by, "Odd", [], badge=badge), "add_person")


def test_a_certificate_until_another_day_replaces_the_first(house: House) -> None:
    mara = id_of(house, person(house, "Mara", "operate"))
    do(house, lambda s, by: set_certificates(s, by, mara, [Certified("wire bond", None)]))
    assert do(house, lambda s, by: set_certificates(s, by, mara, [Certified("wire bond", NEXT_YEAR)])) is True
    with house.reading() as session:
        assert everyone(session, mara)[0].certificates == (Certified("wire bond", NEXT_YEAR),)
        assert len(list(session.scalars(select(Certificate)))) == 2


def test_a_list_of_people_costs_the_same_for_two_as_for_forty(house: House) -> None:
    def statements() -> int:
        seen: list[str] = []
        listen = lambda *given: seen.append(given[2])  # noqa: E731
        event.listen(house.read_engine, "before_cursor_execute", listen)
        with house.reading() as session:
            everyone(session)
        event.remove(house.read_engine, "before_cursor_execute", listen)
        return len(seen)

    for n in range(2):
        person(house, f"Person {n}", "operate")
    few = statements()
    for n in range(38):
        person(house, f"Other {n}", "operate", "lead")
    assert statements() == few


@pytest.mark.parametrize(("kind", "secret", "why"), [
    ("pin", "123", "4 to 200"), ("pin", "12a4", "digits"), ("pin", "١٢٣٤", "digits"), ("password", "seven77", "8 to 200"),
    ("password", "x" * 201, "8 to 200"), ("badge", "whatever", "not pin or password"),
])  # fmt: skip
def test_a_poor_secret_is_refused(kind: str, secret: str, why: str) -> None:
    with pytest.raises(BadInput) as caught:
        new_secret(kind, secret, cheap=True)
    assert why in str(caught.value) + caught.value.now


@pytest.mark.parametrize(("kind", "secret"), [
    ("password", "password1"), ("password", "Passw0rd"), ("password", "qwertyuiop"), ("password", "1q2w3e4r"), ("password", "aaaaaaaa"),
    ("password", "abcdefgh"), ("password", "reelroot2026"), ("password", "Mara Lind"), ("password", "E-OP03-B1"),
    ("password", "19841984"),
])  # fmt: skip
def test_what_is_guessed_first_is_refused(kind: str, secret: str) -> None:
    with pytest.raises(BadInput) as caught:
        new_secret(kind, secret, ("Mara Lind", "E-OP03-B"), cheap=True)
    assert "easily guessed" in caught.value.what and caught.value.now


def test_the_three_thousand_commonest_passwords_that_are_long_enough_are_refused() -> None:
    """OWASP ASVS 5.0, 6.2.4; in small letters or large ones."""
    long_enough = [word for word in RANKED_DICTIONARIES["passwords"] if len(word) >= 8]
    for n, word in enumerate(long_enough[:3000]):
        with pytest.raises(BadInput, match="easily guessed"):
            new_secret("password", word.upper() if n % 2 else word, cheap=True)


def test_no_more_of_a_password_is_estimated_than_costs_a_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    """The work grows with every sign that may stand for a letter, and with the square of the length."""
    estimated: list[int] = []
    match = matching.l33t_match

    def counted(password: str, **how: Any) -> list[Any]:
        estimated.append(len(password))
        return list(match(password, **how))

    monkeypatch.setattr(matching, "l33t_match", counted)
    assert new_secret("password", "4@8({[<369&#!10|$5+7%2z" * 8, cheap=True).kind == "password"
    assert estimated and max(estimated) <= 24


@pytest.mark.parametrize(("kind", "secret"), [("password", "Mara likes blue kettles"), ("password", "kv83hx!q"), ("pin", "2600")])
def test_a_secret_of_its_own_is_taken(kind: str, secret: str) -> None:
    assert new_secret(kind, secret, ("Mara Lind", "E-OP03-B"), cheap=True).kind == kind


def test_secrets_are_argon2_hashes_made_dear_unless_told(house: House) -> None:
    person(house, "Mara", "operate")
    with house.reading() as session:
        kept = list(session.scalars(select(Secret.hash)))
    assert all(one.startswith("$argon2id$") for one in kept)
    memory_kib = int(new_secret("password", "long enough").hash.split("m=")[1].split(",")[0])
    assert memory_kib >= 19 * 1024  # OWASP Password Storage Cheat Sheet: Argon2id with at least 19 MiB


def test_no_secret_stands_in_the_journal(house: House) -> None:
    mara = id_of(house, person(house, "Mara", "administer"))
    do(house, lambda s, by: set_secret(s, by, mara, "password", "very private", cheap=True), "set_secret")
    made = token(house, "operate")
    with house.reading() as session:
        told = " ".join(str(one) for one in session.scalars(select(Entry.arguments)))
    assert "very private" not in told and made not in told


def test_every_sign_of_a_long_password_counts(house: House) -> None:
    mara, longest = id_of(house, person(house, "Mara", "operate")), "a kettle " * 22 + "ab"
    assert len(longest) == 200
    do(house, lambda s, by: set_secret(s, by, mara, "password", longest, cheap=True), "set_secret")
    with house.reading() as session:
        tried = (longest, longest + "c", longest[:-1], longest[:-1] + "c")
        assert [is_right(session, mara, "password", one, cheap=True) for one in tried] == [True, False, False, False]


def test_two_new_passwords_at_once_leave_one_in_force(house: House) -> None:
    mara, failed = id_of(house, person(house, "Mara", "operate")), []

    def change(password: str) -> None:
        try:
            do(house, lambda s, by: set_secret(s, by, mara, "password", password, cheap=True), "set_secret")
        except Exception as error:
            failed.append(error)

    threads = [threading.Thread(target=change, args=(f"kettle weather {n}",)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with house.reading() as session:
        assert sum(is_right(session, mara, "password", f"kettle weather {n}", cheap=True) for n in range(6)) == 1


def test_a_token_ends_when_revoked_and_on_its_day(house: House) -> None:
    secret = token(house, "operate", until=clock.now() + timedelta(days=1))
    with house.reading() as session:
        found = bearer_of(session, secret, clock.now())
        assert found is not None and secret not in session.get_one(Token, found.actor.id).hash
        assert bearer_of(session, secret, clock.now() + timedelta(days=1)) is None
        assert bearer_of(session, secret + "x", clock.now()) is None
    do(house, lambda s, by: revoke_token(s, by, found.actor.id), "revoke_token")
    with house.reading() as session:
        assert bearer_of(session, secret, clock.now()) is None
    with pytest.raises(Refused) as again:
        do(house, lambda s, by: revoke_token(s, by, found.actor.id), "revoke_token")
    assert again.value.kind == "finished"
    with pytest.raises(Refused) as never:
        do(house, lambda s, by: revoke_token(s, by, 99), "revoke_token")
    assert never.value.kind == "unknown_code"


def test_a_token_needs_a_name_a_duty_and_a_day_to_come(house: House) -> None:
    for name, duties, until in (("", ("operate",), None), ("bonder", (), None), ("bonder", ("fly",), None), ("bonder", ("operate",), clock.now())):
        with pytest.raises(BadInput):
            do(house, lambda s, by, n=name, d=duties, u=until: make_token(s, by, n, d, u), "make_token")
    with house.reading() as session:
        assert list(session.scalars(select(Token))) == []


def test_a_token_ends_after_a_year_unless_told_otherwise_and_within_two(house: House) -> None:
    do(house, lambda s, by: make_token(s, by, "bonder", ("operate",)), "make_token")
    do(house, lambda s, by: make_token(s, by, "tester", ("operate",), clock.now() + timedelta(days=730)), "make_token")
    with house.reading() as session:
        usual, longest = [one.valid_until - clock.now() for one in session.scalars(select(Token).order_by(Token.id))]
    assert timedelta(days=364) < usual <= timedelta(days=365) and longest > timedelta(days=729)
    with pytest.raises(BadInput, match="more than 730 days"):
        do(house, lambda s, by: make_token(s, by, "oven", ("operate",), clock.now() + timedelta(days=732)), "make_token")


def test_the_first_link_works_once(house: House) -> None:
    path = first_run.link(house)
    assert path is not None and path == first_run.link(house), "the same until it is used"
    secret = path.removeprefix("/first/")
    badge = first_run.make_administrator(house, secret, "Ada", "long enough")
    with house.reading() as session:
        assert duties_of(session, resolve(session, badge).id) == {"administer", "engineer"}
    assert first_run.link(house) is None
    with pytest.raises(Refused):
        first_run.make_administrator(house, secret, "Eve", "long enough")


def test_a_first_run_that_was_cut_short_leaves_no_link_that_leads_nowhere(house: House) -> None:
    (house.data_dir / "first-administrator").touch(0o600)
    secret = str(first_run.link(house)).removeprefix("/first/")
    assert len(secret) == 32
    assert first_run.make_administrator(house, secret, "Ada", "long enough")
    assert not list(house.data_dir.glob("first-*"))


@pytest.mark.parametrize("secret", ["", "guessed", "ключ"])
def test_a_guessed_first_link_makes_nobody(house: House, secret: str) -> None:
    first_run.link(house)
    with pytest.raises(Refused) as caught:
        first_run.make_administrator(house, secret, "Eve", "long enough")
    assert caught.value.kind == "unknown_code"


def test_the_first_link_raced_makes_one_administrator(house: House) -> None:
    secret = str(first_run.link(house)).removeprefix("/first/")
    made: list[str] = []

    def make(name: str) -> None:
        with suppress(Refused):
            made.append(first_run.make_administrator(house, secret, name, "long enough"))

    threads = [threading.Thread(target=make, args=(f"Ada {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 1


def test_an_administrator_of_the_catalogue_without_a_password_does_not_shut_the_door(house: House) -> None:
    do(house, lambda s, by: add_person(s, by, "Ada", ["administer"]), "add_person")
    with house.reading() as session:
        assert not there_is_an_administrator(session)
    assert first_run.link(house) is not None
