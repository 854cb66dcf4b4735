"""What stands for nothing is refused: it is neither all of it nor done."""

from collections.abc import Iterator

import pytest

from app.catalogue.definitions import Product, Role, Route, Step
from app.db import House
from tests.machines.plant import MAP, Plant, plant

CUT = Product(part_number="CUT", rows=4, columns=5, roles=(Role(role="red", part="WR"),), units_per_reel=30, bin_table="B")
ROUTE = Route(product="CUT", revision="A", steps=(Step(key="cut", name="singulate", operation="singulate"),))


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    with plant(house, ("product", CUT), ("route", ROUTE)) as one:
        yield one


def test_a_lot_whose_panels_joined_another_takes_nothing_out_and_corrects_nothing(do: Plant) -> None:
    panels = do.panels(3)
    here, there = do.lot(panels[:2]), do.lot(panels[2:])
    do.post(f"/lots/{here}/merge", others=[there])
    box, other = (do.post("/containers", kind="magazine", name=name)["container"] for name in ("A", "B"))
    do.post(f"/containers/{box}/put", things=[here])
    content = do.get(f"/containers/{box}/contents")["contents"][0]["content"]
    for path, more in (
        (f"/containers/{box}/take_out", {}), (f"/containers/{box}/pour", {"into": other}), (f"/containers/{box}/put", {}),
        (f"/contents/{content}/correct", {"reason": "another lot"}),
    ):  # fmt: skip
        assert do.post(path, 409, things=[there], **more)["kind"] == "not_here"
    assert do.post(f"/containers/{box}/put", 422, things=[])["kind"] == "bad_input"
    assert do.get(f"/containers/{box}")["panels"] == sorted(panels)


def test_what_does_not_lie_in_a_load_is_not_taken_out_of_it(do: Plant) -> None:
    load = do.post("/loads", station=do.at["Oven"], recipe="C170")["load"]
    lot = do.lot(do.panels(1))
    assert do.post(f"/loads/{load}/take_out", 409, things=[lot])["kind"] == "not_here"


def test_nothing_is_scrapped_off_a_panel_whose_units_have_become_loose(do: Plant) -> None:
    """They are in the loose lot: taken off the panel too, they would be out of two books."""
    panel = do.panels(1)[0]
    run = do.start("Saw", do.lot([panel], product="CUT"))
    loose = do.post(f"/runs/{run}/singulate")["lot"]
    for more in ({}, {"units": 3}, {"cells": [{"row": 1, "column": 1}]}):
        assert do.post("/scrap", 409, thing=panel, reason="dropped", **more)["kind"] == "finished"
    do.post("/scrap", thing=loose, units=3, reason="dropped")
    assert do.findings() == []


def test_no_cell_is_marked_on_a_panel_whose_units_have_become_loose(do: Plant) -> None:
    """It would stop nothing: the unit is in the loose lot. Told as a fact it is recorded, and what came of the panel is held."""
    panel = do.panels(1)[0]
    loose = do.post(f"/runs/{do.start('Saw', do.lot([panel], product='CUT'))}/singulate")["lot"]
    mark = {"cells": [{"row": 1, "column": 1}], "reason": "dropped"}
    refused = do.post(f"/panels/{panel}/marks", 409, **mark)
    assert (refused["kind"], refused["title"]) == ("finished", "No cell was marked.")
    assert do.post(f"/panels/{panel}/marks", fact=True, **mark)["cells"] == 1
    (hold,) = do.get(f"/stops/{loose}")["holds"]
    assert "have become loose" in hold["reason"]
    assert do.findings() == []


def test_a_sample_of_cells_that_is_told_after_their_units_became_loose_leaves_the_loose_lot(do: Plant) -> None:
    """The panel gave one unit more than it has cells, and the lot kept what was in the sample."""
    panel = do.panels(1)[0]
    loose = do.post(f"/runs/{do.start('Saw', do.lot([panel], product='CUT'))}/singulate")["lot"]
    taken = {"thing": panel, "purpose": "x-ray", "cells": [{"row": 1, "column": 1}, {"row": 1, "column": 2}]}
    assert do.post("/samples", 409, **taken)["kind"] == "finished"
    sample = do.post("/samples", fact=True, **taken)
    assert sample["units"] == 2
    assert do.findings() == []
    assert do.get(f"/lots/{loose}")["counts"]["left"] == 18
    for thing in (loose, sample["sample"]):
        assert ["have become loose" in hold["reason"] for hold in do.get(f"/stops/{thing}")["holds"]] == [True]
    assert [row["code"] for row in do.get(f"/trace/{sample['sample']}")["panels"]] == [panel]


def test_the_map_of_another_wafer_corrects_none(do: Plant) -> None:
    wafer = do.wafer("RD-1")
    do.wafer("RD-2")
    for name, status in (("RD-2", 422), ("RD-1", 200)):
        do.post(f"/wafers/{wafer}/map", status, files=[("file", ("map.txt", MAP.format(name).encode()))], passing="1")
