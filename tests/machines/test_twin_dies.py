"""A lamp with two dies of one wafer in each unit, both placed from the same reel of dies by a step of its own; on a wall clock of half hours."""

from datetime import UTC, datetime

import pytest

from app.catalogue.check import problems
from app.catalogue.definitions import Body, Catalogue, Part, Product, Role, Route, Station, Step
from app.clock import day, now
from app.db import House
from tests.machines.plant import Plant, plant

WHITE = Part(number="WHT", kind="wafer", role="white", more_roles=("white east",), passing_bins=("1",))
LAMP = Product(part_number="LAMP", rows=4, columns=5, roles=(Role(role="white", part="WHT"), Role(role="white east", part="WHT")))
STEPS = (
    Step(key="10", name="place west", operation="die attach", role="white", judged="placements"),
    Step(key="20", name="place east", operation="die attach", role="white east", judged="placements"),
    Step(key="30", name="look", operation="inspect", barrier=True),
    Step(key="40", name="break", operation="singulate"),
)
TWINS: tuple[tuple[str, Body], ...] = (("part", WHITE), ("product", LAMP), ("route", Route(product="LAMP", revision="1", steps=STEPS)))
CELLS = [(row, column) for row in range(1, 5) for column in range(1, 6)]


def place(do: Plant, panel: str, first_row: int, at: datetime | None = None) -> dict[str, object]:
    """A log that takes the dies of one wafer's rows in turn."""
    lines = [f"{(at or now()).isoformat()},WH-1,{n},{first_row},{panel},{row},{column}" for n, (row, column) in enumerate(CELLS)]
    log = "time,wafer,die x,die y,panel,row,column\n" + "\n".join(lines)
    return dict(do.post("/placement_logs", station=do.at["Attach"], files=[("file", ("log.csv", log.encode()))]))


def test_both_dies_of_a_unit_may_be_of_one_wafer(house: House) -> None:
    with plant(house, *TWINS) as do:
        wafer = do.wafer("WH-1", "WHT")
        do.mount("Attach", wafer)
        (panel,) = do.panels(1)
        lot = do.lot([panel], product="LAMP")
        for row in (0, 1):
            do.run("Attach", lot)
            told = place(do, panel, row)
            assert (told["placed"], told["wrong"], told["faults"]) == (20, 0, {})
        dies = do.get(f"/panels/{panel}/cells/2/1")["dies"]
        assert [(one["placed_as"], one["wafer"], one["x"], one["y"]) for one in dies] == [("white", wafer, 5, 0), ("white east", wafer, 5, 1)]
        do.run("Scope", lot)
        units = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        (origin,) = do.get(f"/trace/{units}")["wafers"]
        assert (origin["code"], origin["least"], origin["greatest"]) == (wafer, 20, 20)  # a unit counts once, with one die or two
        region = do.get(f"/exposure?suspect={wafer}&rectangle=0,1,4,1")  # the east dies of the first row of cells
        assert (region["total"]["least"], region["total"]["greatest"]) == (5, 5)
        assert do.findings() == []


@pytest.mark.parametrize("how", ["mark", "scrap", "sample"])
def test_a_cell_that_stayed_empty_is_named_and_once_it_is_out_the_line_is_judged(house: House, how: str) -> None:
    """The wafer ran out at the last cell: the log comes first, and the look at the panel after it."""
    with plant(house, *TWINS) as do:
        do.mount("Attach", do.wafer("WH-1", "WHT"))
        (panel,) = do.panels(1)
        lot = do.lot([panel], product="LAMP")
        run = do.run("Attach", lot)
        lines = [f"{now().isoformat()},WH-1,{n},0,{panel},{row},{column}" for n, (row, column) in enumerate(CELLS[:-1])]
        log = "time,wafer,die x,die y,panel,row,column\n" + "\n".join(lines)
        told = do.post("/placement_logs", station=do.at["Attach"], files=[("file", ("log.csv", log.encode()))])
        assert told["judgements"] == []
        assert [(one["run"], one["cells"]) for one in told["waiting"]] == [(run, [f"{panel}: row 4 column 5"])]
        refused = do.post("/runs", expect=409, station=do.at["Attach"], things=[lot])
        assert refused["kind"] == "judgement_open" and "mark cells that stayed empty" in refused["now"]
        cells = [{"row": 4, "column": 5}]
        if how == "mark":
            do.post(f"/panels/{panel}/marks", cells=cells, reason="missing die")
        elif how == "scrap":
            do.post("/scrap", thing=panel, cells=cells, reason="missing die")
        else:
            do.post("/samples", thing=panel, cells=cells, purpose="cross-section")
        do.start("Attach", lot)
        assert do.findings() == []


@pytest.mark.parametrize("first", ["log", "rest"])
def test_the_rest_of_a_step_that_was_done_when_it_was_interrupted_needs_no_log(house: House, first: str) -> None:
    """A jam at the last die: nobody says what was done, and the station, started again, has nothing to place and writes no log of that."""
    with plant(house, *TWINS) as do:
        do.mount("Attach", do.wafer("WH-1", "WHT"))
        (panel,) = do.panels(1)
        lot = do.lot([panel], product="LAMP")
        run, at = do.start("Attach", lot), now()
        do.post(f"/runs/{run}/interrupt")
        if first == "log":
            place(do, panel, 0, at)
        rest = do.run("Attach", lot)
        if first == "rest":
            assert do.post("/runs", 409, station=do.at["Attach"], things=[lot])["kind"] == "judgement_open"
            place(do, panel, 0, at)
        assert {one["run"] for one in do.get(f"/panels/{panel}")["placed"]} == {run} != {rest}
        do.run("Attach", lot)
        assert do.findings() == []


def test_a_rest_for_which_something_was_left_waits_for_its_log(house: House) -> None:
    with plant(house, *TWINS) as do:
        do.mount("Attach", do.wafer("WH-1", "WHT"))
        one, other = do.panels(2)
        lot = do.lot([one, other], product="LAMP")
        do.post(f"/runs/{do.start('Attach', lot)}/interrupt")
        place(do, one, 0)
        do.run("Attach", lot)
        assert do.post("/runs", 409, station=do.at["Attach"], things=[lot])["kind"] == "judgement_open"
        cells = [{"row": row, "column": column} for row, column in CELLS]
        do.post(f"/panels/{other}/marks", cells=cells, reason="missing die")
        do.run("Attach", lot)
        assert do.findings() == []


def test_a_wafer_that_lies_ready_for_the_next_step_is_no_origin_of_this_one(house: House) -> None:
    """Both wafers are on the placer from the start, and no log has come yet: only the step that places their role may have used them."""
    both = (
        STEPS[0].model_copy(update={"role": "red"}), STEPS[1].model_copy(update={"role": "white", "judged": None}), *STEPS[2:],
    )  # fmt: skip
    lamp = LAMP.model_copy(update={"roles": (Role(role="red", part="WR"), Role(role="white", part="WHT"))})
    with plant(house, ("part", WHITE), ("product", lamp), ("route", Route(product="LAMP", revision="1", steps=both))) as do:
        red, white = do.wafer("WR-1"), do.wafer("WH-1", "WHT")
        do.post(f"/stations/{do.at['Attach']}/mount", item=red, place="left")
        do.post(f"/stations/{do.at['Attach']}/mount", item=white, place="right")
        lot = do.lot(do.panels(1), product="LAMP")
        do.run("Attach", lot)
        assert [row["code"] for row in do.get(f"/trace/{lot}")["wafers"]] == [red]
        assert do.get(f"/exposure?suspect={white}")["total"]["greatest"] == 0
        assert do.findings() == []


def test_a_bag_at_a_station_that_tapes_too_is_no_origin_of_a_reel_that_was_never_bagged(house: House) -> None:
    steps = (STEPS[2], STEPS[3], Step(key="50", name="tape", operation="tape"), Step(key="60", name="bag", operation="dry pack"))
    product = Product(part_number="BARE", rows=4, columns=5, roles=())
    both = Station(name="Both", area="hall", operations=("tape", "dry pack"))
    more: tuple[tuple[str, Body], ...] = (
        ("part", Part(number="BAG", kind="bag")), ("product", product), ("route", Route(product="BARE", revision="1", steps=steps)),
        ("station", both),
    )  # fmt: skip
    with plant(house, *more) as do:
        lot = do.lot(do.panels(1), product="BARE")
        do.run("Scope", lot)
        units = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        tape, bag = do.batch("TAPE"), do.batch("BAG")
        do.mount("Both", tape)
        do.mount("Both", bag)
        pack = do.post("/packs", station=do.at["Both"], parts=[{"lot": units, "units": 20}], size=20, line_clear=True)["pack"]
        assert do.materials(pack) == {tape}
        do.post(f"/packs/{pack}/dry_pack", station=do.at["Both"])
        assert do.materials(pack) == {tape, bag}


def test_a_die_in_a_role_that_its_part_does_not_name_is_told_how(house: House) -> None:
    parts = (WHITE.model_copy(update={"more_roles": ()}),)
    (problem,) = [one for one in problems(Catalogue(parts=parts, products=(LAMP,)), Catalogue()) if one.path[:1] == ("products",)]
    assert "more_roles of WHT" in problem.now


@pytest.mark.parametrize(("zone", "date"), [("America/St_Johns", "2026-10-31"), ("Asia/Kolkata", "2026-11-01")])
def test_a_day_is_the_sites_own(zone: str, date: str) -> None:
    assert day(datetime(2026, 11, 1, 1, 30, tzinfo=UTC), zone) == date


def test_a_panel_gives_no_more_than_it_had_however_often_its_units_part_and_join(house: House) -> None:
    product = Product(part_number="BARE", rows=4, columns=5, roles=())
    with plant(house, ("product", product), ("route", Route(product="BARE", revision="1", steps=STEPS[2:]))) as do:
        panels = do.panels(2)
        lot = do.lot(panels, product="BARE")
        do.run("Scope", lot)
        units = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        parts = [do.post(f"/lots/{units}/split", units=10)["lot"] for _ in range(3)]
        joined = do.post(f"/lots/{units}/merge", others=parts)["lot"]
        back = do.get(f"/trace/{joined}")
        assert [(one["code"], one["least"], one["greatest"]) for one in back["panels"]] == [(panel, 0, 20) for panel in panels]
        (frames,) = (one for one in back["batches"] if "FRAME" in one["words"])
        assert (frames["least"], frames["greatest"]) == (40, 40)
        (forward,) = (one for one in do.get(f"/trace/{panels[0]}?direction=forward")["lots"] if one["code"] == joined)
        assert (forward["least"], forward["greatest"]) == (0, 20)


def test_nothing_is_begun_in_the_name_of_one_who_has_left(house: House) -> None:
    product = Product(part_number="BARE", rows=4, columns=5, roles=())
    with plant(house, ("product", product), ("route", Route(product="BARE", revision="1", steps=STEPS[2:]))) as do:
        badge = do.post("/people", who="administrator", name="Ola", duties=["operate"], password="long enough")["person"]
        lot = do.lot(do.panels(1), product="BARE")
        run = do.start("Scope", lot, person=badge)
        do.post(f"/people/{badge}/change", who="administrator", duties=[])
        do.post(f"/runs/{run}/finish", person=badge)  # it was begun before, and has been done
        start = {"station": do.at["Saw"], "things": [lot], "person": badge}
        refused = do.post("/runs", expect=403, **start)
        assert refused["kind"] == "duty" and "duties have all ended" in refused["detail"]
        do.post(f"/stations/{do.at['Saw']}/attend", expect=403, person=badge)
        do.post("/hand_over", expect=403, from_person=do.signed["signed_by"], to_person=badge)
        do.post("/runs", **start, fact=True)
