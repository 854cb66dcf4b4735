"""Loose units that are cured: alone at the oven, as a run of their own; the shelves of a load hold panels."""

from datetime import UTC, datetime, timedelta
from typing import Any

from app.catalogue.definitions import Product, Route, Step
from app.db import House
from app.main import make_app
from tests.machines.plant import Plant, plant
from tests.people.signing_in import person
from tests.scan.test_terminal_pages import Screen

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True), Step(key="cut", name="cut", operation="singulate"),
    Step(key="bake", name="bake", operation="cure", recipe="C170", judged="cure"), Step(key="test", name="test", operation="test"),
    Step(key="tape", name="tape", operation="tape"),
)  # fmt: skip
PRODUCT = Product(part_number="BKD", rows=4, columns=5, roles=(), bin_table="B", units_per_reel=10)
BAKED = (("product", PRODUCT), ("route", Route(product="BKD", revision="1", steps=STEPS)))
BEGUN = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=6)


def after(minutes: float) -> dict[str, str]:
    return {"happened_at": (BEGUN + timedelta(minutes=minutes)).isoformat()}


def loose(do: Plant) -> str:
    lot = do.lot(do.panels(1), product="BKD", **after(0))
    do.post(f"/runs/{do.start('Scope', lot, **after(5))}/finish", **after(10))
    return str(do.post(f"/runs/{do.start('Saw', lot, **after(15))}/singulate", **after(20))["lot"])


def cold(do: Plant) -> Any:
    """A logger's file of an oven that stayed cold from half an hour on."""
    rows = "".join(f"{BEGUN + timedelta(minutes=minute):%Y-%m-%d %H:%M:%S},25.0,25.1\n" for minute in range(25, 245))
    file = ("oven.csv", f"Time (UTC),left [C],right [C]\n{rows}".encode())
    return do.post("/logger_files", station=do.at["Oven"], files=[("file", file)])


def test_a_load_takes_no_loose_units_and_says_what_to_do(house: House) -> None:
    """They were put on no shelf, and the start of the load failed."""
    with plant(house, *BAKED) as do:
        lot = loose(do)
        load = do.post("/loads", station=do.at["Oven"], recipe="C170", **after(25))["load"]
        refused = do.post(f"/loads/{load}/put", 422, things=[lot], shelf="1", **after(26))
        assert refused["detail"] == f"Only panels lie on the shelves of a load, and {lot} is none."
        assert refused["now"] == "Start it at the oven alone: that is a run of its own."
        do.post(f"/runs/{do.start('Oven', lot, **after(30))}/finish", **after(230))
        assert do.get(f"/next/{lot}")["groups"][0]["next_step"] == "test"
        assert do.findings() == []


def test_the_terminal_offers_no_load_for_loose_units(house: House) -> None:
    with plant(house, *BAKED) as do:
        lot = loose(do)
        ola = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
        ola.get(f"/floor?station={do.at['Oven']}&ask={lot}")
        assert ola.heading == f"Start bake on {lot}?" and "Not alone" not in ola.page


def test_a_file_that_finds_a_cure_of_loose_units_wanting_names_their_packs(house: House) -> None:
    """The file was refused with an error of the program, and the units never held."""
    with plant(house, *BAKED) as do:
        lot = loose(do)
        run = do.start("Oven", lot, **after(30))
        do.post(f"/runs/{run}/finish", **after(230))
        bins = do.post(f"/runs/{do.start('Tester', lot, **after(235))}/bins", bins=[{"bin": "B1", "units": 20}], **after(240))["bins"]
        pack = do.post("/packs", station=do.at["Taper"], parts=[{"lot": bins[0]["lot"], "units": 10}], line_clear=True, **after(250))["pack"]
        (judged,) = cold(do)["judged"]
        assert (judged["run"], judged["verdict"], judged["packs"]) == (run, "does_not_conform", [pack])
        assert do.get(f"/stops/{pack}")["stopped"]
