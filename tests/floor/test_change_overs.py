"""A change-over begins a new line, where something changed."""

from sqlalchemy import select

from app.db import House
from app.floor.ends import Said, change_over
from app.ledger.runs import Line
from app.naming.resolve import Named
from tests.small_factory import Factory


def changed(factory: Factory, item: Named) -> int:
    said = Said(None, None)
    return factory.do("change_over", lambda s, by: len(change_over(s, by, factory.things["Attach"], item, None, said)))


def test_what_is_on_the_place_already_changes_nothing(house: House) -> None:
    factory = Factory(house).load()
    one, two = factory.wafer(), factory.wafer()
    factory.mount("Attach", factory.batch("GLUE"), one)
    run = factory.start("Attach", factory.lot(factory.panels(2)))
    assert (changed(factory, one), changed(factory, two), changed(factory, two)) == (0, 1, 0)
    with house.reading() as session:
        assert len(session.scalars(select(Line.id).where(Line.run == run)).all()) == 2
