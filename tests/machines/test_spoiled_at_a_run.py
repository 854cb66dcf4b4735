"""Cells and units that a run spoiled are told with it: its station's effectiveness and the run's own page know them."""

from typing import Any

from app.catalogue.definitions import Product, Route, Station, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="bake", name="bake", operation="plasma clean"), Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="cut", operation="singulate"), Step(key="wash", name="wash", operation="clean"),
)  # fmt: skip
MORE = (
    ("product", Product(part_number="WORN", rows=4, columns=5, roles=())), ("route", Route(product="WORN", revision="1", steps=STEPS)),
    ("station", Station(name="Bath", area="hall", operations=("clean",), units_per_hour=100)),
    ("station", Station(name="Lens", area="hall", operations=("inspect",), units_per_hour=100)),
)  # fmt: skip
FOUR = [{"row": 1, "column": column} for column in (1, 2, 3, 4)]


def output(do: Plant, station: str) -> tuple[int, int]:
    (row,) = (one for one in do.get("/effectiveness") if one["name"] == station)
    return row["made"], row["good"]


def cells(some: list[dict[str, int]], **more: Any) -> dict[str, Any]:
    return {"cells": some, "reason": "scratched", **more}


def test_what_is_marked_while_it_is_in_work_or_named_with_its_run_was_spoiled_there(house: House) -> None:
    with plant(house, *MORE) as do:
        panels = do.panels(3)
        lot = do.lot(panels, product="WORN")
        do.run("Plasma", lot)
        do.post(f"/panels/{panels[0]}/marks", **cells([{"row": 4, "column": 5}]))  # before it
        run = do.start("Lens", lot)
        do.post(f"/panels/{panels[0]}/marks", **cells(FOUR[:2]))
        do.post("/scrap", thing=panels[1], units=3, reason="lost")
        do.post(f"/runs/{run}/interrupt", panels_done=panels[:2])
        assert output(do, "Lens") == (39, 34)
        do.post(f"/panels/{panels[0]}/marks", **cells(FOUR[2:3]))  # after it, by whom is not said
        assert output(do, "Lens") == (39, 34)
        do.post(f"/panels/{panels[0]}/marks", **cells(FOUR[3:], run=run))
        do.post("/scrap", thing=panels[2], **cells(FOUR, run=run))  # which it did not do
        assert output(do, "Lens") == (39, 33)
        other = do.lot(do.panels(1), product="WORN")
        strange = do.get(f"/lots/{other}")["panels"][0]
        answer = do.post(f"/panels/{strange['panel'] if isinstance(strange, dict) else strange}/marks", 409, **cells(FOUR, run=run))
        assert (answer["kind"], answer["detail"]) == ("not_here", f"Run {run} had no units of it.")


def test_loose_units_that_are_scrapped_in_a_run_were_spoiled_by_it(house: House) -> None:
    with plant(house, *MORE) as do:
        lot = do.lot(do.panels(1), product="WORN")
        for station in ("Plasma", "Lens"):
            do.run(station, lot)
        loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        run = do.start("Bath", loose)
        do.post("/scrap", thing=loose, units=2, reason="dropped")
        do.post(f"/runs/{run}/finish")
        do.post("/scrap", thing=loose, units=1, reason="dropped", run=run)
        do.post("/scrap", thing=loose, units=1, reason="dropped")
        assert output(do, "Bath") == (20, 17)
        assert do.findings() == []
