import pytest
from sqlalchemy import select

from app.db import House
from app.errors import BadInput, NotAllowed
from app.floor.amounts import amount
from app.floor.counting import available, correct_count, count_units, sign_difference, take
from app.floor.lot_families import part_of_lot
from app.floor.marking import mark_cells
from app.floor.open_differences import open_differences
from app.floor.scrap import scrap_units
from app.journal.act import SYSTEM, act
from app.ledger.counts import CountEntry
from app.ledger.items import Lot
from app.ledger.stops import Hold
from tests.floor.acting import Factory, do, make_factory, make_loose, make_lot, make_panels, read, refused


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


@pytest.fixture
def loose(house: House, factory: Factory) -> int:
    """40 units of two panels."""
    panels = make_panels(house, 2)
    return make_loose(house, make_lot(house, panels), panels)


def _count(house: House, item: int, units: int, method: str = "weight", u: float = 2.0) -> bool:
    return do(house, lambda s, by: count_units(s, by, item, units, method, u).difference.within, "count_units")


def _take(house: House, lot: int, units: int, **how: bool) -> int:
    return do(
        house, lambda s, by: take(s, by, lot, units, part_of_lot(s, by, s.get_one(Lot, lot)).item, "split").units, "split_loose", **how
    )


def _book(house: House, lot: int) -> int:
    return read(house, lambda s: amount(s, lot).book)


def _available(house: House, lot: int) -> int:
    return read(house, lambda s: available(s, lot))


def _open(house: House, item: int) -> bool:
    return item in read(house, lambda s: open_differences(s, [item]))


@pytest.mark.parametrize(("counted", "within"), [(40, True), (36, True), (44, True), (35, False), (45, False)])
def test_a_count_is_within_twice_the_combined_uncertainty_or_not(house: House, loose: int, counted: int, within: bool) -> None:
    assert _count(house, loose, counted) is within
    assert _book(house, loose) == 40
    assert _open(house, loose) is not within


def test_after_a_weighed_count_twice_the_uncertainty_more_may_be_taken_once(house: House, loose: int) -> None:
    assert _available(house, loose) == 40
    _count(house, loose, 41)
    assert _available(house, loose) == 44
    assert _take(house, loose, 42) == 42
    entry = read(house, lambda s: s.scalars(select(CountEntry).where(CountEntry.kind == "difference")).one())
    assert (entry.units, entry.book, entry.within) == (-2, 40, True)
    assert (_book(house, loose), _available(house, loose)) == (0, 2)
    assert _take(house, loose, 2) == 2
    assert _available(house, loose) == 0
    assert refused(house, lambda s, by: take(s, by, loose, 1, loose, "split"), "split_loose").kind == "too_few_units"


def test_without_a_count_no_more_than_the_book_is_taken(house: House, loose: int) -> None:
    refusal = refused(
        house, lambda s, by: take(s, by, loose, 41, part_of_lot(s, by, s.get_one(Lot, loose)).item, "split"), "split_loose"
    )
    assert refusal.kind == "too_few_units"
    assert "40" in str(refusal)


def test_a_fact_takes_what_was_taken_and_holds_the_lot(house: House, loose: int) -> None:
    assert _take(house, loose, 50, fact=True) == 50
    assert _book(house, loose) == 0
    entry = read(house, lambda s: s.scalars(select(CountEntry).where(CountEntry.kind == "difference")).one())
    assert (entry.units, entry.within) == (-10, False)
    assert read(house, lambda s: [(hold.kind, hold.subject) for hold in s.scalars(select(Hold))]) == [("loose", loose)]


def test_a_difference_beyond_the_limit_is_signed_for_and_leaves_the_book(house: House, loose: int) -> None:
    _count(house, loose, 30)
    assert _available(house, loose) == 40
    entry = do(house, lambda s, by: sign_difference(s, by, loose, "spilt at the sieve").id, "sign_difference")
    assert _book(house, loose) == 30
    assert not _open(house, loose)
    row = read(house, lambda s: s.get_one(CountEntry, entry))
    assert (row.units, row.method, row.u, row.reason) == (10, "weight", 2.0, "spilt at the sieve")
    assert refused(house, lambda s, by: sign_difference(s, by, loose, "again"), "sign_difference").kind == "finished"


def test_more_than_the_book_is_signed_for_as_well(house: House, loose: int) -> None:
    _count(house, loose, 50)
    do(house, lambda s, by: sign_difference(s, by, loose, "counter missed a tray"), "sign_difference")
    assert _book(house, loose) == 50


def test_units_that_leave_between_the_count_and_the_signature_stay_gone(house: House, loose: int) -> None:
    _count(house, loose, 30)
    _take(house, loose, 20)
    do(house, lambda s, by: sign_difference(s, by, loose, "spilt"), "sign_difference")
    assert _book(house, loose) == 10


def test_a_difference_that_is_no_longer_there_must_be_counted_again(house: House, loose: int) -> None:
    _count(house, loose, 30)
    _take(house, loose, 35)
    assert refused(house, lambda s, by: sign_difference(s, by, loose, "spilt"), "sign_difference").kind == "changed"


def test_a_signature_needs_a_password_and_words(house: House, loose: int) -> None:
    _count(house, loose, 30)
    assert isinstance(refused(house, lambda s, by: sign_difference(s, by, loose, " "), "sign_difference"), BadInput)
    with pytest.raises(NotAllowed, match="signature"):
        act(house, SYSTEM, "sign_difference", {}, lambda s, by: {"id": sign_difference(s, by, loose, "spilt").id})


def test_a_second_count_that_agrees_settles_the_first(house: House, loose: int) -> None:
    _count(house, loose, 30)
    _count(house, loose, 40)
    assert not _open(house, loose)


def test_the_books_own_uncertainty_counts_in_the_comparison(house: House, loose: int) -> None:
    do(house, lambda s, by: scrap_units(s, by, loose, 5, "scratched", "weight", 3.0), "scrap")
    assert _book(house, loose) == 35
    assert _count(house, loose, 43, u=4.0)  # twice the root of 3^2 + 4^2 is 10
    assert not _count(house, loose, 46, u=4.0)


def test_a_panels_count_is_compared_with_its_good_cells(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    make_lot(house, [panel])
    do(house, lambda s, by: mark_cells(s, by, panel, [(1, 1), (1, 2)], "scratched"), "mark_cells")
    assert _count(house, panel, 18, "hand", 0.0)
    assert not _count(house, panel, 17, "hand", 0.0)
    do(house, lambda s, by: sign_difference(s, by, panel, "fell off"), "sign_difference")
    assert _count(house, panel, 17, "hand", 0.0)


def test_a_panel_lots_difference_is_settled_panel_by_panel(house: House, factory: Factory) -> None:
    lot = make_lot(house, make_panels(house, 2))
    assert _count(house, lot, 40, "hand", 0.0)
    assert not _count(house, lot, 39, "hand", 0.0)
    assert refused(house, lambda s, by: sign_difference(s, by, lot, "lost"), "sign_difference").kind == "bad_input"


def test_a_count_that_was_entered_wrongly_is_taken_back(house: House, loose: int) -> None:
    entry = do(house, lambda s, by: scrap_units(s, by, loose, 30, "scratched").id, "scrap")
    do(house, lambda s, by: correct_count(s, by, entry), "sign_difference")
    assert _book(house, loose) == 40
    assert refused(house, lambda s, by: correct_count(s, by, entry), "sign_difference").kind == "finished"
    assert isinstance(refused(house, lambda s, by: correct_count(s, by, 999), "sign_difference"), BadInput)


@pytest.mark.parametrize(("units", "method", "u"), [(-1, "hand", 0.0), (1, "guess", 0.0), (1, "hand", -1.0), (1, "hand", float("inf"))])
def test_a_count_that_makes_no_sense_is_bad_input(house: House, loose: int, units: int, method: str, u: float) -> None:
    assert isinstance(refused(house, lambda s, by: count_units(s, by, loose, units, method, u), "count_units"), BadInput)
