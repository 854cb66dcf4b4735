import pytest

from app.codes import is_valid
from app.db import House
from app.errors import BadInput
from app.floor.containers import (
    Inside,
    add_container,
    container_of,
    content_of,
    how_much_is_in,
    move_content,
    put_item,
    put_panels,
    take_out,
)
from app.floor.content_corrections import contents_told
from app.floor.groups import contents
from app.floor.loose_stock import settle
from app.floor.samples import sample_cells
from app.floor.scrap import scrap_units
from app.holds.place import place_hold
from app.naming.resolve import Named, code_of
from tests.floor.acting import Factory, do, make_factory, make_loose, make_lot, make_panels, read, refused, units_of


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


def _container(house: House, kind: str = "magazine") -> int:
    return do(house, lambda s, by: add_container(s, by, kind, "No. 1").id, "add_container")


def _put(house: House, container: int, panels: list[int]) -> None:
    do(house, lambda s, by: put_panels(s, by, container, panels), "fill_container")


def _inside(house: House, container: int) -> Inside:
    return read(house, lambda s: content_of(s, container))


def test_a_container_gets_a_code_that_outlives_years(house: House) -> None:
    code = read(house, lambda s: code_of(s, "container", container)) if (container := _container(house)) else ""
    assert is_valid(code)
    assert code.startswith("C-")


def test_a_container_is_of_a_known_kind(house: House) -> None:
    assert isinstance(refused(house, lambda s, by: add_container(s, by, "bucket", "x"), "add_container"), BadInput)


def test_panels_that_go_into_a_magazine_leave_the_one_that_they_were_in(house: House) -> None:
    panels = make_panels(house, 4)
    first, second = _container(house), _container(house)
    _put(house, first, panels[:3])
    _put(house, second, panels[2:])
    assert _inside(house, first).panels == tuple(panels[:2])
    assert _inside(house, second).panels == tuple(panels[2:])


def test_panels_join_what_is_in_the_magazine_and_twice_is_once(house: House) -> None:
    panels = make_panels(house, 3)
    magazine = _container(house)
    for some in (panels[:2], panels[1:], panels[1:]):
        _put(house, magazine, some)
    assert _inside(house, magazine).panels == tuple(panels)


def test_panels_and_loose_units_share_no_container(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    loose = make_loose(house, make_lot(house, panels[:1]), panels[:1])
    tray = _container(house, "tray")
    do(house, lambda s, by: put_item(s, by, tray, loose), "fill_container")
    refusal = refused(house, lambda s, by: put_panels(s, by, tray, panels[1:]), "fill_container")
    assert refusal.kind == "container_taken"
    assert read(house, lambda s: code_of(s, "lot", loose)) in str(refusal)


def test_two_loose_lots_share_no_jar_and_one_lot_is_in_one_jar(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    one, other = (make_loose(house, make_lot(house, [panel]), [panel]) for panel in panels)
    jar, second = _container(house, "jar"), _container(house, "jar")
    do(house, lambda s, by: put_item(s, by, jar, one), "fill_container")
    do(house, lambda s, by: put_item(s, by, jar, one), "fill_container")
    assert refused(house, lambda s, by: put_item(s, by, jar, other), "fill_container").kind == "container_taken"
    do(house, lambda s, by: put_item(s, by, second, one), "fill_container")
    assert (_inside(house, jar).items, _inside(house, second).loose) == ((), (one,))
    assert read(house, lambda s: container_of(s, one)) == second


def test_samples_share_a_tray(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    make_lot(house, [panel])
    samples = [
        do(house, lambda s, by, c=column: sample_cells(s, by, panel, [(1, c)], "pull test", kept=True).item, "take_sample") for column in (1, 2)
    ]
    tray = _container(house, "tray")
    for sample in samples:
        do(house, lambda s, by, x=sample: put_item(s, by, tray, x), "fill_container")
    assert _inside(house, tray).samples == tuple(samples)


def test_some_or_all_is_taken_out(house: House) -> None:
    panels = make_panels(house, 3)
    magazine = _container(house)
    _put(house, magazine, panels)
    do(house, lambda s, by: take_out(s, by, magazine, panels[:1]), "empty_container")
    assert _inside(house, magazine).panels == tuple(panels[1:])
    assert refused(house, lambda s, by: take_out(s, by, magazine, panels[:1]), "empty_container").kind == "not_here"
    do(house, lambda s, by: take_out(s, by, magazine), "empty_container")
    assert _inside(house, magazine).items == ()
    assert refused(house, lambda s, by: take_out(s, by, magazine), "empty_container").kind == "not_here"


def test_content_moves_from_one_magazine_to_another(house: House) -> None:
    panels = make_panels(house, 3)
    first, second = _container(house), _container(house)
    _put(house, first, panels)
    do(house, lambda s, by: move_content(s, by, first, second, panels[:2]), "fill_container")
    assert (_inside(house, first).panels, _inside(house, second).panels) == (tuple(panels[2:]), tuple(panels[:2]))
    do(house, lambda s, by: move_content(s, by, first, second), "fill_container")
    assert _inside(house, second).panels == tuple(panels)


def test_a_jar_whose_lot_gave_everything_is_empty_and_takes_the_next(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    first, second = (make_loose(house, make_lot(house, [panel]), [panel]) for panel in panels)
    jar = _container(house, "jar")
    do(house, lambda s, by: settle(s, by, [first, second]), "fill_container")
    do(house, lambda s, by: put_item(s, by, jar, first), "fill_container")
    do(house, lambda s, by: scrap_units(s, by, first, units_of(house, panels[:1]), "scratched"), "scrap")
    assert _inside(house, jar).items == ()
    assert read(house, lambda s: how_much_is_in(s, [jar])) == {jar: (0, 0)}
    assert read(house, lambda s: [row.until is None for row in contents_told(s, jar)]) == [False]
    do(house, lambda s, by: put_item(s, by, jar, second), "fill_container")
    assert _inside(house, jar).loose == (second,)
    assert read(house, lambda s: contents(s, Named("container", jar, "C"))) == ([], [second])
    assert read(house, lambda s: container_of(s, first)) is None


def test_a_hold_of_an_empty_jar_is_not_one_of_what_it_held_last(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    loose, jar = make_loose(house, make_lot(house, panels), panels), _container(house, "jar")
    do(house, lambda s, by: settle(s, by, [loose]), "fill_container")
    do(house, lambda s, by: put_item(s, by, jar, loose), "fill_container")
    do(house, lambda s, by: scrap_units(s, by, loose, units_of(house, panels), "scratched"), "scrap")
    refusal = refused(house, lambda s, by: place_hold(s, by, Named("container", jar, "C"), "bent"), "place_hold")
    assert refusal.kind == "not_here"
