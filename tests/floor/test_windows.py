"""What a start is told of time windows."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from app.catalogue.definitions import Product, Route, Step, Window
from app.db import House
from app.errors import Refused
from app.ledger.runs import Line
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


def test_panels_that_were_repeated_unlike_get_a_line_for_each_round(house: House) -> None:
    often = ROUTE.model_copy(update={"windows": (Window(from_step="a", to_step="b", max_minutes=60, repeats=2),)})
    factory = Factory(house).load(("product", Product(**(PRODUCT.model_dump() | {"part_number": "P2"}))), ("route", often))
    wanted = factory.panels(4)
    lot, some = factory.lot(wanted, product="P2"), [panel.id for panel in wanted[:1]]
    for hours, only in ((9, None), (6, some), (3, None)):
        run = factory.start("Plasma", lot, at=NOW - timedelta(hours=hours), only=only)
        factory.finish(run, at=NOW - timedelta(hours=hours) + timedelta(minutes=5))
    with house.reading() as session:
        rounds = session.execute(select(Line.round, Line.units).where(Line.run == run).order_by(Line.round)).all()
    assert [tuple(row) for row in rounds] == [(2, 60), (3, 20)]
