"""People, terminals and tokens over the API; who may state times and facts; what a signature of a machine needs."""

from datetime import UTC, datetime, timedelta

import pytest
from people.signing_in import HERE, PASSWORD, PIN, call, client, person, sign_in, token
from small_factory import Factory
from sqlalchemy import select

from app import clock
from app.db import House
from app.journal.models import Entry, Request


def test_people_are_added_changed_and_listed(house: House) -> None:
    admin = token(house, "administer")
    with client(house) as machine:
        added = call(machine, admin, "POST", "/people", name="Mara", duties=["operate"], pin=PIN, password=PASSWORD).json()
        badge = added["person"]
        assert added == {"person": badge, "name": "Mara", "duties": ["operate"], "certificates": []}
        certificate = {"name": "wire bond", "valid_until": "2031-03-31T22:59:59Z"}
        changed = call(machine, admin, "POST", f"/people/{badge}/change", certificates=[certificate]).json()
        assert changed["duties"] == ["operate"], "what is left out stays"
        assert changed["certificates"] == [certificate]
        assert call(machine, admin, "GET", f"/people/{badge}").json() == changed
        assert call(machine, admin, "GET", "/people").json() == [changed]
        assert call(machine, admin, "POST", f"/people/{badge}/secret", kind="password", secret="another one").status_code == 200
        assert sign_in(machine, badge, "another one").status_code == 303


def test_a_repeated_call_makes_one_token_and_shows_it_once(house: House) -> None:
    admin = token(house, "administer")
    with client(house) as machine:
        first, second = (call(machine, admin, "POST", "/tokens", key="k1", name="bonder", duties=["operate"]).json() for _ in range(2))
        assert first["secret"].startswith("rr_") and second == {"token": first["token"], "secret": None}
        other = call(machine, admin, "POST", "/tokens", key="k1", name="tester", duties=["operate"])
        assert (other.status_code, other.json()["kind"]) == (422, "key_reused")
        with house.reading() as session:
            kept = [*session.scalars(select(Request.answer)), *session.scalars(select(Entry.arguments))]
        assert first["secret"] not in str(kept)
        assert call(machine, first["secret"], "GET", "/holds").status_code == 200
        assert call(machine, admin, "POST", f"/tokens/{first['token']}/revoke").status_code == 200
        assert call(machine, first["secret"], "GET", "/holds").status_code == 401


def test_a_token_that_is_not_in_force_is_told_so_and_listed_no_more(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    admin = token(house, "administer")
    with client(house) as machine:
        ends = clock.now() + timedelta(days=3)
        made = call(machine, admin, "POST", "/tokens", name="bonder", duties=["operate"], valid_until=ends.isoformat()).json()["secret"]
        assert [one["name"] for one in call(machine, admin, "GET", "/tokens").json()].count("bonder") == 1
        assert "send a token" in machine.get("/api/v1/holds").json()["now"]
        monkeypatch.setattr(clock, "now", lambda: ends)
        ended = call(machine, made, "GET", "/holds")
        assert ended.status_code == 401 and "past its end" in ended.json()["detail"] and "administrator" in ended.json()["now"]
        assert "bonder" not in call(machine, admin, "GET", "/tokens").text


def test_no_secret_of_a_person_reaches_the_journal(house: House) -> None:
    admin = token(house, "administer")
    with client(house) as machine:
        badge = call(machine, admin, "POST", "/people", key="k", name="Mara", duties=[], password="very private", pin="918273").json()["person"]
        call(machine, admin, "POST", f"/people/{badge}/secret", kind="pin", secret="564738")
    with house.reading() as session:
        told = str([*session.scalars(select(Entry.arguments)), *session.scalars(select(Request.answer))])
    assert not [secret for secret in ("very private", "918273", "564738") if secret in told]


def test_terminals_are_enrolled_and_retired_by_code(house: House) -> None:
    admin = token(house, "administer")
    with client(house) as machine:
        made = call(machine, admin, "POST", "/terminals", area="bonding").json()
        badge = person(house, "Mara", "operate")
        machine.cookies.set("reelroot_terminal", made["cookie"])
        assert sign_in(machine, badge, PIN).status_code == 303
        assert call(machine, admin, "POST", f"/terminals/{made['terminal']}/retire").json() == []
        assert sign_in(machine, badge, PIN).status_code == 403
        assert call(machine, admin, "POST", "/terminals/T-0009-9/retire").json()["kind"] == "unknown_code"


@pytest.mark.parametrize(("duties", "facts", "time_ok", "fact_ok"), [
    (("operate",), False, False, False), (("operate",), True, True, True), (("lead",), False, True, False),
])  # fmt: skip
def test_a_machine_states_times_and_facts_as_its_token_allows(
    house: House, duties: tuple[str, ...], facts: bool, time_ok: bool, fact_ok: bool
) -> None:
    Factory(house).load()
    secret = token(house, *duties, facts=facts)
    moment = datetime(2026, 3, 1, 7, 30, tzinfo=UTC).isoformat()
    with client(house) as machine:
        stated = call(machine, secret, "POST", "/containers", kind="jar", name="Jar 1", happened_at=moment)
        fact = call(machine, secret, "POST", "/containers", kind="jar", name="Jar 2", fact=True)
    assert (stated.status_code == 200, fact.status_code == 200) == (time_ok, fact_ok), (stated.text, fact.text)
    assert all(one.json()["kind"] == "duty" for one in (stated, fact) if one.status_code != 200)
    with house.reading() as session:
        entry = session.scalars(select(Entry).where(Entry.action == "add_container").order_by(Entry.id)).first()
    assert entry is None or (entry.happened_at.isoformat(), entry.source) == (moment, "machine")


def test_a_machine_signs_only_by_a_person_and_only_what_it_may_do(house: House) -> None:
    factory = Factory(house).load()
    wire = factory.batch("AU20")
    quality, operator = person(house, "Quinn", "quality"), person(house, "Odd", "operate")
    may, may_not = token(house, "operate", "quality"), token(house, "operate")
    with client(house) as machine:
        hold = call(machine, may, "POST", "/holds", subject=wire.code, reason="wrong alloy").json()["hold"]
        release = {"disposition": "concession", "words": "tested"}

        def release_by(secret: str, **signature: str) -> tuple[int, str | None]:
            answer = call(machine, secret, "POST", f"/holds/{hold}/release", **release, **signature)
            return answer.status_code, answer.json().get("kind")

        assert release_by(may) == (403, "password"), "nobody signs"
        assert release_by(may, signed_by=quality, password="guessed") == (403, "password")
        assert release_by(may, signed_by=quality) == (403, "password")
        assert release_by(may, signed_by=operator, password=PASSWORD) == (403, "duty")
        assert release_by(may_not, signed_by=quality, password=PASSWORD) == (403, "duty")
        assert release_by(may, signed_by=quality, password=PASSWORD)[0] == 200
    with house.reading() as session:
        entry = session.scalars(select(Entry).where(Entry.action == "release_hold").order_by(Entry.id.desc())).first()
    assert entry is not None
    assert (entry.actor_kind, entry.actor_name, entry.signed, entry.outcome) == ("person", "Quinn", True, "done")
    assert PASSWORD not in str(entry.arguments)


def test_a_signed_in_person_may_call_from_this_site_only(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "administer"))
        body = {"name": "Mara", "duties": ["operate"]}
        assert browser.post("/api/v1/people", json=body, headers=HERE).status_code == 200
        for headers in ({}, {"Origin": "http://evil.example"}, {"Origin": "null"}, HERE | {"Sec-Fetch-Site": "cross-site"}):
            answer = browser.post("/api/v1/people", json=body, headers=headers)
            assert answer.status_code == 403, headers
            assert answer.json()["title"] == "This came from another site."
