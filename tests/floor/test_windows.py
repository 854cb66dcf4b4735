"""What a start is told of time windows."""

from datetime import UTC, datetime, timedelta

import pytest

from app.catalogue.definitions import Product, Route, Step, Window
from app.db import House
from app.errors import Refused
from tests.small_factory import PRODUCT, Factory

NOW = datetime.now(UTC)
STEPS = (
    Step(key="a", name="plasma {0} {gas}", operation="plasma clean"), Step(key="b", name="look", operation="inspect"),
    Step(key="c", name="cut", operation="singulate"),
)  # fmt: skip
ROUTE = Route(
    product="P2", revision="A", steps=STEPS,
    windows=(Window(from_step="a", to_step="b", max_minutes=60), Window(from_step="b", to_step="c", min_minutes=30)),
)  # fmt: skip


def test_a_step_may_have_braces_in_its_name(house: House) -> None:
    factory = Factory(house).load(("product", Product(**(PRODUCT.model_dump() | {"part_number": "P2"}))), ("route", ROUTE))
    wanted = factory.panels(4)
    late, early = factory.lot(wanted[:2], product="P2"), factory.lot(wanted[2:], product="P2")
    for lot, before in ((late, timedelta(hours=3)), (early, timedelta(minutes=50))):
        run = factory.start("Plasma", lot, at=NOW - before)
        factory.finish(run, at=NOW - before + timedelta(minutes=5))
    with pytest.raises(Refused) as refused:
        factory.start("Scope", late, at=NOW)
    codes = ", ".join(panel.code for panel in wanted[:2])
    assert [reason.why for reason in refused.value.reasons] == [f"The time window after plasma {{0}} {{gas}} has run out for {codes}."]
    run = factory.start("Scope", early, at=NOW - timedelta(minutes=10))
    factory.finish(run, at=NOW)
    with pytest.raises(Refused) as refused:
        factory.start("Saw", early, at=NOW + timedelta(minutes=1))
    (reason,) = refused.value.reasons
    assert reason.kind == "window_early"
    assert reason.why.startswith(", ".join(panel.code for panel in wanted[2:]) + " must wait after look until ")
