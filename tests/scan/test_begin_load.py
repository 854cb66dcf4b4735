"""At an oven without a load the terminal begins one, at rest and beside the question of a cure."""

import re

import pytest

from app.catalogue.definitions import Recipe, Station
from app.db import House
from app.errors import Refused
from app.main import make_app
from app.naming.resolve import Named
from tests.browser.staging import Stage
from tests.people.signing_in import person
from tests.scan.test_terminal_pages import Screen
from tests.small_factory import Factory

C150 = ("recipe", Recipe(name="C150", set_point_c=150, band_low_c=145, band_high_c=155, soak_minutes=60))


@pytest.fixture
def stage(house: House) -> Stage:
    return Stage(Factory(house).load())


@pytest.fixture
def ola(stage: Stage, house: House) -> Screen:
    return Screen(make_app(house.settings, house), person(house, "Ola", "operate"))


def test_a_load_is_begun_with_one_touch_where_there_is_one_recipe(stage: Stage, ola: Screen) -> None:
    oven = stage.station("Oven")
    assert "No load is being filled" in ola.get(f"/floor?station={oven}")
    ola.send("/loads")
    assert re.fullmatch(r"Load \S+: being filled", ola.heading) and "Oven, recipe C170" in ola.page
    again = ola.get(f"/floor?station={oven}")
    assert "Fill or start" in again and 'action="/loads"' not in again, "the load that is being filled is the one to go on with"


def glued(stage: Stage) -> Named:
    """A lot that is to be cured next."""
    stage.factory.mount("Attach", stage.factory.batch("GLUE"), stage.factory.wafer())
    lot = stage.factory.lot(stage.factory.panels(1))
    stage.factory.run("Attach", lot)
    return lot


def test_of_several_recipes_one_is_chosen(house: House) -> None:
    stage = Stage(Factory(house).load(C150))
    ola = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    page = ola.get(f"/floor?station={stage.station('Oven')}")
    assert re.findall(r"<option>(\w+)", page) == ["C150", "C170"]
    ola.send("/loads", recipe="C150")
    assert "Oven, recipe C150" in ola.page


def test_a_cure_that_is_asked_about_offers_a_load_for_its_recipe(house: House) -> None:
    stage = Stage(Factory(house).load(C150))
    ola = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    lot = glued(stage)
    ola.get(f"/floor?station={stage.station('Oven')}&ask={lot.code}")
    assert ola.heading == f"Start cure 1 on {lot.code}?" and "Not alone: begin a load, C170" in ola.page and "C150" not in ola.page
    ola.send("/loads")
    assert "Oven, recipe C170" in ola.page


def test_at_an_oven_that_runs_the_next_load_is_folded_away_below_what_comes_first(house: House) -> None:
    """It opens without script."""
    stage = Stage(Factory(house).load(C150))
    ola = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    lot = glued(stage)
    oven = stage.station("Oven")
    assert "<details" not in ola.get(f"/floor?station={oven}").partition("My stations")[0].partition("<main")[2]
    stage.factory.start("Oven", lot)
    page = ola.get(f"/floor?station={oven}")
    folded = re.search(r'<details class="next"><summary>Begin the next load</summary>(.*?)</details>', page, re.S)
    assert folded is not None and 'action="/loads"' in folded[1] and page.count('action="/loads"') == 1
    assert page.index("Jam, refill") < folded.start() < page.index("My stations")
    ola.send("/loads", recipe="C150")
    assert "Oven, recipe C150" in ola.page


def test_no_other_station_begins_a_load(stage: Stage, ola: Screen) -> None:
    assert 'action="/loads"' not in ola.get(f"/floor?station={stage.station('Attach')}")


def test_what_lies_in_a_load_is_started_with_it_and_never_alone(house: House) -> None:
    """Alone it was let start, and the load could not start any more: with something in it that was in work."""
    stage = Stage(Factory(house).load(("station", Station(name="Oven 2", area="hall", operations=("cure",)))))
    ola = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    lot, oven, other = glued(stage), stage.station("Oven"), stage.station("Oven 2")
    ola.get(f"/floor?station={oven}")
    ola.send("/loads")
    load = ola.heading.removeprefix("Load ").removesuffix(": being filled")
    ola.send(f"/loads/{load}/put", thing=lot.code, shelf="1")
    ola.get(f"/floor?station={oven}")
    ola.scan(lot.code)
    assert ola.heading == f"Load {load}: being filled", "at its own oven the scan leads to it"
    ola.get(f"/floor?station={other}")
    ola.scan(lot.code)
    assert ola.heading.startswith(f"Stop. {lot.code} may not start cure 1 at Oven 2.")
    assert f"on shelf 1 of load {load} at Oven." in text(ola) and "Start that load, or take them out of it first." in ola.page
    with pytest.raises(Refused, match="on shelf 1 of load"):
        stage.factory.start("Oven", lot)
    ola.get(f"/loads/{load}")
    ola.send(f"/loads/{load}/start")
    assert ola.heading == f"Load {load}: running"


def test_whoever_finishes_a_load_by_one_of_its_lots_is_told_of_the_others(house: House) -> None:
    """All of the run ends with it, and one lot alone was named."""
    stage = Stage(Factory(house).load())
    ola = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    lots, oven = [glued(stage), *(stage.factory.lot(stage.factory.panels(1)) for _ in range(2))], stage.station("Oven")
    stage.factory.run("Attach", lots[1])
    stage.factory.run("Attach", lots[2])
    ola.get(f"/floor?station={oven}")
    ola.send("/loads")
    load = ola.heading.removeprefix("Load ").removesuffix(": being filled")
    for lot in lots:
        ola.send(f"/loads/{load}/put", thing=lot.code, shelf="1")
    ola.send(f"/loads/{load}/start")
    ola.get(f"/floor?station={oven}")
    ola.scan(lots[1].code)
    assert ola.heading == f"Finish cure 1 on {lots[1].code} and 2 other lots?"
    assert f"All of load {load}: with it {lots[0].code}, {lots[2].code}." in text(ola)
    ola.scan(oven)
    assert ola.said == f"Finished cure 1 on {lots[1].code} and 2 other lots."


def text(screen: Screen) -> str:
    return " ".join(re.sub(r"<[^>]+>", "", screen.page).split())


def test_a_lot_that_is_scanned_twice_into_a_load_is_there_already_which_is_no_refusal(stage: Stage, ola: Screen) -> None:
    lot, oven = glued(stage), stage.station("Oven")
    ola.get(f"/floor?station={oven}")
    ola.send("/loads")
    load = ola.heading.split(":")[0].removeprefix("Load ")
    for _ in range(2):
        ola.send(f"/loads/{load}/put", thing=lot.code, shelf="1")
    assert (ola.said, ola.heading) == (f"{lot.code} is on shelf 1 already.", f"Load {load}: being filled")
    ola.send(f"/loads/{load}/put", thing=lot.code, shelf="2")
    assert f"It is on shelf 1 of load {load} already." in ola.page and "Stop." in ola.heading
