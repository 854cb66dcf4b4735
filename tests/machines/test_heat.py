"""The heat ledger as machines and people see it: what each cure did to an adhesive, summed, and what is short."""

from datetime import UTC, datetime, timedelta
from math import exp
from urllib.parse import urlencode

import pytest
from people.signing_in import person, sign_in

from app.catalogue.definitions import Need, Part, Product, Recipe, Role, Route, Station, Step
from app.db import House
from tests.machines.plant import Plant, plant

T0 = datetime(2026, 3, 5, 6, 0, tzinfo=UTC)
R = 8.314462618  # J/(mol K), SI
ENERGY = 80.0  # kJ/mol
CURED = (
    ("recipe", Recipe(name="E170", set_point_c=170, band_low_c=165, band_high_c=175, soak_minutes=90, activation_energy_kj_mol=ENERGY,
                      min_equivalent_minutes=150)),
    ("product", Product(part_number="P8", rows=4, columns=5, roles=(Role(role="red", part="WR"),))),
    ("route", Route(product="P8", revision="A", steps=(
        Step(key="attach", name="attach", operation="die attach", role="red", needs=(Need(kind="adhesive"),)),
        Step(key="cure", name="cure", operation="cure", recipe="E170", judged="cure"),
    ))),
    ("station", Station(name="Kiln", area="hall", operations=("cure",), shelves=("1", "2"))),
)  # fmt: skip


def at(minute: int) -> str:
    return (T0 + timedelta(minutes=minute)).isoformat()


def cure(do: Plant, lot: str, begins: int, minutes: int, how: str) -> str:
    load = str(do.post("/loads", station=do.at["Kiln"], recipe="E170")["load"])
    version = do.post(f"/loads/{load}/put", things=[lot], shelf="1")["version"]
    do.post(f"/loads/{load}/start", version=version, happened_at=at(begins))
    do.post(f"/loads/{load}/{how}", happened_at=at(begins + minutes))
    return load


def test_a_load_says_what_lies_on_its_shelves_before_its_start_during_it_and_after(house: House) -> None:
    with plant(house, *CURED) as do:
        do.mount("Attach", do.wafer("RD-1"))
        do.mount("Attach", do.batch("GLUE"))
        panels = do.panels(3)
        lot = do.lot(panels, product="P8")
        do.post(f"/runs/{do.start('Attach', lot)}/finish")
        load = str(do.post("/loads", station=do.at["Kiln"], recipe="E170")["load"])
        do.post(f"/loads/{load}/put", things=panels[:1], shelf="1")
        filled = do.post(f"/loads/{load}/put", things=panels[1:], shelf="2")["shelves"]
        assert [(one["shelf"], one["lot"], one["step"], one["panels"]) for one in filled] == [
            ("1", lot, "cure", panels[:1]),
            ("2", lot, "cure", panels[1:]),
        ]
        assert do.post(f"/loads/{load}/start")["shelves"] == filled
        assert do.get(f"/loads/{load}")["shelves"] == filled
        do.post(f"/loads/{load}/end")
        assert do.get(f"/loads/{load}")["shelves"] == filled


def test_every_cure_counts_for_the_adhesive_and_what_is_short_is_said(house: House) -> None:
    with plant(house, *CURED) as do:
        do.mount("Attach", do.wafer("RD-1"))
        glue = do.batch("GLUE")
        do.mount("Attach", glue)
        panels = do.panels(2)
        lot = do.lot(panels, product="P8")
        run = do.start("Attach", lot, happened_at=at(0))
        do.post(f"/runs/{run}/finish", happened_at=at(10))
        cure(do, lot, 30, 60, "abort")
        load = cure(do, lot, 120, 90, "end")
        log = "\n".join(["time;A °C", *(f"{at(m)};{150 if m <= 90 else 170}" for m in range(20, 230))])
        do.post("/logger_files", station=do.at["Kiln"], files=[("file", ("log.csv", log.encode()))])

        (same,) = do.get(f"/loads/{load}/heat")["heat"]
        assert (same["panels"], same["shelf"]) == (sorted(panels), "1")
        (one,) = do.get(f"/panels/{panels[0]}/heat")["heat"][0]["adhesives"]
        assert one == same["adhesives"][0]
        aborted = 60 * exp(-ENERGY * 1000 / R * (1 / 423.15 - 1 / 443.15))  # Arrhenius, at 150 instead of 170 degrees C
        assert [round_["least"] for round_ in one["rounds"]] == pytest.approx([aborted, 90])
        assert (one["part"], one["batches"], one["step"], one["needed"]) == ("GLUE", [glue], "attach", 150)
        assert one["short"] == pytest.approx(150 - 90 - aborted)

        pages = do.client
        sign_in(pages, person(house, "Mara", "operate"))
        for path in (f"/panels/{panels[0]}/heat", f"/loads/{load}"):
            page = pages.get(path)
            assert page.status_code == 200, page.text
            assert f"{150 - 90 - aborted:.1f} min" in page.text
        assert pages.get(f"/panels/{panels[0]}/heat.csv").text.count("GLUE") == 3


def test_where_the_recipe_gives_no_activation_energy_the_adhesives_own_counts(house: House) -> None:
    recipe = Recipe(name="E170", set_point_c=170, band_low_c=165, band_high_c=175, soak_minutes=30)
    glue = Part(number="GLUE-E", kind="adhesive", activation_energy_kj_mol=ENERGY)
    with plant(house, ("recipe", recipe), ("part", glue), *CURED[1:]) as do:
        for batch in (do.batch("GLUE-E"), do.wafer("RD-1")):
            do.mount("Attach", batch)
        panels = do.panels(1)
        lot = do.lot(panels, product="P8")
        run = do.start("Attach", lot, happened_at=at(0))
        do.post(f"/runs/{run}/finish", happened_at=at(10))
        load = cure(do, lot, 120, 90, "end")
        log = "\n".join(["time;A °C", *(f"{at(m)};150" for m in range(110, 230))])
        do.post("/logger_files", station=do.at["Kiln"], files=[("file", ("log.csv", log.encode()))])
        (one,) = do.get(f"/loads/{load}/heat")["heat"][0]["adhesives"]
        assert one["least"] == pytest.approx(90 * exp(-ENERGY * 1000 / R * (1 / 423.15 - 1 / 443.15)))
        assert (one["needed"], one["short"]) == (None, None)


def test_what_is_short_of_heat_is_a_suspect_alone_in_a_span_or_narrowed_to_a_load(house: House) -> None:
    """Two lots of one adhesive: one had 90 minutes of the 150 that are needed, the other 160."""
    with plant(house, *CURED) as do:
        do.mount("Attach", do.wafer("RD-1"))
        do.mount("Attach", do.batch("GLUE"))
        short, well, waiting = (do.lot(do.panels(2), product="P8") for _ in range(3))
        for n, lot in enumerate((short, well, waiting)):
            run = do.start("Attach", lot, happened_at=at(20 * n))
            do.post(f"/runs/{run}/finish", happened_at=at(20 * n + 10))
        loads = [cure(do, short, 120, 90, "end"), cure(do, well, 300, 160, "end")]
        log = "\n".join(["time;A °C", *(f"{at(m)};170" for m in range(110, 480))])
        do.post("/logger_files", station=do.at["Kiln"], files=[("file", ("log.csv", log.encode()))])

        def greatest(**asked: str) -> int:
            return int(do.get(f"/exposure?{urlencode(asked)}")["total"]["greatest"])

        assert greatest(heat="short", since=at(0)) == greatest(suspect=loads[0], heat="short") == greatest(suspect=short, heat="short") == 40
        assert greatest(suspect=loads[1]) == 40, "without the heat it is suspected as it is"
        assert greatest(suspect=loads[1], heat="short") == greatest(suspect=waiting, heat="short") == 0, "enough; and not cured yet"
        assert greatest(heat="short", since=at(250)) == 0
        do.get("/exposure?heat=short", expect=422)
        do.get("/exposure", expect=422)


def test_a_run_does_not_end_before_it_began(house: House) -> None:
    """A stated time may be cut to the minute; an hour too early it is a slip of who wrote it."""
    with plant(house, *CURED) as do:
        do.mount("Attach", do.wafer("RD-1"))
        do.mount("Attach", do.batch("GLUE"))
        run = do.start("Attach", do.lot(do.panels(2), product="P8"), happened_at=at(60))
        refused = do.post(f"/runs/{run}/finish", 422, happened_at=at(0))
        assert refused["kind"] == "bad_input" and "happened_at" in str(refused)
        assert do.post(f"/runs/{run}/finish", happened_at=(T0 + timedelta(minutes=59, seconds=30)).isoformat())["outcome"] == "done"
