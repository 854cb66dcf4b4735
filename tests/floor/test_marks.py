import numpy as np
import pytest
from sqlalchemy import event, select

from app.db import House
from app.errors import BadInput
from app.floor import bitmaps
from app.floor.marking import mark_cells, take_back_marks
from app.floor.marks import good_cells, good_units, singulated
from app.floor.samples import sample_cells
from app.floor.scrap import scrap_cells, scrap_panel, scrap_units
from app.ledger.cells import CellMark
from tests.floor.acting import COLUMNS, ROWS, Factory, do, make_factory, make_loose, make_lot, make_panels, read, refused, units_of

CELLS = ROWS * COLUMNS


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


def _mark(house: House, panel: int, cells: list[tuple[int, int]], reason: str = "scratched") -> int:
    return do(house, lambda s, by: mark_cells(s, by, panel, cells, reason).id, "mark_cells")


@pytest.mark.parametrize(("cell", "index"), [((1, 1), 0), ((1, 5), 4), ((2, 1), 5), ((4, 5), 19)])
def test_a_cell_is_one_bit_counted_row_by_row_from_the_lowest(cell: tuple[int, int], index: int) -> None:
    bitmap = bitmaps.bitmap_of([cell], 4, 5)
    assert int.from_bytes(bitmap.tobytes(), "little") == 1 << index
    assert bitmaps.cells_of(bitmap, 5) == [cell]


def test_bits_that_pad_the_last_byte_are_never_set() -> None:
    assert bitmaps.count(bitmaps.full(3, 3)) == 9
    assert bitmaps.full(3, 3).tobytes() == b"\xff\x01"


def test_a_marked_cell_is_not_good_and_counts_once(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    _mark(house, panels[0], [(1, 1), (2, 2)])
    _mark(house, panels[0], [(2, 2), (3, 3)])
    assert read(house, lambda s: good_units(s, panels)) == {panels[0]: CELLS - 3, panels[1]: CELLS}
    good = read(house, lambda s: good_cells(s, panels))
    assert np.array_equal(good[panels[0]], bitmaps.full(ROWS, COLUMNS) & ~bitmaps.bitmap_of([(1, 1), (2, 2), (3, 3)], ROWS, COLUMNS))


def test_a_mark_that_is_taken_back_counts_no_more_and_stays_on_the_record(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    first, second = _mark(house, panel, [(1, 1), (1, 2)]), _mark(house, panel, [(1, 2)])
    do(house, lambda s, by: take_back_marks(s, by, [first]), "correct_marks")
    assert units_of(house, [panel]) == CELLS - 1
    assert refused(house, lambda s, by: take_back_marks(s, by, [first, second]), "correct_marks").kind == "finished"
    assert units_of(house, [panel]) == CELLS - 1
    assert isinstance(refused(house, lambda s, by: take_back_marks(s, by, [99]), "correct_marks"), BadInput)
    assert len(read(house, lambda s: list(s.scalars(select(CellMark))))) == 2


def test_a_cell_that_the_panel_does_not_have_is_named(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    refusal = refused(house, lambda s, by: mark_cells(s, by, panel, [(1, 1), (ROWS + 1, 1), (0, 2)], "scratched"), "mark_cells")
    assert isinstance(refusal, BadInput)
    assert [reason.where for reason in refusal.reasons] == [f"row {ROWS + 1}, column 1", "row 0, column 2"]


def test_a_reason_comes_from_the_catalogue_where_it_has_some(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    refusal = refused(house, lambda s, by: mark_cells(s, by, panel, [(1, 1)], "ugly"), "mark_cells")
    assert isinstance(refusal, BadInput)
    assert "scratched" in str(refusal)
    assert isinstance(refused(house, lambda s, by: mark_cells(s, by, panel, [(1, 1)], "  "), "mark_cells"), BadInput)
    assert isinstance(refused(house, lambda s, by: mark_cells(s, by, panel, [], "scratched"), "mark_cells"), BadInput)


def test_scrapped_cells_and_units_without_a_cell_are_both_gone(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    do(house, lambda s, by: scrap_cells(s, by, panel, [(1, 1)], "scratched"), "scrap")
    do(house, lambda s, by: scrap_units(s, by, panel, 3, "scratched"), "scrap")
    assert units_of(house, [panel]) == CELLS - 4
    assert bitmaps.count(read(house, lambda s: good_cells(s, [panel]))[panel]) == CELLS - 1
    assert refused(house, lambda s, by: scrap_units(s, by, panel, CELLS, "scratched"), "scrap").kind == "too_few_units"


def test_a_whole_panel_is_scrapped_once(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    _mark(house, panel, [(1, 1)])
    assert do(house, lambda s, by: scrap_panel(s, by, panel, "scratched").n, "scrap") == CELLS - 1
    assert units_of(house, [panel]) == 0
    assert refused(house, lambda s, by: scrap_panel(s, by, panel, "scratched"), "scrap").kind == "too_few_units"


def test_the_cells_of_a_sample_do_not_come_back(house: House, factory: Factory) -> None:
    panel = make_panels(house, 1)[0]
    do(house, lambda s, by: sample_cells(s, by, panel, [(1, 1)], "pull test", kept=False), "take_sample")
    mark = read(house, lambda s: s.scalars(select(CellMark.id)).one())
    assert refused(house, lambda s, by: take_back_marks(s, by, [mark]), "correct_marks").kind == "finished"


def test_singulated_panels_are_known_as_such(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    make_loose(house, make_lot(house, panels), panels[:1])
    assert list(read(house, lambda s: singulated(s, panels))) == panels[:1]


def test_good_units_of_many_panels_are_one_statement(house: House, factory: Factory) -> None:
    panels = make_panels(house, 12)
    for panel in panels[:5]:
        _mark(house, panel, [(1, 1)])
    seen: list[str] = []
    event.listen(house.read_engine, "before_cursor_execute", lambda *args: seen.append(args[2]))
    assert sum(read(house, lambda s: good_units(s, panels)).values()) == 12 * CELLS - 5
    assert len([statement for statement in seen if "panel" in statement]) == 1
