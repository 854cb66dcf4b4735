"""Rule 4: a loose lot takes in, then is worked on, then gives out; going back makes a new lot under the same label."""

import pytest
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from app.db import House
from app.errors import BadInput
from app.floor.amounts import amount, has_been_worked, has_given_out
from app.floor.containers import add_container, container_of, content_of, put_item
from app.floor.counting import count_units
from app.floor.loose import lot_for_giving, lot_for_taking_in, lot_for_work, merge_loose, split_loose
from app.floor.lot_families import route_of
from app.floor.open_differences import open_differences
from app.floor.progress import loose_progress
from app.floor.samples import sample_units
from app.floor.scrap import scrap_units
from app.holds.place import hold_item
from app.journal.act import By
from app.ledger.flows import Flow
from app.ledger.runs import Claim, RunVoid
from app.naming.resolve import code_of
from tests.chromium import time_limit
from tests.floor.acting import Factory, begin, do, make_bins, make_factory, make_loose, make_lot, make_own_loose, make_panels, read, refused


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


@pytest.fixture
def loose(house: House, factory: Factory) -> int:
    """40 units of two panels."""
    panels = make_panels(house, 2)
    return make_loose(house, make_lot(house, panels), panels)


def _book(house: House, lot: int) -> int:
    return read(house, lambda s: amount(s, lot).book)


def _work(house: House, factory: Factory, lot: int) -> int:
    """A run on the whole lot that has ended."""
    run = begin(house, factory["bench"], [lot], "clean", panels=False)

    def end(session: Session, by: By) -> None:
        session.execute(delete(Claim).where(Claim.run == run))

    do(house, end, "finish_run")
    return run


def _another(house: House, units: int = 20) -> int:
    panels = make_panels(house, units // 20)
    return make_loose(house, make_lot(house, panels), panels)


def _taking(house: House, lot: int) -> int:
    return do(house, lambda s, by: lot_for_taking_in(s, by, lot).item, "merge_loose")


def _working(house: House, lot: int) -> int:
    return do(house, lambda s, by: lot_for_work(s, by, lot).item, "start_run")


def test_a_fresh_lot_takes_in_and_is_worked_on_as_it_is(house: House, loose: int) -> None:
    assert _taking(house, loose) == loose
    assert _working(house, loose) == loose
    assert _book(house, loose) == 40


def test_adding_after_a_run_makes_a_new_lot_in_the_same_jar(house: House, factory: Factory, loose: int) -> None:
    jar = do(house, lambda s, by: add_container(s, by, "jar", "J").id, "add_container")
    do(house, lambda s, by: put_item(s, by, jar, loose), "fill_container")
    _work(house, factory, loose)
    new = _taking(house, loose)
    assert new != loose
    assert (_book(house, loose), _book(house, new)) == (0, 40)
    assert read(house, lambda s: content_of(s, jar)).loose == (new,)
    assert read(house, lambda s: container_of(s, loose)) is None
    assert read(house, lambda s: (route_of(s, new), s.scalar(select(Flow.kind).where(Flow.child == new)))) == (factory["route"], "carry")
    assert _taking(house, new) == new


def test_a_voided_run_is_no_work(house: House, factory: Factory, loose: int) -> None:
    run = _work(house, factory, loose)
    assert read(house, lambda s: has_been_worked(s, loose))
    do(house, lambda s, by: s.add(RunVoid(e=by.e, run=run, reason="wrong lot")), "void_run")
    assert not read(house, lambda s: has_been_worked(s, loose))
    assert _taking(house, loose) == loose


def test_working_after_something_left_makes_a_new_lot(house: House, loose: int) -> None:
    do(house, lambda s, by: split_loose(s, by, loose, 10), "split_loose")
    new = _working(house, loose)
    assert new != loose
    assert (_book(house, loose), _book(house, new)) == (0, 30)


def test_a_lot_that_was_worked_on_is_worked_on_again_as_it_is(house: House, factory: Factory, loose: int) -> None:
    _work(house, factory, loose)
    assert _working(house, loose) == loose


def test_scrap_and_samples_are_no_outflow(house: House, loose: int) -> None:
    do(house, lambda s, by: scrap_units(s, by, loose, 3, "scratched"), "scrap")
    do(house, lambda s, by: sample_units(s, by, loose, 2, "cross-section", kept=True), "take_sample")
    assert not read(house, lambda s: has_given_out(s, loose))
    assert _taking(house, loose) == loose
    assert _working(house, loose) == loose
    assert _book(house, loose) == 35


def test_giving_is_the_last_phase_and_needs_no_new_lot(house: House, factory: Factory, loose: int) -> None:
    _work(house, factory, loose)
    do(house, lambda s, by: split_loose(s, by, loose, 10), "split_loose")
    assert do(house, lambda s, by: lot_for_giving(s, by, loose).item, "fill_pack") == loose


def test_a_part_gets_a_code_of_the_family_and_its_count(house: House, factory: Factory, loose: int) -> None:
    part = do(house, lambda s, by: split_loose(s, by, loose, 15, "weight", 1.5).item, "split_loose")
    assert (_book(house, loose), _book(house, part)) == (25, 15)
    assert read(house, lambda s: amount(s, part)).u == read(house, lambda s: amount(s, loose)).u == 1.5
    posting = read(house, lambda s: amount(s, part)).postings[0]
    assert (posting.what, posting.kind, posting.method, posting.u) == ("in", "split", "weight", 1.5)
    root = read(house, lambda s: code_of(s, "lot", loose)).split("-")
    assert read(house, lambda s: code_of(s, "lot", part)).split("-")[:2] == root[:2]


def test_what_is_poured_in_is_as_the_book_of_the_lot_before_said_and_not_counted_in_cells(house: House, loose: int) -> None:
    """Units by a tester's counter stood in the account of the merged lot as counted in cells, weighed ones as by hand."""
    counted, whole = _another(house, 40), _another(house)
    weighed = do(house, lambda s, by: split_loose(s, by, counted, 15, "weight", 1.5).item, "split_loose")
    do(house, lambda s, by: merge_loose(s, by, loose, [whole]).item, "merge_loose")
    do(house, lambda s, by: merge_loose(s, by, loose, [weighed]).item, "merge_loose")
    do(house, lambda s, by: split_loose(s, by, loose, 5), "split_loose")
    on = _taking(house, loose)
    postings = [one for lot in (loose, on) for one in read(house, lambda s, lot=lot: amount(s, lot)).postings if one.what == "in"]
    assert [(one.kind, one.units, one.method, one.u) for one in postings] == [
        ("cells", 20, "cells", 0.0), ("cells", 20, "cells", 0.0), ("merge", 20, "book", 0.0), ("merge", 15, "book", 1.5), ("carry", 70, "book", 1.5),
    ]  # fmt: skip


def test_what_may_be_left_of_a_weighed_part_when_the_book_says_nothing_is_goes_on_with_its_jar(house: House, factory: Factory, loose: int) -> None:
    """10 units weighed to 1, and 10 taken: up to 2 may still lie there when others are poured in."""
    part = do(house, lambda s, by: split_loose(s, by, loose, 10, "weight", 1.0).item, "split_loose")
    do(house, lambda s, by: split_loose(s, by, part, 10).item, "split_loose")
    on = _taking(house, part)
    flows = read(house, lambda s: list(s.scalars(select(Flow).where(Flow.child == on))))
    assert on != part and [(flow.kind, flow.units) for flow in flows] == [("carry", 0)]
    assert read(house, lambda s: amount(s, on)).u == 1.0


def test_a_split_leaves_something_and_takes_no_more_than_there_is(house: House, factory: Factory, loose: int) -> None:
    for units in (40, 41):
        assert refused(house, lambda s, by, n=units: split_loose(s, by, loose, n), "split_loose").kind == "too_few_units"
    assert isinstance(refused(house, lambda s, by: split_loose(s, by, loose, 0), "split_loose"), BadInput)
    assert isinstance(refused(house, lambda s, by: split_loose(s, by, loose, 4, "guess"), "split_loose"), BadInput)
    begin(house, factory["bench"], [loose], "clean", panels=False)
    assert refused(house, lambda s, by: split_loose(s, by, loose, 4), "split_loose").kind == "in_work"


def test_lots_are_poured_together(house: House, factory: Factory, loose: int) -> None:
    others = [_another(house), _another(house)]
    jar = do(house, lambda s, by: add_container(s, by, "jar", "J").id, "add_container")
    do(house, lambda s, by: put_item(s, by, jar, others[0]), "fill_container")
    merged = do(house, lambda s, by: merge_loose(s, by, loose, others).item, "merge_loose")
    assert merged == loose
    assert [_book(house, lot) for lot in (loose, *others)] == [80, 0, 0]
    assert read(house, lambda s: content_of(s, jar)).items == ()


def test_pouring_into_a_lot_that_was_worked_on_makes_a_new_lot_of_both(house: House, factory: Factory, loose: int) -> None:
    other = _another(house)
    _work(house, factory, loose)
    merged = do(house, lambda s, by: merge_loose(s, by, loose, [other]).item, "merge_loose")
    assert merged not in (loose, other)
    assert [_book(house, lot) for lot in (loose, other, merged)] == [0, 0, 60]


def test_uncertainties_of_lots_that_are_poured_together_combine(house: House, loose: int) -> None:
    first, second = (do(house, lambda s, by, u=u: split_loose(s, by, loose, 10, "weight", u).item, "split_loose") for u in (3.0, 4.0))
    target = do(house, lambda s, by: merge_loose(s, by, first, [second]).item, "merge_loose")
    assert read(house, lambda s: amount(s, target)).u == pytest.approx(5.0)


def test_bins_grades_and_products_are_not_mixed(house: House, loose: int) -> None:
    good, other, second = make_bins(house, loose, [("A", "prime", 10), ("B", "prime", 10), ("A", "second", 10)])
    for wrong in (other, second):
        assert refused(house, lambda s, by, x=wrong: merge_loose(s, by, good, [x]), "merge_loose").kind == "grade_differs"


def test_held_and_free_units_are_not_mixed(house: House, loose: int) -> None:
    other = _another(house)
    do(house, lambda s, by: hold_item(s, by, "loose", other, "wrong wire"), "place_hold")
    assert refused(house, lambda s, by: merge_loose(s, by, loose, [other]), "merge_loose").kind == "held"


def test_empty_lots_and_lots_in_work_are_not_poured(house: House, factory: Factory, loose: int) -> None:
    other, third = _another(house), _another(house)
    do(house, lambda s, by: merge_loose(s, by, loose, [other]), "merge_loose")
    assert refused(house, lambda s, by: merge_loose(s, by, loose, [other]), "merge_loose").kind == "too_few_units"
    begin(house, factory["bench"], [third], "clean", panels=False)
    assert refused(house, lambda s, by: merge_loose(s, by, loose, [third]), "merge_loose").kind == "in_work"
    assert isinstance(refused(house, lambda s, by: merge_loose(s, by, loose, [loose]), "merge_loose"), BadInput)


def test_an_unsigned_difference_goes_with_the_units_and_is_not_mixed(house: House, factory: Factory, loose: int) -> None:
    other = _another(house)
    do(house, lambda s, by: count_units(s, by, loose, 30, "counter", 1.0), "count_units")
    assert refused(house, lambda s, by: merge_loose(s, by, loose, [other]), "merge_loose").kind == "barrier_open"
    _work(house, factory, loose)
    new = _taking(house, loose)
    assert set(read(house, lambda s: open_differences(s, [loose, new]))) == {new}


def test_many_to_many_is_one_merge_and_then_splits(house: House, factory: Factory, loose: int) -> None:
    other = make_own_loose(house, factory, make_panels(house, 1))
    lots = [do(house, lambda s, by: merge_loose(s, by, loose, [other]).item, "merge_loose")]
    lots += [do(house, lambda s, by, n=n: split_loose(s, by, lots[0], n).item, "split_loose") for n in (25, 20)]
    assert [_book(house, lot) for lot in lots] == [15, 25, 20]
    assert _book(house, other) == 0
    parents = read(house, lambda s: {(flow.parent, flow.child, flow.kind) for flow in s.scalars(select(Flow).where(Flow.kind != "cells"))})
    assert parents == {(other, loose, "merge"), (loose, lots[1], "split"), (loose, lots[2], "split")}


def test_a_panel_lot_is_not_a_loose_lot(house: House, factory: Factory) -> None:
    lot = make_lot(house, make_panels(house, 1))
    assert isinstance(refused(house, lambda s, by: split_loose(s, by, lot, 1), "split_loose"), BadInput)


def test_what_is_parted_and_poured_together_forty_times_still_stands_on_its_route(house: House, loose: int) -> None:
    """Each time doubles the ways from the beginning: an answer that walked them all would never come."""

    def part_and_pour(session: Session, by: By) -> int:
        lot = loose
        for _ in range(40):
            lot = merge_loose(session, by, lot, [split_loose(session, by, lot, 5).item]).item
        return lot

    with time_limit(120):
        last = do(house, part_and_pour, "merge_loose")
        stand = read(house, lambda s: loose_progress(s, [loose, last]))
    assert stand[last].next_step == stand[loose].next_step
    assert (_book(house, loose), _book(house, last)) == (0, 40)
