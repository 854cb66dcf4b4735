"""Where units leave their cells, by the operations of a route alone."""

import pytest

from app.catalogue.definitions import Route, Step
from app.catalogue.route_rules import loose_begins, mixing_key, steps_of_lot


def of(operations: list[str]) -> Route:
    steps = [Step.model_validate({"key": str(i), "name": f"Step {i}", "operation": one}) for i, one in enumerate(operations)]
    return Route(product="LF", revision="A", steps=tuple(steps))


@pytest.mark.parametrize(
    ("operations", "key", "loose"),
    [
        (["inspect", "singulate", "test"], "1", ["2"]),
        (["outside work", "inspect", "singulate", "test"], "2", ["3"]),  # with a saw of our own, what is done outside leaves panels whole
        (["inspect", "outside work", "test", "tape"], "1", ["2", "3"]),
        (["singulate"], "0", []),
        (["inspect", "cure"], "", []),
    ],
)
def test_units_mix_at_singulation_or_else_at_outside_work(operations: list[str], key: str, loose: list[str]) -> None:
    route = of(operations)
    assert mixing_key(route) == key
    assert [step.key for step in steps_of_lot(route, "loose")] == loose == [step.key for step in route.steps[loose_begins(route) :]]
    assert steps_of_lot(route, "panel") == route.steps
