"""One action is one transaction, one entry, and one answer to its key."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import ProgrammingError
from sqlalchemy.orm import Session

from app.db import House, RecordSession
from app.errors import BadInput, Refused, bad_input, refuse
from app.journal.act import SYSTEM, Actor, By, Verb, act
from app.journal.models import Entry
from app.journal.record import RecordBroken, close, enter, number
from app.journal.verify import verify_journal
from app.naming.resolve import give_code
from app.people.models import Person, PersonDuty


def add_ann(session: Session, by: By) -> dict[str, str]:
    person = Person(e=by.e, name="Ann")
    session.add(person)
    session.flush()
    return {"person": give_code(session, by, "person", person.id)}


def count(house: House, model: type) -> int:
    with house.reading() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def test_an_action_writes_one_entry_and_its_rows(house: House) -> None:
    answer = act(house, SYSTEM, "add_person", {"name": "Ann"}, add_ann)
    assert answer.body["person"].startswith("E-")
    assert (count(house, Entry), count(house, Person)) == (1, 1)


def test_the_same_key_again_changes_nothing_and_gets_the_first_answer(house: House) -> None:
    first = act(house, SYSTEM, "add_person", {"name": "Ann"}, add_ann, key="k")
    again = act(house, SYSTEM, "add_person", {"name": "Ann"}, add_ann, key="k")
    assert again.body == first.body
    assert again.repeated
    assert count(house, Person) == 1


@pytest.mark.parametrize("refused", [refuse("held", "No.", "It is held."), bad_input("No.", "name", "It is blank.", "Give one.")])
def test_the_first_answer_comes_though_the_same_would_be_refused_by_now(house: House, refused: Refused) -> None:
    def no_more(session: Session, by: By) -> dict[str, str]:
        """It asks the database nothing."""
        raise refused

    first = act(house, SYSTEM, "add_person", {"name": "Ann"}, add_ann, key="k")
    again = act(house, SYSTEM, "add_person", {"name": "Ann"}, no_more, key="k")
    assert again.repeated and again.body == first.body
    with pytest.raises(Refused) as caught:
        act(house, SYSTEM, "add_person", {"name": "Ann"}, no_more, key="another")
    assert caught.value is refused


def test_a_key_with_other_content_is_refused(house: House) -> None:
    act(house, SYSTEM, "add_person", {"name": "Ann"}, add_ann, key="k")
    with pytest.raises(Refused) as caught:
        act(house, SYSTEM, "add_person", {"name": "Bo"}, add_ann, key="k")
    assert caught.value.kind == "key_reused"


def test_a_refusal_is_an_answer_and_leaves_nothing_half_done(house: House) -> None:
    def half(session: Session, by: By) -> dict[str, str]:
        add_ann(session, by)
        raise refuse("held", "No.", "It is held.")

    for _ in range(2):
        with pytest.raises(Refused) as caught:
            act(house, SYSTEM, "add_person", {}, half, key="k")
        assert caught.value.kind == "held"
    assert (count(house, Entry), count(house, Person)) == (1, 0)


def test_half_a_character_is_refused_as_input(house: House) -> None:
    with pytest.raises(BadInput) as caught:
        act(house, SYSTEM, "add_person", {"name": "Mar\ud8e6"}, lambda session, by: {})
    assert "half a character" in caught.value.reasons[0].why and caught.value.reasons[0].now
    with house.reading() as session:
        assert session.scalar(select(func.count()).select_from(Entry)) == 0


def test_who_lacks_the_duty_is_refused(house: House) -> None:
    with pytest.raises(Refused) as caught:
        act(house, Actor("person", 1, "Op", frozenset({"operate"})), "add_person", {}, add_ann)
    assert caught.value.kind == "duty"


def test_a_signed_action_asks_the_password(house: House) -> None:
    with pytest.raises(Refused) as caught:
        act(house, SYSTEM, "release_hold", {}, add_ann)
    assert caught.value.kind == "password"


def test_the_same_key_twice_at_once_is_done_once(house: House) -> None:
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: act(house, SYSTEM, "add_person", {"name": "Ann"}, add_ann, key="k").body["person"], range(16)))
    assert len(set(answers)) == 1
    assert count(house, Person) == 1


def test_twins_get_one_answer_though_the_first_is_refused(house: House) -> None:
    tries, together = [], threading.Barrier(8)

    def refused_once(session: Session, by: By) -> dict[str, str]:
        tries.append(by)
        if len(tries) == 1:
            raise refuse("held", "No.", "It is held.")
        return add_ann(session, by)

    def answer(_: int) -> str:
        together.wait()
        try:
            return act(house, SYSTEM, "add_person", {"name": "Ann"}, refused_once, key="k").body["person"]
        except Refused as refused:
            return refused.kind

    with ThreadPoolExecutor(8) as pool:
        answers = set(pool.map(answer, range(8)))
    assert len(answers) == 1
    assert (count(house, Entry), count(house, Person)) == (1, 0 if answers == {"held"} else 1)


def test_a_row_on_the_record_is_not_overwritten(house: House) -> None:
    act(house, SYSTEM, "add_person", {}, add_ann)

    def rename(session: Session, by: By) -> dict[str, str]:
        session.scalars(select(Person)).one().name = "Bo"
        return {}

    with pytest.raises(RecordBroken if house.kind == "sqlite" else ProgrammingError):  # the database itself refuses: its role has no right to it
        act(house, SYSTEM, "change_person", {}, rename)


def test_a_row_is_closed_once(house: House) -> None:
    def add_duty(session: Session, by: By) -> dict[str, str]:
        add_ann(session, by)
        session.add(PersonDuty(e=by.e, person=session.scalars(select(Person.id)).one(), duty="lead"))
        return {}

    def end(session: Session, by: By) -> dict[str, str]:
        session.scalars(select(PersonDuty)).one().closed_e = by.e
        return {}

    act(house, SYSTEM, "add_person", {}, add_duty)
    act(house, SYSTEM, "change_person", {}, end)
    with pytest.raises(RecordBroken):
        act(house, SYSTEM, "change_person", {}, end)


def enter_ann(session: Session, by: By) -> dict[str, str]:
    person = Person(e=by.e, name="Ann")
    enter(session, person)
    enter(session, PersonDuty(e=by.e, person=person.id, duty="lead"), PersonDuty(e=by.e, person=person.id, duty="quality", closed_e=by.e))
    return {"person": give_code(session, by, "person", person.id)}


def end_duty(session: Session, by: By) -> dict[str, str]:
    duty = session.scalars(select(PersonDuty).where(PersonDuty.duty == "lead")).one()
    close(session, duty, closed_e=by.e)
    assert duty.closed_e == by.e and not session.dirty
    return {}


def test_what_is_written_at_once_is_digested_like_the_rest(house: House) -> None:
    act(house, SYSTEM, "add_person", {}, enter_ann)
    act(house, SYSTEM, "change_person", {}, end_duty)
    assert (count(house, Person), count(house, PersonDuty)) == (1, 2)
    assert list(verify_journal(house)) == []


def test_what_is_written_at_once_is_closed_once(house: House) -> None:
    act(house, SYSTEM, "add_person", {}, enter_ann)
    act(house, SYSTEM, "change_person", {}, end_duty)
    with pytest.raises(RecordBroken):
        act(house, SYSTEM, "change_person", {}, end_duty)


def end_by_session(session: Session, by: By) -> dict[str, str]:
    session.scalars(select(PersonDuty).where(PersonDuty.duty == "lead")).one().closed_e = by.e
    session.flush()
    return {}


@pytest.mark.only_on("postgresql")
@pytest.mark.parametrize("end", [end_duty, end_by_session])
def test_an_act_that_was_overtaken_begins_again(house: House, end: Verb) -> None:
    """Both have read the row open; the one that closes it second must not write over the first."""
    tries: list[bool] = []

    def second(session: Session, by: By) -> dict[str, str]:
        duty = session.scalars(select(PersonDuty).where(PersonDuty.duty == "lead")).one()
        tries.append(duty.closed_e is None)
        if duty.closed_e is not None:
            raise refuse("finished", "No.", "It has ended.")
        with ThreadPoolExecutor() as other:
            other.submit(act, house, SYSTEM, "change_person", {}, end_duty).result()
        return end(session, by)

    act(house, SYSTEM, "add_person", {}, enter_ann)
    with pytest.raises(Refused):
        act(house, SYSTEM, "change_person", {}, second)
    assert tries == [True, False]
    assert list(verify_journal(house)) == []


def test_nothing_but_closing_columns_is_written_at_once(house: House) -> None:
    def rename(session: Session, by: By) -> dict[str, str]:
        close(session, session.scalars(select(PersonDuty)).first(), closed_e=by.e, duty="engineer")
        return {}

    act(house, SYSTEM, "add_person", {}, enter_ann)
    with pytest.raises(RecordBroken):
        act(house, SYSTEM, "change_person", {}, rename)


def test_rows_that_have_their_numbers_first_follow_those_that_are_there(house: House) -> None:
    def two_more(session: Session, by: By) -> dict[str, str]:
        some = [Person(name=name) for name in ("Bo", "Cy")]
        number(session, by.number, *some)
        assert {row.e for row in some} == {by.e}
        enter(session, *some)
        session.add(last := Person(e=by.e, name="Di"))
        session.flush()
        assert [row.id for row in (*some, last)] == [2, 3, 4]
        return {}

    act(house, SYSTEM, "add_person", {}, enter_ann)
    act(house, SYSTEM, "add_person", {}, two_more)
    assert list(verify_journal(house)) == []


def test_nothing_is_written_at_once_outside_an_act(house: House) -> None:
    with house.writing() as session, pytest.raises(RecordBroken):
        enter(session, Person(e=1, name="Ann"))
    assert count(house, Person) == 0


def test_one_that_must_be_alone_begins_again_alone(house: House) -> None:
    tries = []

    def needs(session: Session, by: By) -> dict[str, str]:
        tries.append(by.alone)
        by.must_be_alone()
        return add_ann(session, by)

    act(house, SYSTEM, "add_person", {}, needs)
    assert tries == [False, True]
    assert count(house, Person) == 1


def test_many_rows_at_once_get_their_ids_in_the_order_in_which_they_were_added(house: House) -> None:
    names = [f"Ann {i}" for i in range(2500)]  # more than one statement takes

    def add_many(session: Session, by: By) -> dict[str, str]:
        people = [Person(e=by.e, name=name) for name in names]
        session.add_all(people)
        session.flush()
        assert [person.id for person in people] == sorted(person.id for person in people)
        assert [person.name for person in people] == names
        session.expire_all()
        assert [session.get_one(Person, person.id).name for person in people] == names
        return {}

    act(house, SYSTEM, "add_person", {}, add_many)
    with house.reading() as session:
        assert list(session.scalars(select(Person.name).order_by(Person.id))) == names


def test_the_rows_of_an_act_are_gathered_once_however_many_there_are(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked for row by row, 3,100 panels of one receipt took nine seconds: each asking makes the set of all new rows."""
    asked, gathered = [], RecordSession.new.fget
    assert gathered is not None
    monkeypatch.setattr(RecordSession, "new", property(lambda session: asked.append(1) or gathered(session)))

    def many(session: Session, by: By) -> dict[str, int]:
        session.add_all([Person(e=by.e, name=f"Ann {n}") for n in range(50)])
        asked.clear()
        session.flush()
        return {"asked": len(asked)}

    assert act(house, SYSTEM, "add_person", {}, many).body["asked"] <= 2
