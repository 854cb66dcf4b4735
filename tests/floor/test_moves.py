import pytest
from sqlalchemy import func, select

from app.db import House
from app.errors import BadInput
from app.floor.counting import count_units
from app.floor.loose import lot_for_work, merge_loose, split_loose
from app.floor.lots import split_lot
from app.floor.moves import Place, move_item, place_of
from app.floor.open_differences import open_differences
from app.floor.scrap import scrap_panel
from app.floor.whereabouts import place_of_lot
from app.holds.place import hold_item, hold_panels
from app.ledger.places import Move
from app.ledger.sets import panels_of_lot
from app.ledger.stops import Hold
from tests.floor.acting import Factory, begin, do, make_batch, make_factory, make_loose, make_lot, make_panels, read, refused


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


def _move(house: House, item: int, kind: str, place: str = "", **how: bool) -> Place:
    return do(house, lambda s, by: move_item(s, by, item, kind, place), "move_item", **how)


def test_what_never_moved_is_on_the_floor(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    assert read(house, lambda s: place_of(s, panels)) == {panel: Place() for panel in panels}


def test_the_latest_move_says_where_a_thing_is(house: House, factory: Factory) -> None:
    batch = make_batch(house, factory["GOLD-20"])
    _move(house, batch, "stock", "shelf 3")
    assert str(read(house, lambda s: place_of(s, [batch]))[batch]) == "stock: shelf 3"
    _move(house, batch, "floor")
    assert read(house, lambda s: place_of(s, [batch]))[batch] == Place("floor")


def test_moving_a_thing_to_where_it_is_changes_nothing(house: House, factory: Factory) -> None:
    batch = make_batch(house, factory["GOLD-20"])
    for _ in range(2):
        _move(house, batch, "stock", "shelf 3")
    assert read(house, lambda s: s.scalar(select(func.count()).select_from(Move))) == 1


def test_a_panel_lot_is_where_its_panels_are(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    lot = make_lot(house, panels)
    _move(house, lot, "stock", "rack")
    part = do(house, lambda s, by: split_lot(s, by, lot, panels[:1]).item, "split_lot")
    assert read(house, lambda s: place_of(s, panels_of_lot(s, part))) == {panels[0]: Place("stock", "rack")}
    _move(house, panels[1], "floor")
    assert read(house, lambda s: place_of(s, panels_of_lot(s, lot))) == {panels[1]: Place("floor"), panels[2]: Place("stock", "rack")}


def test_what_is_in_work_stays(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    lot = make_lot(house, panels)
    begin(house, factory["bonder"], panels[:1])
    assert refused(house, lambda s, by: move_item(s, by, lot, "stock"), "move_item").kind == "in_work"


def test_held_things_leave_the_house_for_no_firm_but_go_to_stock(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    lot = make_lot(house, panels)
    do(house, lambda s, by: hold_panels(s, by, panels[:1], "wrong glue"), "place_hold")
    refusal = refused(house, lambda s, by: move_item(s, by, lot, "outside", "Fine Slices"), "move_item")
    assert refusal.kind == "held"
    assert "wrong glue" in str(refusal)
    _move(house, lot, "stock", "hold rack")


def test_a_fact_moves_what_is_held_and_holds_it_once_more(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    loose = make_loose(house, make_lot(house, panels), panels)
    do(house, lambda s, by: hold_item(s, by, "loose", loose, "wrong glue"), "place_hold")
    assert _move(house, loose, "outside", "Fine Slices", fact=True).kind == "outside"
    assert read(house, lambda s: s.scalar(select(func.count()).select_from(Hold))) == 2


def test_outside_work_goes_out_and_comes_back_with_a_count(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    loose = make_loose(house, make_lot(house, panels), panels)
    _move(house, loose, "outside", "Fine Slices")
    assert read(house, lambda s: place_of(s, [loose]))[loose] == Place("outside", "Fine Slices")
    _move(house, loose, "floor")
    assert read(house, lambda s: place_of(s, [loose]))[loose] == Place("floor")
    do(house, lambda s, by: count_units(s, by, loose, 12, "counter", 0.0), "count_units")
    assert loose in read(house, lambda s: open_differences(s, [loose]))


def test_what_leaves_a_loose_lot_at_an_outside_firm_or_goes_on_from_it_is_there(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    loose = make_loose(house, make_lot(house, panels), panels)
    there = Place("outside", "Fine Slices")
    _move(house, loose, *there)
    part = do(house, lambda s, by: split_loose(s, by, loose, 4).item, "split_loose")
    rest = do(house, lambda s, by: lot_for_work(s, by, loose).item, "start_run")
    assert rest != loose
    assert read(house, lambda s: place_of(s, [part, rest])) == {part: there, rest: there}
    _move(house, rest, "floor")
    again = do(house, lambda s, by: merge_loose(s, by, rest, [part]).item, "merge_loose")
    assert read(house, lambda s: place_of(s, [again, part])) == {again: Place(), part: there}


@pytest.mark.parametrize(("kind", "place"), [("moon", ""), ("shipped", "customer"), ("outside", " ")])
def test_a_place_that_makes_no_sense_is_bad_input(house: House, factory: Factory, kind: str, place: str) -> None:
    batch = make_batch(house, factory["GOLD-20"])
    assert isinstance(refused(house, lambda s, by: move_item(s, by, batch, kind, place), "move_item"), BadInput)


def test_a_panel_that_broke_at_an_outside_firm_reads_as_scrapped_there(house: House, factory: Factory) -> None:
    panels, bent = make_panels(house, 3), make_panels(house, 1)
    lot = make_lot(house, [*panels, *bent])
    do(house, lambda s, by: scrap_panel(s, by, bent[0], "scratched").id, "scrap")
    _move(house, lot, "outside", "Fine Slices")
    assert read(house, lambda s: place_of_lot(s, lot)) == "outside: Fine Slices", "what had no good unit before only went along"
    _move(house, bent[0], "floor")
    do(house, lambda s, by: scrap_panel(s, by, panels[0], "scratched").id, "scrap")
    assert read(house, lambda s: place_of_lot(s, lot)) == "floor, outside: Fine Slices, scrapped: Fine Slices"
    for panel in panels[1:]:
        _move(house, panel, "floor")
    assert read(house, lambda s: place_of_lot(s, lot)) == "floor, scrapped: Fine Slices"
    _move(house, panels[0], "floor")  # its pieces came back all the same
    assert read(house, lambda s: place_of_lot(s, lot)) == "floor"
