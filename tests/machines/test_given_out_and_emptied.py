"""Loose lots that have given something out: what a first test left in the machine, and lots with nothing in them any more."""

from collections.abc import Iterator

import pytest

from app.catalogue.definitions import BinEntry, BinTableBody, Body, Product, Route, Station, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="cut", operation="singulate"),
    Step(key="cold", name="cold test", operation="test", bin_table="COLD"),
    Step(key="wash", name="wash", operation="clean"),
    Step(key="hot", name="hot test", operation="test"),
    Step(key="tape", name="tape", operation="tape"),
)
COLD = BinTableBody(name="COLD", unbinned="NO", failed="NO", bins=(BinEntry(name="GO", grade="prime"), BinEntry(name="NO", grade="reject")))
WASHED: tuple[tuple[str, Body], ...] = (
    ("bin_table", COLD), ("product", Product(part_number="WASHED", rows=4, columns=5, roles=(), bin_table="B")),
    ("route", Route(product="WASHED", revision="1", steps=STEPS)), ("station", Station(name="Bench", area="hall", operations=("clean", "test"))),
)  # fmt: skip


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    with plant(house, *WASHED) as one:
        yield one


def loose_of(do: Plant, panels: int = 1) -> str:
    lot = do.lot(do.panels(panels), product="WASHED")
    do.run("Scope", lot)
    return str(do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"])


def cold(do: Plant, lot: str, units: int) -> str:
    """The lot of what went on."""
    return str(do.post(f"/runs/{do.start('Bench', lot)}/bins", bins=[{"bin": "GO", "units": units}])["bins"][0]["lot"])


def next_of(do: Plant, lot: str) -> str:
    return str(do.get(f"/next/{lot}")["groups"][0]["next_step"])


def test_what_a_first_test_left_in_the_machine_comes_to_it_again_and_to_nothing_later(do: Plant) -> None:
    loose = loose_of(do)
    went_on = cold(do, loose, 17)
    assert (next_of(do, loose), next_of(do, went_on)) == ("cold", "wash")
    again = do.post("/runs", station=do.at["Bench"], things=[loose], line_clear=True)
    assert [(line["step"], line["round"]) for line in again["lines"]] == [("cold", 2)]
    left = again["lines"][0]["item"]
    do.post(f"/runs/{again['run']}/abort")
    assert next_of(do, left) == "cold", "it was tested by no run that gave it a bin"
    second = cold(do, left, 2)
    assert (next_of(do, second), next_of(do, left)) == ("wash", "cold")
    part = do.post(f"/lots/{went_on}/split", units=4)["lot"]
    assert next_of(do, part) == "wash", "what leaves a lot that was sorted out is sorted out"
    assert do.findings() == []


def test_a_refused_start_names_the_lot_that_was_scanned(do: Plant) -> None:
    """The lot that goes on from it is made with the run, and would be in no record."""
    loose = loose_of(do)
    do.post(f"/lots/{loose}/split", units=5)
    refused = do.post("/runs", 409, station=do.at["Taper"], things=[loose], line_clear=True)
    assert f"{loose} comes to cold test next" in refused["detail"]


def test_nothing_starts_on_a_lot_that_is_empty(do: Plant) -> None:
    """A label of which the units went on under another code: the run would be on nothing, and the units would miss it."""
    first, second = loose_of(do), loose_of(do)
    do.post(f"/lots/{first}/merge", others=[second])
    refused = do.post("/runs", 409, station=do.at["Bench"], things=[second], line_clear=True)
    assert refused["kinds"] == ["too_few_units"]
    assert f"{second} is empty" in refused["detail"]
    do.post("/scrap", thing=first, units=40, reason="bent")
    assert do.post("/runs", 409, station=do.at["Bench"], things=[first], line_clear=True)["kinds"] == ["too_few_units"]
    told = do.post("/runs", station=do.at["Bench"], things=[second], line_clear=True, fact=True)
    assert "is empty" in do.get("/holds")["holds"][0]["reason"], "a fact is recorded, and held"
    assert told["lines"][0]["step"] == "cold"

