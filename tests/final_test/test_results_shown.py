"""What a test run's results show, against the tester's own file counted another way."""

from pathlib import Path

import numpy as np
import pytest
from small_factory import Factory

from app.catalogue import queries as catalogue
from app.db import House
from app.drawing.chromaticity_chart import Area, view_of
from app.final_test.models import UnitFile
from app.final_test.results_in import parquet_path
from app.final_test.results_shown import ONE_BY_ONE, ResultsShown, results_shown
from app.final_test.unit_results import read_unit_results
from tests.genealogy.made import COLOURED, SQUARE

UNITS = 5000


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(("bin_table", COLOURED))


def shown(factory: Factory, tmp_path: Path, units: int, chosen: str = "") -> tuple[ResultsShown, np.ndarray]:
    """Chromaticities around the bin, some far away; every tenth unit failed and was not measured."""
    made = np.random.default_rng(7)
    xy = np.round(made.normal((0.69, 0.30), 0.006, (units, 2)), 5)
    xy[::97] = (0.2, 0.7)
    rows = [f"{n},E07,," if n % 10 == 0 else f"{n},pass,{x},{y}" for n, (x, y) in enumerate(xy)]
    source = tmp_path / "results.csv"
    source.write_text("unit,result,x_red,y_red\n" + "\n".join(rows) + "\n")
    results = read_unit_results(source, COLOURED, tmp_path / "results.parquet")
    path = parquet_path(factory.house, results.digest)
    path.parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / "results.parquet").replace(path)
    with factory.house.reading() as session:
        table = catalogue.named(session, "bin_table", "C").definition
        by_bin = {name: n for (name, _), n in results.counts_by_bin.items()}
        failures = results.counts_by_failure
        file = UnitFile(run=0, bin_table=table, parquet=results.digest, rows=units, by_bin=by_bin, by_failure=failures, tester_bin_differs=0)
        return results_shown(session, factory.house, file, chosen), xy[np.arange(units) % 10 != 0]


def test_cells_hold_what_another_library_counts(factory: Factory, tmp_path: Path) -> None:
    found, measured = shown(factory, tmp_path, UNITS)
    (pair,) = found.pairs
    view = view_of([Area("C1", SQUARE.points)])
    cell = view.width / 84
    rows = round(view.height / cell)
    middles = measured + 1e-9  # off the cells' edges: numpy and a division may differ there
    theirs, _, _ = np.histogram2d(*middles.T, bins=(84, rows), range=((view.x, view.x + 84 * cell), (view.y, view.y + rows * cell)))
    ours = np.zeros_like(theirs)
    for x, y, units in pair.cells:
        ours[int((x - view.x) / cell), int((y - view.y) / cell)] += units
    assert pair.units == theirs.sum()
    assert np.abs(ours - theirs).sum() <= 4, "at most a unit or two on an edge"
    assert pair.units + pair.elsewhere + pair.without == UNITS
    assert pair.without == UNITS // 10
    assert 'class="shade' in pair.svg


def test_bins_and_failures_close_with_the_file(factory: Factory, tmp_path: Path) -> None:
    found, _ = shown(factory, tmp_path, UNITS)
    assert sum(one.units for one in found.bins) == UNITS
    assert [one.name for one in found.bins] == ["C1", "OUT", "OPEN", "BAD"], "in the table's order"
    by_name = {one.name: one.units for one in found.bins}
    assert {one.name: one.units for one in found.failures} == {"E07": by_name["OPEN"], "fits no bin": by_name["OUT"]}
    assert [one.units for one in found.failures] == sorted((one.units for one in found.failures), reverse=True)
    assert found.failures[-1].so_far == pytest.approx(1.0)


def test_one_bin_alone_can_be_shown(factory: Factory, tmp_path: Path) -> None:
    found, _ = shown(factory, tmp_path, UNITS, "C1")
    (pair,) = found.pairs
    assert pair.units == next(one.units for one in found.bins if one.name == "C1")
    assert pair.elsewhere == 0, "what is in the bin is in its polygon"
    assert shown(factory, tmp_path, UNITS, "NOPE'")[0].chosen == ""


def test_few_units_are_drawn_one_by_one(factory: Factory, tmp_path: Path) -> None:
    found, measured = shown(factory, tmp_path, ONE_BY_ONE)
    assert found.pairs[0].svg.count('class="unit"') == len(measured)
    assert 'class="shade' not in found.pairs[0].svg


def test_without_its_file_the_counts_remain(factory: Factory, tmp_path: Path) -> None:
    with factory.house.reading() as session:
        table = catalogue.named(session, "bin_table", "C").definition
        file = UnitFile(run=0, bin_table=table, parquet="0" * 64, rows=10, by_bin={"C1": 10}, by_failure={}, tester_bin_differs=0)
        found = results_shown(session, factory.house, file)
    assert (found.is_kept, found.pairs, found.bins[0].units) == (False, (), 10)
