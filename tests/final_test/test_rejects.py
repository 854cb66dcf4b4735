"""Rejects are tested again by the test that sorted them out, or scrapped: they go on to no later test and are not called to the taper."""

from typing import Any

import pytest

from app.db import House
from app.errors import Refused
from app.final_test.bins_out import take_bins_out
from app.floor.groups import gather
from app.ledger.runs import Run
from app.naming.resolve import Named
from tests.genealogy.made import made_loose
from tests.small_factory import STEPS, Factory, Route, named_lot

TWO_TESTS = tuple(
    one for step in STEPS for one in ((step.model_copy(update={"key": "first", "name": "first test"}), step) if step.key == "test" else (step,))
)


def sorted_(factory: Factory, loose: Named, **more: Any) -> tuple[Named, Named]:
    """(B1, R) of a test."""
    run = factory.start("Tester", loose, **more)
    bins = {("B1", "prime"): 50, ("R", "reject"): 20}

    def verb(session: Any, by: Any) -> list[Named]:
        made = take_bins_out(session, by, session.get_one(Run, run), bins)
        return [named_lot(session, made[name].item) for name in ("B1", "R")]

    best, reject = factory.do("bin_out", verb)
    return best, reject


def comes_to(house: House, lot: Named) -> tuple[str | None, int]:
    with house.reading() as session:
        return next((group.next_step, group.round) for group in gather(session, [lot]))


def test_rejects_come_to_the_test_that_sorted_them_out_and_to_no_later_one(house: House) -> None:
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=TWO_TESTS)))
    best, reject = sorted_(factory, made_loose(factory)[-1])
    assert (comes_to(house, best), comes_to(house, reject)) == (("test", 1), ("first", 2))
    with pytest.raises(Refused) as refused:
        factory.start("Tester", reject, step="test")
    assert refused.value.kind == "not_next_step"
    run = factory.start("Tester", reject)  # no step is stated
    with house.reading() as session:
        assert session.get_one(Run, run).outcome is None
        assert next(group.next_step for group in gather(session, [reject])) == "first"


def test_rejects_of_the_last_test_are_not_called_to_the_taper(house: House) -> None:
    factory = Factory(house).load()
    best, reject = sorted_(factory, made_loose(factory)[-1])
    assert (comes_to(house, best), comes_to(house, reject)) == (("tape", 1), ("test", 2))
