"""A count beyond counting that nobody has signed for stops at the barrier, whether a lot or one of its panels was counted."""

import pytest

from app.catalogue.definitions import Product, Route, Step
from app.db import House
from app.errors import Reason, Refused
from app.floor.counting import count_units, sign_difference
from app.floor.marking import mark_cells
from app.floor.open_differences import open_differences
from app.genealogy.checks import check
from app.journal.verify import Finding
from app.ledger.sets import panels_of_lot
from app.naming.resolve import Named, code_of
from tests.small_factory import Factory

PLAIN = Product(part_number="PLAIN", rows=4, columns=5, roles=())
STEPS = (Step(key="look", name="look", operation="inspect", barrier=True), Step(key="cut", name="singulate", operation="singulate"))


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(("product", PLAIN), ("route", Route(product="PLAIN", revision="A", steps=STEPS)))


@pytest.fixture
def lot(factory: Factory) -> Named:
    """Two panels of 20 cells that come to the barrier."""
    return factory.lot(factory.panels(2), product="PLAIN")


def count(factory: Factory, item: int, units: int) -> None:
    factory.do("count_units", lambda s, by: count_units(s, by, item, units, "hand", 0.0).entry.id)


def stopped(factory: Factory, lot: Named) -> Reason:
    with pytest.raises(Refused) as caught:
        factory.start("Scope", lot)
    (reason,) = caught.value.reasons
    assert reason.kind == "barrier_open"
    return reason


def test_a_panels_unsigned_difference_does_not_pass_the_barrier(factory: Factory, lot: Named) -> None:
    with factory.house.reading() as session:
        panel = panels_of_lot(session, lot.id)[0]
        name = code_of(session, "panel", panel)
    count(factory, panel, 18)
    assert stopped(factory, lot).why == f"{name} was counted as 18 against a book of 20, and nobody has signed for it."
    factory.do("sign_difference", lambda s, by: sign_difference(s, by, panel, "two fell out at the bonder").id)
    factory.start("Scope", lot)


def test_check_names_a_panel_until_its_difference_is_signed(factory: Factory, lot: Named) -> None:
    with factory.house.reading() as session:
        panel = panels_of_lot(session, lot.id)[0]
        name = code_of(session, "panel", panel)
    assert list(check(factory.house)) == []
    count(factory, panel, 18)
    assert list(check(factory.house)) == [Finding("counts", name, "was counted as 18 against 20, unsigned")]
    factory.do("sign_difference", lambda s, by: sign_difference(s, by, panel, "two fell out at the bonder").id)
    assert list(check(factory.house)) == []


def test_of_a_panel_lot_it_is_said_what_closes_it(factory: Factory, lot: Named) -> None:
    count(factory, lot.id, 38)
    assert "panel by panel" in stopped(factory, lot).now
    with factory.house.reading() as session:
        panel = panels_of_lot(session, lot.id)[0]
    with pytest.raises(Refused, match="on which panel"):
        factory.do("sign_difference", lambda s, by: sign_difference(s, by, lot.id, "gone").id)
    factory.do("mark_cells", lambda s, by: mark_cells(s, by, panel, [(1, 1), (1, 2)], "scratched").id)
    count(factory, lot.id, 38)
    factory.start("Scope", lot)


def test_the_newest_count_decides(factory: Factory, lot: Named) -> None:
    count(factory, lot.id, 38)
    count(factory, lot.id, 40)
    with factory.house.reading() as session:
        assert open_differences(session, [lot.id]) == {}
    factory.start("Scope", lot)
