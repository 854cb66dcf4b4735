"""Readings after a run, and readings corrected in the open."""

import pytest
from sqlalchemy import select

from app.db import House
from app.errors import Refused
from app.floor.ends import Value
from app.floor.readings import correct_reading, take_reading
from app.floor.voids import void_run
from app.holds.stopped import stops_on
from app.ledger.runs import Reading, Run
from app.naming.resolve import Named
from tests.small_factory import Factory


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


def attached(factory: Factory) -> tuple[Named, int]:
    panels = factory.panels(1)
    return panels[0], factory.run("Attach", factory.lot(panels))


def test_a_wrong_reading_stays_closed_beside_the_right_one(factory: Factory) -> None:
    _, run = attached(factory)
    first = factory.do("take_reading", lambda s, by: take_reading(s, by, s.get_one(Run, run), Value("height", 9.1, "mm")).id)
    factory.do("correct_reading", lambda s, by: correct_reading(s, by, first, 0.91, "a point was lost").was)
    with factory.house.reading() as session:
        rows = list(session.scalars(select(Reading).where(Reading.run == run).order_by(Reading.id)))
    assert [(row.value, row.closed_e is None) for row in rows] == [(9.1, False), (0.91, True)]
    with pytest.raises(Refused) as caught:
        factory.do("correct_reading", lambda s, by: correct_reading(s, by, first, 1.0, "again"))
    assert caught.value.kind == "finished"


def test_a_correction_that_falls_out_of_limits_holds_what_came_of_it(factory: Factory) -> None:
    panel, run = attached(factory)

    def limited(session, by) -> int:  # type: ignore[no-untyped-def]
        row = Reading(e=by.e, run=run, line=None, name="pull", value=5.0, unit="gf", low=3.0, high=None, within=True)
        session.add(row)
        session.flush()
        return row.id

    first = factory.do("take_reading", limited)
    factory.do("correct_reading", lambda s, by: correct_reading(s, by, first, 2.5, "read again").was)
    with factory.house.reading() as session:
        assert panel.id in stops_on(session, [panel.id])


def test_a_reading_that_is_not_there_is_refused(factory: Factory) -> None:
    with pytest.raises(Refused) as caught:
        factory.do("correct_reading", lambda s, by: correct_reading(s, by, 999, 1.0, "x"))
    assert caught.value.kind == "unknown_code"


def test_a_run_that_is_void_takes_no_reading_and_none_of_it_is_corrected(factory: Factory) -> None:
    panel, run = attached(factory)
    first = factory.do("take_reading", lambda s, by: take_reading(s, by, s.get_one(Run, run), Value("height", 9.1, "mm")).id)
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "wrong magazine"))
    for fact in (False, True):
        with pytest.raises(Refused, match="is void") as found:
            factory.do("take_reading", lambda s, by: take_reading(s, by, s.get_one(Run, run), Value("height", 5.0, "mm")).id, fact=fact)
        assert found.value.kind == "finished" and "in its place" in found.value.now
    with pytest.raises(Refused, match="is void"):
        factory.do("correct_reading", lambda s, by: correct_reading(s, by, first, 5.0, "misread").reading.id)
    with factory.house.reading() as session:
        assert len(session.scalars(select(Reading)).all()) == 1 and not stops_on(session, [panel.id])
