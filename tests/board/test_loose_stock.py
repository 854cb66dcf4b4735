"""The list of loose lots that hold units, kept with each amount and filled by the migration for what stood before it."""

from sqlalchemy import select, text

from app.db import House
from app.floor.loose import split_loose
from app.floor.scrap import scrap_units
from app.genealogy.checks import loose_stock_is_as_derived
from app.ledger.loose_stock import LooseStock
from app.migrate import downgrade, upgrade
from tests.board.line import line, loose_lot


def stock(house: House) -> dict[int, bool]:
    """Loose lot -> it holds units."""
    with house.reading() as session:
        return {row.lot: row.emptied_e is None for row in session.scalars(select(LooseStock))}


def is_as_derived(house: House) -> bool:
    with house.reading() as session:
        return list(loose_stock_is_as_derived(house, session)) == []


def test_a_lot_is_listed_when_units_come_and_no_more_when_all_have_left(house: House) -> None:
    factory = line(house)
    lot = loose_lot(factory, 2)
    assert stock(house) == {lot.id: True}
    part = factory.do("split_loose", lambda s, by: split_loose(s, by, lot.id, 15).item)
    assert stock(house) == {lot.id: True, part: True}
    factory.do("scrap", lambda s, by: scrap_units(s, by, part, 15, "dropped").id)
    assert stock(house) == {lot.id: True, part: False}
    assert is_as_derived(house)


def test_a_row_that_differs_from_the_amounts_is_found(house: House) -> None:
    factory = line(house)
    loose_lot(factory, 1)
    with house.writing() as session:
        session.execute(text("update loose_stock set emptied_e = 1"))
    assert not is_as_derived(house)


def test_the_migration_lists_what_stood_before_it(house: House) -> None:
    factory = line(house)
    lot = loose_lot(factory, 2)
    part = factory.do("split_loose", lambda s, by: split_loose(s, by, lot.id, 15).item)
    factory.do("scrap", lambda s, by: scrap_units(s, by, part, 15, "dropped").id)
    before = stock(house)
    downgrade(house, "station_states_by_time")
    upgrade(house)
    assert stock(house) == before == {lot.id: True, part: False}
    assert is_as_derived(house)
