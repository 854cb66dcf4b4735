"""What steps took and lots waited before them, reckoned by hand: only what was done, in the thirty days, and stands."""

from datetime import timedelta

import pytest

from app.board.paces import Doing, Paces, paces
from app.catalogue import queries as catalogue
from app.db import House
from app.floor.ends import abort_run
from app.floor.voids import void_run
from app.ledger.runs import Run
from tests.board.line import NOON, binned, line, loose_lot, lot, minutes, reel, run
from tests.small_factory import Factory


@pytest.fixture
def factory(house: House) -> Factory:
    return line(house)


def seen(factory: Factory) -> tuple[int, Paces]:
    with factory.house.reading() as session:
        return catalogue.named(session, "product", "Q").id, paces(session, NOON)


def test_a_wait_is_from_the_end_of_the_step_before_and_at_the_first_from_when_the_lot_was_made(factory: Factory) -> None:
    one = lot(factory, 2, NOON - timedelta(hours=30))
    run(factory, "Plasma", one, NOON - timedelta(hours=29), took=12)
    run(factory, "Bond 1", one, NOON - timedelta(hours=26), took=45, pull=5.0)
    product, found = seen(factory)
    assert found.doings[product, "plasma"] == (Doing(1, 60.0, 12.0),)
    assert found.doings[product, "bond"] == (Doing(1, 3 * 60 - 12.0, 45.0),)
    assert (found.waits_at(product, "plasma"), found.works[product, "bond"]) == ((60.0,), (45.0,))
    assert found.units == {(product, "plasma"): 40, (product, "bond"): 40}
    (begun,) = found.begun[1]
    assert (begun.made, begun.minutes, begun.units) == (18 * 60, 19 * 60, 40)


def test_what_was_voided_aborted_or_is_not_over_has_no_pace_nor_what_is_older_than_thirty_days(factory: Factory) -> None:
    old = lot(factory, 1, NOON - timedelta(days=40))
    run(factory, "Plasma", old, NOON - timedelta(days=30, minutes=1))
    void, failed, still = (lot(factory, 1, NOON - timedelta(hours=9)) for _ in range(3))
    wrong = factory.start("Plasma", void, at=NOON - timedelta(hours=2))
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, wrong), "the wrong lot"), happened_at=NOON - minutes(100))
    broken = factory.start("Plasma", failed, at=NOON - timedelta(hours=2))
    factory.do("abort_run", lambda s, by: abort_run(s, by, s.get_one(Run, broken)), happened_at=NOON - minutes(100))
    factory.start("Plasma", still, at=NOON - minutes(50))
    late = lot(factory, 1, NOON - timedelta(hours=9))
    run(factory, "Plasma", late, NOON - timedelta(hours=1), took=60)  # it ends at the very moment, which is not before it
    product, found = seen(factory)
    assert found.doings == {}
    fine = lot(factory, 1, NOON - timedelta(hours=9))
    run(factory, "Plasma", fine, NOON - timedelta(hours=8), took=7)
    assert seen(factory)[1].doings == {(product, "plasma"): (Doing(0, 60.0, 7.0),)}


def test_what_was_taped_is_told_by_product_and_a_lot_of_two_reels_waited_once(factory: Factory) -> None:
    loose = binned(factory, loose_lot(factory, 2, NOON - timedelta(hours=20)), 40, NOON - timedelta(hours=10))
    reel(factory, loose, 30, NOON - timedelta(hours=8))
    reel(factory, loose, 10, NOON - timedelta(hours=3))
    product, found = seen(factory)
    assert found.taped == {product: 40}
    (taping,) = found.doings[product, "tape"]
    assert taping.wait == 2 * 60, "from the end of the test to the first reel"
