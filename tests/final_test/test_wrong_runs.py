"""A run ends as what it is: only the step at which units become loose makes them loose, and only a test has bins."""

import pytest

from app.db import House
from app.errors import Refused
from app.final_test.bins_out import take_bins_out
from app.final_test.singulate import singulate
from app.ledger.runs import Run
from tests.genealogy.made import made_loose
from tests.small_factory import STEPS, Factory, Route, Station, Step


def test_only_a_saw_makes_loose(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    run = factory.start("Attach", factory.lot(factory.panels(1)))
    with pytest.raises(Refused, match="made loose") as caught:
        factory.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, run)).item)
    assert caught.value.kind == "not_next_step"
    factory.finish(run)


def test_outside_work_before_the_saw_makes_nothing_loose(house: House) -> None:
    plate = Step(key="plate", name="plate", operation="outside work")
    route = Route(product="P1", revision="B", steps=(plate, *(step for step in STEPS if step.operation in ("inspect", "singulate"))))
    factory = Factory(house).load(("route", route), ("station", Station(name="Firm", area="away", operations=("outside work",))))
    run = factory.start("Firm", factory.lot(factory.panels(1)))
    with pytest.raises(Refused, match="made loose") as caught:
        factory.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, run)).item)
    assert "units become loose at step" in caught.value.reasons[0].why
    factory.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, run)).item, fact=True)


def test_a_test_makes_bins_and_nothing_loose(house: House) -> None:
    factory = Factory(house).load()
    *_, loose = made_loose(factory, 1)
    run = factory.start("Tester", loose)
    with pytest.raises(Refused, match="made loose"):
        factory.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, run)).item)
    factory.do("bin_out", lambda s, by: len(take_bins_out(s, by, s.get_one(Run, run), {("B1", "prime"): 20})))
