"""The shift report counts each run once, where it ended, and nothing that was taken back."""

from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import pytest

from app.board.production_day import day_of
from app.board.shift_report import Report, shift_report
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Product, Route
from app.db import House
from app.floor import counting
from app.floor.lots import start_lot
from app.naming.resolve import Named
from tests.board.line import MORE, NOON, STEPS, binned, loose_lot, lot, minutes, run
from tests.small_factory import Factory, named_lot


@pytest.fixture
def factory(house: House) -> Factory:
    steps = tuple(step.model_copy(update={"mixed_products": True}) for step in STEPS)
    routes = [("route", Route(product=product, revision="A", steps=steps)) for product in ("Q", "Q2")]
    product = ("product", Product(part_number="Q2", rows=4, columns=5, roles=()))
    return Factory(house).load(*(one for one in MORE if one[0] != "route"), product, *routes)


def report(factory: Factory, at: datetime) -> Report:
    with factory.house.reading() as session:
        return shift_report(session, day_of(catalogue.site(session), at), at)


def test_a_run_that_lasted_over_a_weekend_is_finished_where_it_ended(factory: Factory) -> None:
    run(factory, "Plasma", lot(factory, 2, NOON - timedelta(hours=80)), NOON - timedelta(hours=63), took=61 * 60)
    assert [(one.step, one.runs, one.panels) for one in report(factory, NOON).finished] == [("plasma clean", 1, 2)]


def test_of_a_run_with_loose_units_no_panel_is_counted(factory: Factory) -> None:
    binned(factory, loose_lot(factory, 2, NOON - timedelta(hours=4)), 40, NOON - timedelta(hours=1))
    assert ("test", 1, 0) in [(one.step, one.runs, one.panels) for one in report(factory, NOON).finished]


def test_a_run_with_lots_of_two_routes_is_one_run(factory: Factory) -> None:
    one, panels = lot(factory, 2, NOON - timedelta(hours=3)), [panel.id for panel in factory.panels(3)]
    other: Named = factory.do("start_lot", lambda s, by: named_lot(s, start_lot(s, by, "Q2", panels).item), happened_at=NOON - timedelta(hours=3))
    number = factory.start("Plasma", one, other, at=NOON - timedelta(hours=2))
    factory.finish(number, at=NOON - minutes(60))
    assert [(found.step, found.runs, found.panels) for found in report(factory, NOON).finished] == [("plasma clean", 1, 5)]


def test_two_steps_of_one_name_are_two_rows_whatever_other_routes_have_between_them(house: House) -> None:
    first, second = STEPS[0], STEPS[0].model_copy(update={"key": "plasma-2"})
    steps = {"Q": (first, second, *STEPS[1:]), "Q2": (first, STEPS[2], second.model_copy(update={"key": "again"}), *STEPS[3:])}
    routes = [("route", Route(product=product, revision="A", steps=steps[product])) for product in steps]
    product = ("product", Product(part_number="Q2", rows=4, columns=5, roles=()))
    factory = Factory(house).load(*(one for one in MORE if one[0] != "route"), product, *routes)
    one, panels = lot(factory, 2, NOON - timedelta(hours=3)), [panel.id for panel in factory.panels(3)]
    other: Named = factory.do("start_lot", lambda s, by: named_lot(s, start_lot(s, by, "Q2", panels).item), happened_at=NOON - timedelta(hours=3))
    for n, (station, thing) in enumerate((("Plasma", one), ("Plasma", one), ("Plasma", other), ("Scope", other), ("Plasma", other))):
        run(factory, station, thing, NOON - minutes(100 - 15 * n))
    assert [(found.step, found.runs, found.panels) for found in report(factory, NOON).finished] == [
        ("plasma clean", 2, 5), ("inspection", 1, 3), ("plasma clean, 2nd on its route", 2, 5),
    ]  # fmt: skip


def test_a_signature_that_was_taken_back_is_no_difference_and_passed_no_gate(factory: Factory) -> None:
    loose = loose_lot(factory, 2)
    count: Any = lambda s, by: counting.count_units(s, by, loose.id, 30, "counter", 0.0).entry.id  # noqa: E731
    factory.do("count_units", count)
    signed = factory.do("sign_difference", lambda s, by: counting.sign_difference(s, by, loose.id, "nobody knows").id)
    assert [units for _, units, _ in report(factory, datetime.now(UTC)).differences] == [10]
    factory.do("correct_count", lambda s, by: counting.correct_count(s, by, signed).id)
    found = report(factory, datetime.now(UTC))
    assert (found.differences, found.overrides) == ((), ())


def test_a_difference_of_frames_names_their_batch(factory: Factory) -> None:
    frames = factory.batch("FRAME")
    for units in (10, 8):
        factory.do("count_units", partial(counting.count_units, item=frames.id, units=units, method="hand", u=0.0))
    factory.do("sign_difference", lambda s, by: counting.sign_difference(s, by, frames.id, "bent").id)
    assert report(factory, datetime.now(UTC)).differences == ((frames.code, 2, "bent"),)
