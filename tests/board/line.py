"""A short line for tests of the board: product Q on plasma, bond, look, cut, test, tape, without material; and verbs that say when."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from app.board.production_day import Span, the_day
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Body, Order, Product, Record, Route, Shift, Site, Step, Window
from app.final_test.bins_out import take_bins_out
from app.final_test.singulate import singulate
from app.floor.lots import start_lot
from app.ledger.runs import Run
from app.naming.resolve import Named
from app.packing import fill
from tests.small_factory import Factory, named_lot, named_pack

STEPS = (
    Step(key="plasma", name="plasma clean", operation="plasma clean", standard_minutes=20),
    Step(
        key="bond", name="wire bond", operation="wire bond", standard_minutes=60, judged="readings",
        records=(Record(name="pull", unit="gf", low=3.0),),
    ),
    Step(key="look", name="inspection", operation="inspect", standard_minutes=30, barrier=True),
    Step(key="cut", name="singulate", operation="singulate", standard_minutes=30),
    Step(key="test", name="test", operation="test", standard_minutes=20),
    Step(key="tape", name="tape", operation="tape", standard_minutes=25),
)  # fmt: skip
DUE = date(2026, 3, 6)
MORE: tuple[tuple[str, Body], ...] = (
    ("product", Product(part_number="Q", rows=4, columns=5, roles=(), units_per_reel=30)),
    ("route", Route(product="Q", revision="A", steps=STEPS, windows=(Window(from_step="plasma", to_step="bond", max_minutes=240),))),
    ("order", Order(number="5001", customer="Arden Lights", product="Q", units=4000, due=DUE)),
    (
        "site",
        Site(
            name="Hall", zone="Europe/Vienna", day_start=time(6),
            shifts=(Shift(name="early", begins=time(6), ends=time(14)), Shift(name="late", begins=time(14), ends=time(22))),
        ),
    ),
)  # fmt: skip
NOON = datetime(2026, 3, 4, 11, 0, tzinfo=UTC)  # in Vienna, on a Wednesday


def line(house: Any) -> Factory:
    return Factory(house).load(*MORE)


def minutes(n: float) -> timedelta:
    return timedelta(minutes=n)


def lot(factory: Factory, panels: int, at: datetime | None = None, order: str | None = "5001") -> Named:
    ids = [panel.id for panel in factory.panels(panels)]
    return factory.do("start_lot", lambda s, by: named_lot(s, start_lot(s, by, "Q", ids, order=order).item), happened_at=at)


def run(factory: Factory, station: str, thing: Named, at: datetime | None = None, took: float = 10, **values: float) -> None:
    number = factory.start(station, thing, at=at)
    factory.finish(number, at=at + minutes(took) if at else None, **values)


def cut(factory: Factory, panel_lot: Named, at: datetime | None = None) -> Named:
    """From before the saw to a loose lot."""
    saw = factory.start("Saw", panel_lot, at=at)
    return factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item), happened_at=at)


def binned(factory: Factory, loose: Named, units: int, at: datetime | None = None, grade: str = "prime") -> Named:
    test = factory.start("Tester", loose, at=at)
    bins = {("B1", grade): units}
    return factory.do("bin_out", lambda s, by: named_lot(s, take_bins_out(s, by, s.get_one(Run, test), bins)["B1"].item), happened_at=at)


def reel(factory: Factory, loose: Named, units: int, at: datetime | None = None) -> Named:
    taper, parts = factory.things["Taper"], [fill.Part(loose, units)]
    made = lambda s, by: named_pack(s, fill.fill_pack(s, by, taper, parts, size=units, line_clear=True).item)  # noqa: E731
    return factory.do("fill_pack", made, happened_at=at)


def loose_lot(factory: Factory, panels: int, begin: datetime | None = None, order: str | None = "5001") -> Named:
    """A lot of so many panels (20 cells each), singulated."""

    def at(n: float) -> datetime | None:
        return begin + minutes(n) if begin else None

    one = lot(factory, panels, begin, order)
    run(factory, "Plasma", one, at(10))
    run(factory, "Bond 1", one, at(30), pull=5.0)
    run(factory, "Scope", one, at(50))
    return cut(factory, one, at(70))


def day_of_noon(factory: Factory) -> Span:
    with factory.house.reading() as session:
        return the_day(catalogue.site(session), NOON.date())
