"""What a process remembers of the catalogue is never older than the record, and never more than was committed."""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import event, select
from sqlalchemy.orm import Session

from app.catalogue.definitions import Catalogue, Recipe
from app.catalogue.load import load_catalogue
from app.catalogue.models import Definition, Thing
from app.catalogue.queries import every, recipe, with_id
from app.db import House
from app.errors import Refused, refuse
from app.journal.act import SYSTEM, By, act


def of_minutes(soak: int) -> Catalogue:
    return Catalogue(recipes=(Recipe(name="C170", set_point_c=170, band_low_c=165, band_high_c=175, soak_minutes=soak),))


def load(house: House, soak: int, then: Callable[[Session], None] = lambda session: None) -> None:
    def verb(session: Session, by: By) -> dict[str, Any]:
        load_catalogue(session, by, of_minutes(soak))
        then(session)
        return {}

    act(house, SYSTEM, "load_catalogue", {"soak": soak}, verb)


def minutes(session: Session) -> float:
    """By name, by id, and as one of its kind: the same."""
    found = recipe(session, "C170").body.soak_minutes
    assert with_id(session, recipe(session, "C170").id).body.soak_minutes == found
    assert [one.body.soak_minutes for one in every(session, "recipe")] == [found]
    return found


def on_record(session: Session) -> float:
    body = session.scalars(select(Definition.body).join(Thing, Thing.id == Definition.thing).where(Definition.closed_e.is_(None))).one()
    return float(body["soak_minutes"])


def test_what_is_known_is_not_read_again(house: House) -> None:
    load(house, 90)
    statements: list[str] = []

    def note(*args: Any) -> None:
        if "definition" in args[2]:
            statements.append(args[2])

    with house.reading() as session:
        minutes(session)
    event.listen(house.read_engine, "before_cursor_execute", note)
    with house.reading() as session:
        minutes(session)
    event.remove(house.read_engine, "before_cursor_execute", note)
    assert len(statements) == 1
    assert statements[0].startswith("select max(id) from definition")


def test_a_load_is_seen_by_others_when_it_is_committed_and_not_before(house: House) -> None:
    load(house, 90)

    def look(session: Session) -> None:
        assert minutes(session) == 100
        with house.reading() as other:
            assert minutes(other) == 90

    load(house, 100, look)
    with house.reading() as session:
        assert minutes(session) == 100


def test_nothing_stays_of_a_load_that_was_undone(house: House) -> None:
    """SQLite gives the next definition the id of the one that was undone."""
    load(house, 90)

    def refused(session: Session) -> None:
        assert minutes(session) == 100
        session.expire_all()
        raise refuse("changed", "No.", "Someone else changed it.")

    with pytest.raises(Refused):
        load(house, 100, refused)
    with house.reading() as session:
        assert minutes(session) == 90
    load(house, 110)
    with house.reading() as session:
        assert minutes(session) == 110


def test_a_session_goes_on_with_what_it_first_saw(house: House) -> None:
    load(house, 90)
    with house.reading() as session:
        assert recipe(session, "C170").body.soak_minutes == 90
        load(house, 100)
        assert minutes(session) == 90
        with house.reading() as other:
            assert minutes(other) == 100


def test_in_a_race_with_loads_no_act_and_no_reader_meets_an_old_catalogue(house: House) -> None:
    load(house, 1)
    committed, done = [1], threading.Event()

    def loads() -> None:
        try:
            for soak in range(2, 14):
                load(house, soak)
                committed.append(soak)
        finally:
            done.set()

    def acts(n: int) -> int:
        def verb(session: Session, by: By) -> dict[str, Any]:
            assert minutes(session) == on_record(session)
            return {}

        for i in range(200):
            act(house, SYSTEM, "add_person", {"n": n, "i": i}, verb)
            if done.is_set():
                return i
        return 200

    def reads() -> int:
        for i in range(5000):
            at_least = committed[-1]
            with house.reading() as session:
                assert recipe(session, "C170").body.soak_minutes >= at_least
            with house.snapshot() as session:
                assert minutes(session) == on_record(session) >= at_least
            if done.is_set():
                return i
        return 5000

    with ThreadPoolExecutor(6) as pool:
        told = [pool.submit(loads), *(pool.submit(acts, n) for n in range(3)), *(pool.submit(reads) for _ in range(2))]
        for one in told:
            one.result()
    assert committed[-1] == 13
