"""Units that were scrapped before a suspect came to their panel or loose lot are not said to have it."""

from collections.abc import Iterator

import pytest

from app.catalogue.definitions import Product, Route, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True), Step(key="cut", name="cut", operation="singulate"),
    Step(key="test", name="test", operation="test"),
)  # fmt: skip
Told = dict[str, tuple[int, int, int]]


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    product = Product(part_number="PLAIN", rows=4, columns=5, roles=(), bin_table="B")
    with plant(house, ("product", product), ("route", Route(product="PLAIN", revision="1", steps=STEPS))) as one:
        yield one


def touched(do: Plant, run: str, rows: str) -> Told:
    """Units, and how many of them the run touched at least and at most, by what a row is of."""
    return {row["code"] or row["words"]: (row["units"], row["least"], row["greatest"]) for row in do.get(f"/exposure?suspect={run}")[rows]}


def scrap(do: Plant, thing: str, units: int) -> None:
    do.post("/scrap", thing=thing, units=units, reason="bent wire")


def test_what_was_scrapped_of_a_panel_may_have_left_it_or_stayed(do: Plant) -> None:
    """Of 20 cells 5 units were scrapped before the run and 2 after it, nobody knows which."""
    (panel,) = do.panels(1)
    lot = do.lot([panel], product="PLAIN")
    scrap(do, panel, 5)
    run = do.run("Scope", lot)
    scrap(do, panel, 2)
    places = {"floor": (13, 13, 13), "scrapped": (7, 2, 7)}
    assert touched(do, run, "places") == places
    assert touched(do, run, "panels") == {panel: (20, 15, 20)}
    assert touched(do, panel, "places") == {"floor": (13, 13, 13), "scrapped": (7, 7, 7)}
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    assert touched(do, run, "places") == places
    assert touched(do, run, "panels") == {panel: (20, 15, 20)}
    assert touched(do, run, "lots") == {lot: (20, 15, 20), loose: (13, 13, 13)}
    assert do.findings() == []


def test_what_was_scrapped_or_sampled_of_a_loose_lot_before_its_run_left_it(do: Plant) -> None:
    lot = do.lot(do.panels(1), product="PLAIN")
    do.run("Scope", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    scrap(do, loose, 3)
    sample = do.post("/samples", thing=loose, units=1, purpose="pull test", kept=True)["sample"]
    test = do.start("Tester", loose)
    assert touched(do, test, "places") == {"floor": (16, 16, 16)}
    good = do.post(f"/runs/{test}/bins", bins=[{"bin": "B1", "units": 16}])["bins"][0]["lot"]
    scrap(do, good, 4)
    assert touched(do, test, "places") == {"floor": (12, 12, 12), "scrapped": (7, 4, 4)}  # 3 of the 7 before it
    assert sample not in touched(do, test, "lots")
    assert touched(do, loose, "places") == {"floor": (12, 12, 12), "samples": (1, 1, 1), "scrapped": (7, 7, 7)}
