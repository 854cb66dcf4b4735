"""Facts of the trade that the example catalogue must agree with: common practice, no source."""

from app.catalogue.example import EXAMPLE
from app.catalogue.file import read_catalogue

CATALOGUE = read_catalogue(EXAMPLE)
CAVITY = next(route for route in CATALOGUE.routes if sum(step.operation == "die attach" for step in route.steps) == 4 and len(route.steps) >= 18)


def test_six_oven_passes_for_the_cavity_package() -> None:
    assert sum(step.operation == "cure" for step in CAVITY.steps) == 6


def test_glue_is_cured_for_about_two_hours_at_170_degrees() -> None:
    recipes = {recipe.name: recipe for recipe in CATALOGUE.recipes}
    glue = [recipes[step.recipe or ""] for step in CAVITY.steps[:8] if step.operation == "cure"]
    assert len(glue) == 4
    for recipe in glue:
        assert recipe.set_point_c == 170
        assert 90 <= recipe.soak_minutes <= 150


def test_a_glue_cure_follows_each_die() -> None:
    kinds = [step.operation for step in CAVITY.steps[:8]]
    assert kinds == ["die attach", "cure"] * 4


def test_rates_of_the_line() -> None:
    """One bonder at 3,000 units an hour with ten wires each: 30,000 wires, 60,000 bonds; 36 of them do two million units a day and more."""
    bonders = [station for station in CATALOGUE.stations if "wire bond" in station.operations]
    assert len(bonders) == 36
    rates = {station.units_per_hour for station in bonders}
    assert rates == {3000}
    wires = 3000 * 10
    assert (wires, 2 * wires) == (30_000, 60_000)
    assert 36 * 3000 * 24 >= 2_000_000
    testers = [station for station in CATALOGUE.stations if "test" in station.operations]
    assert {station.units_per_hour for station in testers} == {36_000}  # ten units a second
    assert len(testers) * 36_000 * 24 >= 2_000_000


def test_reels_hold_4500() -> None:
    assert {product.units_per_reel for product in CATALOGUE.products} == {4500}
