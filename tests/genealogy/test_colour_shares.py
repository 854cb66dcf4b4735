"""Origin by colour on the record: die maps with wavelengths, placement logs, and a tester that bins by the wavelength it measured."""

from io import BytesIO
from typing import Any

import numpy as np
import pytest

from app.catalogue import queries as catalogue
from app.catalogue.definitions import BinEntry, BinTableBody, Rank
from app.db import House
from app.final_test.results_in import import_unit_results, read_results
from app.final_test.singulate import singulate
from app.floor.dispositions import dispose
from app.floor.ends import finish_run
from app.floor.mounts import unmount
from app.floor.placements import import_placements, read_log
from app.genealogy.exposure import exposure
from app.genealogy.suspects import Suspect
from app.ledger.places import Load
from app.ledger.runs import Run
from app.naming.resolve import Named
from app.ovens import loads
from app.receiving.die_map import Stated
from app.receiving.wafers import read_map_files, receive_wafers
from tests.small_factory import PARTS, Factory, named_lot

RANKS = (Rank(column="wavelength_red", low=600, high=622.5), Rank(column="wavelength_red", low=622.5, high=650))
TABLE = BinTableBody(
    name="W", unbinned="OUT", failed="OUT",
    bins=(BinEntry(name="SHORT", grade="prime", ranks=RANKS[:1]), BinEntry(name="LONG", grade="prime", ranks=RANKS[1:]),
          BinEntry(name="OUT", grade="reject")),
)  # fmt: skip
PANELS, CELLS = 10, 20


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(("bin_table", TABLE))


def _wafer(factory: Factory, name: str, wavelengths: np.ndarray[Any, Any]) -> Named:
    """Dies in rows of 20: row 0 of the map for the first panel, and so on."""
    lines = ["wafer,x,y,bin,wavelength"] + [f"{name},{i % 20},{i // 20},1,{value:.2f}" for i, value in enumerate(wavelengths)]
    part = next(part for part in PARTS if part.number == "WR").model_copy(update={"passing": ("1",)})
    files = read_map_files(factory.house, [(f"{name}.csv", "\n".join(lines).encode())], part, Stated(passing=("1",)))
    return factory.do("receive_wafers", lambda s, by: receive_wafers(s, by, files, "WR")[0])


def _placed(factory: Factory, wafer: Named, panels: list[Named], run_at: str) -> None:
    rows = ["time,wafer,die x,die y,panel,row,column"]
    for p, panel in enumerate(panels):
        rows += [f"{run_at},{wafer.code},{i},{p},{panel.code},{i // 5 + 1},{i % 5 + 1}" for i in range(CELLS)]
    kept, log = read_log(factory.house, "log.csv", "\n".join(rows).encode())
    factory.do("import_placements", lambda s, by: import_placements(s, by, factory.things["Attach"], kept, log).placed)


def _history(factory: Factory, apart: float) -> tuple[Named, dict[str, int], dict[str, int]]:
    """The suspect wafer; truth: its units by bin; all units by bin."""
    rng = np.random.default_rng(3)
    own = [rng.normal(621 + apart, 0.5, 100), rng.normal(621, 0.5, 100)]
    wafers = [_wafer(factory, name, values) for name, values in zip(("WA", "WB"), own, strict=True)]
    panels = factory.panels(PANELS)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"))
    for i, wafer in enumerate(wafers):
        half = panels[i * 5 : i * 5 + 5]
        if i:
            factory.do("unmount", lambda s, by: unmount(s, by, factory.things["Attach"], wafers[0].id))
        factory.mount("Attach", wafer)
        run = factory.start("Attach", lot, only=[panel.id for panel in half])
        at = factory.do("attend_station", lambda s, by, run=run: s.get_one(Run, run).started_at.isoformat())
        factory.finish(run)
        _placed(factory, wafer, half, at)
    _through_the_line(factory, lot)
    saw = factory.start("Saw", lot)
    loose = factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))
    seen = np.concatenate(own) + 0.4 + rng.normal(0, 0.15, 200)
    order = rng.permutation(200)
    rows = ["unit,result,wavelength_red"] + [f"{n},pass,{seen[i]:.2f}" for n, i in enumerate(order, 1)]
    test = factory.start("Tester", loose)
    with factory.house.reading() as session:
        table = catalogue.named(session, "bin_table", "W")
    file = read_results(factory.house, "results.csv", BytesIO("\n".join(rows).encode() + b"\n"), table)
    factory.do("import_unit_results", lambda s, by: len(import_unit_results(s, by, s.get_one(Run, test), file)))
    is_long = np.round(seen, 2) > 622.5
    truth = {"LONG": int(is_long[:100].sum()), "SHORT": int((~is_long[:100]).sum())}
    return wafers[0], truth, {"LONG": int(is_long.sum()), "SHORT": int((~is_long).sum())}


def _through_the_line(factory: Factory, lot: Named) -> None:
    factory.mount("Bond 1", factory.batch("AU20"))
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven"], "C170").id)
    factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")))
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
    for line in factory.do("end_load", lambda s, by: [one.id for one in finish_run(s, by, s.get_one(Run, run))]):
        factory.do("dispose", lambda s, by, line=line: dispose(s, by, line, "concession", "no logger").id)
    factory.run("Plasma", lot)
    factory.run("Bond 1", lot, pull=5.0)
    factory.run("Scope", lot)


def test_the_bins_are_told_by_colour_and_even_mixing_is_not_so_good(factory: Factory) -> None:
    wafer, truth, units = _history(factory, apart=2.0)
    with factory.house.reading() as session:
        told = exposure(session, [Suspect(wafer)], house=factory.house)
    lots = {row.words.split()[-1]: row.exposed for row in told.lots if row.words.startswith("loose ")}
    assert {name: one.units for name, one in lots.items()} == units
    for name, one in lots.items():
        assert one.by_colour is not None
        assert abs(one.by_colour - truth[name]) < 6 < abs(one.expected - truth[name])
        assert 0 < one.by_colour_sd < 6 and abs(one.by_colour - truth[name]) < 4 * one.by_colour_sd + 1
    assert sum(one.by_colour or 0.0 for one in lots.values()) == pytest.approx(100, abs=0.5)
    assert any("By colour" in words for words in told.assumes)


def test_where_the_maps_are_alike_colour_says_what_even_mixing_says(factory: Factory) -> None:
    wafer, _, _ = _history(factory, apart=0.0)
    with factory.house.reading() as session:
        told = exposure(session, [Suspect(wafer)], house=factory.house)
        without = exposure(session, [Suspect(wafer)])
    for row in told.lots:
        if row.exposed.by_colour is not None and row.words.startswith("loose "):
            assert abs(row.exposed.by_colour - row.exposed.expected) < 12
            assert row.exposed.by_colour_sd > 0.1 * row.exposed.units**0.5  # it says how little it knows
    assert without.total.exposed.by_colour is None
