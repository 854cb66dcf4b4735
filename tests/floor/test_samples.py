import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.codes import is_valid
from app.db import House
from app.errors import BadInput
from app.evidence.models import Evidence
from app.floor import bitmaps
from app.floor.amounts import amount
from app.floor.exits import exits_of, unreached, write_dead_origins
from app.floor.marking import mark_cells, take_back_marks
from app.floor.samples import sample_cells, sample_units
from app.journal.act import By
from app.ledger.cells import Placement
from app.ledger.counts import CountEntry
from app.ledger.flows import DeadOrigin, Flow
from app.ledger.items import Sample
from app.naming.resolve import code_of
from tests.floor.acting import (
    COLUMNS,
    ROWS,
    Factory,
    begin,
    do,
    make_factory,
    make_loose,
    make_lot,
    make_panels,
    make_wafer,
    read,
    refused,
    units_of,
)  # fmt: skip

LEFT = [(row, column) for row in range(1, ROWS + 1) for column in (1, 2)]
RIGHT = [(row, column) for row in range(1, ROWS + 1) for column in (3, 4, 5)]


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


@pytest.fixture
def panel(house: House, factory: Factory) -> int:
    panel = make_panels(house, 1)[0]
    make_lot(house, [panel])
    return panel


def _place(house: House, factory: Factory, panel: int, wafer: int, cells: list[tuple[int, int]]) -> None:
    run = begin(house, factory["attach 1"], [], "die attach", panels=False)

    def write(session: Session, by: By) -> None:
        evidence = Evidence(e=by.e, digest="0" * 64, name="log.csv", kind="placement_log", size_bytes=1, stated="{}")
        session.add(evidence)
        session.flush()
        bitmap = bitmaps.bitmap_of(cells, ROWS, COLUMNS)
        session.add(
            Placement(
                e=by.e, run=run, panel=panel, wafer=wafer, role="red", cells=bitmap.tobytes(), dies=b"", n=len(cells), evidence=evidence.id
            )
        )

    do(house, write, "import_placements")


def _dead(house: House) -> set[tuple[int, int, int]]:
    return set(read(house, lambda s: [(row.child, row.panel, row.wafer) for row in s.scalars(select(DeadOrigin))]))


def test_cells_that_are_sampled_leave_the_panel(house: House, panel: int) -> None:
    sample = do(house, lambda s, by: sample_cells(s, by, panel, [(1, 1), (1, 2)], "pull test", kept=True).item, "take_sample")
    assert units_of(house, [panel]) == ROWS * COLUMNS - 2
    row = read(house, lambda s: s.get_one(Sample, sample))
    assert (row.units, row.kept, row.purpose) == (2, True, "pull test")
    assert is_valid(code := read(house, lambda s: code_of(s, "sample", sample)))
    assert code.startswith("X")
    flow = read(house, lambda s: s.scalars(select(Flow)).one())
    assert (flow.child, flow.parent, flow.kind, flow.units, flow.walked) == (sample, panel, "cells", 2, True)


def test_a_refusal_that_names_not_all_says_how_many_more(house: House, panel: int) -> None:
    row = [(1, column) for column in (1, 2, 3, 4, 5)]
    do(house, lambda s, by: mark_cells(s, by, panel, [*row, (2, 1), (2, 2)], "scratched"), "mark_cells")
    refusal = refused(house, lambda s, by: sample_cells(s, by, panel, [*row, (2, 1), (2, 2)], "x-ray", kept=True), "take_sample")
    assert "row 1 column 5 and 2 more." in refusal.reasons[0].why


def test_a_sample_that_is_destroyed_says_so(house: House, panel: int) -> None:
    sample = do(house, lambda s, by: sample_cells(s, by, panel, [(1, 1)], "cross-section", kept=False).item, "take_sample")
    entry = read(house, lambda s: s.scalars(select(CountEntry)).one())
    assert (entry.item, entry.kind, entry.units) == (sample, "destroyed", 1)


def test_only_good_cells_are_sampled(house: House, panel: int) -> None:
    do(house, lambda s, by: mark_cells(s, by, panel, [(2, 3)], "scratched"), "mark_cells")
    refusal = refused(house, lambda s, by: sample_cells(s, by, panel, [(1, 1), (2, 3)], "x-ray", kept=True), "take_sample")
    assert refusal.kind == "too_few_units"
    assert "row 2 column 3" in str(refusal)
    assert isinstance(refused(house, lambda s, by: sample_cells(s, by, panel, [], "x-ray", kept=True), "take_sample"), BadInput)


def test_a_singulated_panel_gives_no_sample(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    make_loose(house, make_lot(house, panels), panels)
    assert refused(house, lambda s, by: sample_cells(s, by, panels[0], [(1, 1)], "x-ray", kept=True), "take_sample").kind == "finished"


def test_units_are_sampled_from_a_loose_lot(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    loose = make_loose(house, lot, panels)
    sample = do(house, lambda s, by: sample_units(s, by, loose, 5, "life test", kept=True).item, "take_sample")
    now = read(house, lambda s: amount(s, loose))
    assert (now.book, now.total("sampled"), now.total("out")) == (15, 5, 0)
    assert read(house, lambda s: s.get_one(Sample, sample)).units == 5
    assert refused(house, lambda s, by: sample_units(s, by, loose, 16, "life test", kept=True), "take_sample").kind == "too_few_units"
    assert isinstance(refused(house, lambda s, by: sample_units(s, by, lot, 1, "life test", kept=True), "take_sample"), BadInput)


def test_a_sample_comes_only_from_wafers_with_dies_on_its_cells(house: House, factory: Factory, panel: int) -> None:
    left, right = make_wafer(house, factory["RED-DIE"]), make_wafer(house, factory["RED-DIE"])
    _place(house, factory, panel, left, LEFT)
    _place(house, factory, panel, right, RIGHT)
    sample = do(house, lambda s, by: sample_cells(s, by, panel, [(1, 1)], "x-ray", kept=True).item, "take_sample")
    assert _dead(house) == {(sample, panel, right)}


def test_a_wafer_whose_cells_were_marked_is_no_origin_of_what_left(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    left, right = make_wafer(house, factory["RED-DIE"]), make_wafer(house, factory["RED-DIE"])
    _place(house, factory, panels[0], left, LEFT)
    _place(house, factory, panels[0], right, RIGHT)
    mark = do(house, lambda s, by: mark_cells(s, by, panels[0], LEFT, "scratched").id, "mark_cells")
    loose = make_loose(house, lot, panels)
    do(house, lambda s, by: write_dead_origins(s, panels), "singulate")
    assert _dead(house) == {(loose, panels[0], left)}
    do(house, lambda s, by: take_back_marks(s, by, [mark]), "correct_marks")
    assert read(house, lambda s: unreached(s, panels).dead) == _dead(house)  # what has left stays as it was


def test_a_late_placement_log_is_taken_in_when_the_rows_are_written_again(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    do(house, lambda s, by: mark_cells(s, by, panels[0], LEFT, "scratched"), "mark_cells")
    loose = make_loose(house, lot, panels)
    do(house, lambda s, by: write_dead_origins(s, panels), "singulate")
    assert _dead(house) == set()
    wafer = make_wafer(house, factory["RED-DIE"])
    _place(house, factory, panels[0], wafer, LEFT)
    for _ in range(2):
        do(house, lambda s, by: write_dead_origins(s, panels), "import_placements")
    assert _dead(house) == {(loose, panels[0], wafer)}


def test_exits_name_the_cells_that_left(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    do(house, lambda s, by: sample_cells(s, by, panels[0], [(1, 1), (4, 5)], "x-ray", kept=True), "take_sample")
    make_loose(house, lot, panels)
    sample, rest = read(house, lambda s: exits_of(s, panels))
    assert bitmaps.cells_of(sample.cells, COLUMNS) == [(1, 1), (4, 5)]
    assert sample.to_sample
    assert bitmaps.count(rest.cells) == rest.units == ROWS * COLUMNS - 2
    assert not rest.to_sample
