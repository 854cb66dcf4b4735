"""What corrected results, or a fact, booked by itself is no difference that someone signed for, and leaves open what was open."""

import pytest
from sqlalchemy import select

from app import clock
from app.board.overrides import overrides
from app.board.production_day import day_of
from app.catalogue import queries as catalogue
from app.db import House
from app.errors import Refused
from app.floor.counting import count_units, sign_difference
from app.floor.loose import split_loose
from app.genealogy.unclosed_counts import sums_by_station, unclosed
from app.ledger.counts import CORRECTED_RESULTS
from app.ledger.items import Lot
from app.naming.resolve import Named, code_of
from tests.board.line import line, loose_lot
from tests.final_test.test_results_in import factory as tested_factory
from tests.final_test.test_results_in import loose_lot as to_be_tested
from tests.genealogy.made import client_of
from tests.small_factory import Factory, named_lot

factory = tested_factory


def signed(house: House) -> list[str]:
    """What the board says went past a gate today."""
    with house.reading() as session:
        return [one.gate for one in overrides(session, day_of(catalogue.site(session), clock.now()))]


def count(factory: Factory, lot: Named, units: int) -> None:
    factory.do("count_units", lambda s, by: count_units(s, by, lot.id, units, "counter", 0.0).entry.id)


def test_a_difference_stays_open_and_is_counted_once_when_results_are_corrected(factory: Factory) -> None:
    number, client = factory.start("Tester", to_be_tested(factory)), client_of(factory)
    with factory.house.reading() as session:
        code = code_of(session, "run", number)

    def sent(path: str, failing: int, **stated: str) -> None:
        data = "unit;result;vf\n" + "".join(f"{unit};{'E07' if unit <= failing else 'pass'};3.125\n" for unit in range(1, 81))
        found = client.post(f"/api/v1/runs/{code}/unit_results{path}", files={"file": ("t.csv", data)}, data=stated)
        assert found.status_code == 200, found.text

    sent("", 2)
    with factory.house.reading() as session:
        best = named_lot(session, session.scalars(select(Lot.item).where(Lot.grade == "prime")).one())
    count(factory, best, 70)
    sent("/correct", 3, reason="one was left out")
    assert "count" not in signed(factory.house)
    with factory.house.reading() as session:
        assert [(one.code, one.words, one.difference, one.open) for one in unclosed(session)] == [(best.code, "waits for a signature", -8, True)]
    count(factory, best, 70)
    with factory.house.reading() as session:
        (found,) = unclosed(session)
        assert (found.difference, [row.units for row in found.rows]) == (-7, [-8, 1, 0])
        assert [one.drift.total for one in sums_by_station(session)] == [-8]


def test_more_than_was_there_taken_as_a_fact_is_not_signed_for(house: House) -> None:
    factory = line(house)
    loose = loose_lot(factory, 2)
    factory.do("split_loose", lambda s, by: split_loose(s, by, loose.id, 45).item, fact=True)
    with house.reading() as session:
        assert [(one.words, one.difference) for one in unclosed(session)] == [("taken as a fact, and held", 5)]
    assert "count" not in signed(house)


def test_nobody_signs_in_the_words_of_what_is_booked_by_itself(house: House) -> None:
    factory = line(house)
    loose = loose_lot(factory, 2)
    count(factory, loose, 30)
    with pytest.raises(Refused, match="words of its own"):
        factory.do("sign_difference", lambda s, by: sign_difference(s, by, loose.id, CORRECTED_RESULTS).id)
