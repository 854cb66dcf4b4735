"""At an oven without a load the terminal begins one, at rest and beside the question of a cure."""

import re

import pytest
from people.signing_in import person

from app.catalogue.definitions import Recipe
from app.db import House
from app.main import make_app
from app.naming.resolve import Named
from tests.browser.staging import Stage
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
