"""The first entry since a time, against a plain look at all of them."""

from datetime import timedelta

from sqlalchemy import select

from app import clock
from app.db import House
from app.journal.act import SYSTEM, act
from app.journal.models import Entry
from app.journal.since import first_since


def test_it_is_the_one_that_a_look_at_all_of_them_finds(house: House) -> None:
    with house.reading() as session:
        assert first_since(session, clock.now()) == 1, "there is none yet"
    for n in range(9):
        act(house, SYSTEM, "add_person", {"n": n}, lambda session, by: {})
    with house.reading() as session:
        entries = list(session.execute(select(Entry.id, Entry.recorded_at).order_by(Entry.id)))
        for _, at in entries:
            for moment in (at - timedelta(microseconds=1), at, at + timedelta(microseconds=1)):
                expected = next((number for number, recorded in entries if recorded >= moment), entries[-1].id + 1)
                assert first_since(session, moment) == expected
