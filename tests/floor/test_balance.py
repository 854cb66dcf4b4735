"""In = out + scrapped + sampled + difference + left, and a loss that someone plants is found."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, text

from app.db import House
from app.errors import Refused
from app.floor.amounts import amount
from app.floor.balance import Balance, balance
from app.floor.counting import count_units, sign_difference
from app.floor.loose import lot_for_work, merge_loose, split_loose
from app.floor.lots import merge_lots, split_lot
from app.floor.marking import mark_cells, take_back_marks
from app.floor.samples import sample_cells, sample_units
from app.floor.scrap import scrap_cells, scrap_panel, scrap_units
from app.ledger.items import Lot
from app.ledger.sets import panels_of_lot
from tests.floor.acting import COLUMNS, ROWS, Factory, do, make_bins, make_factory, make_loose, make_lot, make_panels, read

CELLS = ROWS * COLUMNS
WHATS = ("in", "out", "scrapped", "sampled", "difference")


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


def _balance(house: House, lot: int) -> Balance:
    return read(house, lambda s: balance(s, lot))


def _totals(found: Balance) -> dict[str, int]:
    return {what: total for what in WHATS if (total := found.total(what))} | {"left": found.left}


def _spoil(house: House, statement: str, **values: int) -> None:
    with house.owner_engine.begin() as connection:
        connection.execute(text(statement), values)


def test_a_panel_lot_closes_through_its_whole_life(house: House, factory: Factory) -> None:
    panels = make_panels(house, 4)
    lot = make_lot(house, panels)
    do(house, lambda s, by: mark_cells(s, by, panels[0], [(1, 1), (1, 2)], "scratched"), "mark_cells")
    mark = do(house, lambda s, by: mark_cells(s, by, panels[0], [(1, 2), (1, 3)], "scratched").id, "mark_cells")
    do(house, lambda s, by: sample_cells(s, by, panels[1], [(2, 2)], "x-ray", kept=True), "take_sample")
    do(house, lambda s, by: scrap_units(s, by, panels[2], 3, "scratched"), "scrap")
    found = _balance(house, lot)
    assert _totals(found) == {"in": 4 * CELLS, "scrapped": 6, "sampled": 1, "left": 4 * CELLS - 7}
    part = do(house, lambda s, by: split_lot(s, by, lot, panels[:2]).item, "split_lot")
    do(house, lambda s, by: take_back_marks(s, by, [mark]), "correct_marks")
    do(house, lambda s, by: scrap_cells(s, by, panels[1], [(3, 3)], "scratched"), "scrap")
    assert _totals(_balance(house, part)) == {"in": 2 * CELLS - 4, "left": 2 * CELLS - 4}
    assert _totals(_balance(house, lot)) == {"in": 4 * CELLS, "out": 2 * CELLS - 4, "scrapped": 6, "sampled": 1, "left": 2 * CELLS - 3}
    do(house, lambda s, by: merge_lots(s, by, lot, [part]), "merge_lots")
    assert _totals(_balance(house, part)) == {"in": 2 * CELLS - 4, "out": 2 * CELLS - 4, "left": 0}
    loose = make_loose(house, lot, panels)
    assert _balance(house, lot).left == 0
    assert _balance(house, loose).left == 4 * CELLS - 7
    assert all(_balance(house, one).closes for one in (lot, part, loose))


def test_marks_that_come_after_units_have_left_change_no_amount(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    make_loose(house, lot, panels)
    do(house, lambda s, by: mark_cells(s, by, panels[0], [(1, 1)], "scratched"), "mark_cells", fact=True)
    found = _balance(house, lot)
    assert _totals(found) == {"in": CELLS, "out": CELLS, "left": 0}
    assert found.closes


def test_a_loose_lot_closes_with_method_and_uncertainty(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    loose = make_loose(house, make_lot(house, panels), panels)
    do(house, lambda s, by: scrap_units(s, by, loose, 4, "scratched", "weight", 0.5), "scrap")
    do(house, lambda s, by: sample_units(s, by, loose, 2, "life test", kept=False), "take_sample")
    part = do(house, lambda s, by: split_loose(s, by, loose, 10, "weight", 1.2).item, "split_loose")
    bins = make_bins(house, part, [("A", "prime", 9), ("Z", "reject", 1)])
    found = _balance(house, loose)
    assert _totals(found) == {"in": 60, "out": 10, "scrapped": 4, "sampled": 2, "left": 44}
    assert [(p.what, p.method, p.u) for p in found.postings if p.u] == [("out", "weight", 1.2), ("scrapped", "weight", 0.5)]
    assert found.u == pytest.approx(1.3)
    assert _totals(_balance(house, part)) == {"in": 10, "out": 10, "left": 0}
    assert all(_balance(house, lot).closes for lot in (loose, part, *bins))


def test_cells_that_are_marked_after_their_units_were_scrapped_count_once(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    do(house, lambda s, by: scrap_units(s, by, panels[0], 3, "scratched"), "scrap")
    do(house, lambda s, by: scrap_panel(s, by, panels[0], "scratched"), "scrap")
    found = _balance(house, lot)
    assert _totals(found) == {"in": CELLS, "scrapped": CELLS, "left": 0}
    assert found.closes


def test_a_cell_that_came_back_and_was_sampled_then_counts_once(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    lot = make_lot(house, panels)
    mark = do(house, lambda s, by: mark_cells(s, by, panels[0], [(1, 1), (4, 2)], "scratched").id, "mark_cells")
    part = do(house, lambda s, by: split_lot(s, by, lot, panels[:1]).item, "split_lot")
    do(house, lambda s, by: take_back_marks(s, by, [mark]), "correct_marks")
    do(house, lambda s, by: sample_cells(s, by, panels[0], [(4, 2)], "x-ray", kept=False), "take_sample")
    make_loose(house, part, panels[:1])
    found = _balance(house, part)
    assert _totals(found) == {"in": CELLS - 2, "scrapped": -2, "sampled": 1, "out": CELLS - 1, "left": 0}
    assert found.closes


def test_an_unsigned_difference_keeps_a_lot_open(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    loose = make_loose(house, make_lot(house, panels), panels)
    do(house, lambda s, by: count_units(s, by, loose, 15, "counter", 0.5), "count_units")
    found = _balance(house, loose)
    assert not found.closes
    assert found.unsigned is not None
    do(house, lambda s, by: sign_difference(s, by, loose, "spilt"), "sign_difference")
    found = _balance(house, loose)
    assert found.closes
    assert _totals(found) == {"in": 20, "difference": 5, "left": 15}
    assert [count.units for count in found.counts] == [15]


def test_a_planted_loss_between_panels_and_loose_units_is_found(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    lot = make_lot(house, panels)
    make_loose(house, lot, panels)
    assert _balance(house, lot).closes
    _spoil(house, "update flow set units = units - 3 where parent = :panel and kind = 'cells'", panel=panels[0])
    found = _balance(house, lot)
    assert (found.unexplained, found.closes) == (3, False)


def test_a_planted_loss_of_a_sample_is_found(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    do(house, lambda s, by: sample_cells(s, by, panels[0], [(1, 1), (1, 2)], "x-ray", kept=True), "take_sample")
    _spoil(house, "delete from flow where parent = :panel", panel=panels[0])
    assert (_balance(house, lot).unexplained, _balance(house, lot).closes) == (2, False)


def test_more_out_of_a_loose_lot_than_came_in_is_found(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    loose = make_loose(house, make_lot(house, panels), panels)
    do(house, lambda s, by: split_loose(s, by, loose, 10), "split_loose")
    _spoil(house, "update flow set units = 30 where parent = :lot", lot=loose)
    assert not _balance(house, loose).closes


STEPS = st.lists(st.tuples(st.sampled_from(["mark", "sample", "scrap", "split", "merge", "back", "panel"]), st.integers(0, 99)), max_size=8)
LOOSE_STEPS = st.lists(st.tuples(st.sampled_from(["scrap", "sample", "split", "merge", "count", "work"]), st.integers(0, 99)), max_size=8)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS, loose_steps=LOOSE_STEPS)
def test_counts_close_whatever_is_lawfully_done(house: House, steps: list[tuple[str, int]], loose_steps: list[tuple[str, int]]) -> None:
    if not read(house, lambda s: s.scalar(select(Lot.item).limit(1))):
        make_factory(house)
    panels = make_panels(house, 4)  # the house is the same for all examples: only lots made from here on are looked at
    lots = [make_lot(house, panels)]
    marks: list[int] = []
    for step, n in steps:
        _panel_step(house, step, n, lots, panels, marks)
    loose = [make_loose(house, lot, held) for lot in lots if (held := read(house, lambda s, lot=lot: panels_of_lot(s, lot)))]
    for step, n in loose_steps:
        _loose_step(house, step, n, loose)
    every = read(house, lambda s: list(s.scalars(select(Lot.item).where(Lot.item > panels[0]))))
    found = {lot: _balance(house, lot) for lot in every}
    assert {lot: one for lot, one in found.items() if not one.closes} == {}


def _panel_step(house: House, step: str, n: int, lots: list[int], panels: list[int], marks: list[int]) -> None:
    panel, cell = panels[n % 4], (n % ROWS + 1, n % COLUMNS + 1)
    try:
        if step == "mark":
            marks.append(do(house, lambda s, by: mark_cells(s, by, panel, [cell, (1, 1)], "scratched").id, "mark_cells"))
        elif step == "sample":
            do(house, lambda s, by: sample_cells(s, by, panel, [cell], "x-ray", kept=n % 2 == 0), "take_sample")
        elif step == "scrap":
            do(house, lambda s, by: scrap_units(s, by, panel, n % 3 + 1, "scratched"), "scrap")
        elif step == "panel":
            do(house, lambda s, by: scrap_panel(s, by, panel, "scratched"), "scrap")
        elif step == "split":
            lots.append(do(house, lambda s, by: split_lot(s, by, lots[n % len(lots)], [panel]).item, "split_lot"))
        elif step == "merge":
            do(house, lambda s, by: merge_lots(s, by, lots[0], [lots[n % len(lots)]]), "merge_lots")
        elif marks:
            do(house, lambda s, by: take_back_marks(s, by, [marks[n % len(marks)]]), "correct_marks")
    except Refused:
        pass  # an unlawful step is refused and changes nothing


def _loose_step(house: House, step: str, n: int, loose: list[int]) -> None:
    lot = loose[n % len(loose)]
    try:
        if step == "scrap":
            do(house, lambda s, by: scrap_units(s, by, lot, n % 5 + 1, "scratched"), "scrap")
        elif step == "sample":
            do(house, lambda s, by: sample_units(s, by, lot, n % 3 + 1, "life test", kept=True), "take_sample")
        elif step == "split":
            loose.append(do(house, lambda s, by: split_loose(s, by, lot, n % 9 + 1, "weight", 0.4).item, "split_loose"))
        elif step == "merge":
            loose.append(do(house, lambda s, by: merge_loose(s, by, lot, [loose[0]]).item, "merge_loose"))
        elif step == "work":
            loose.append(do(house, lambda s, by: lot_for_work(s, by, lot).item, "start_run"))
        else:
            do(house, lambda s, by: count_units(s, by, lot, max(0, amount(s, lot).book - n % 3), "weight", 1.5), "count_units")
    except Refused:
        pass
