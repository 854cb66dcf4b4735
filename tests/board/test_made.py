"""What stations made: units where their run ended, however long it lasted, whatever was changed over in it, and of loose lots and packs too."""

from datetime import datetime, timedelta

import pytest

from app.board.effectiveness import Output
from app.board.made import stations_made
from app.board.production_day import day_of
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Body, Route, Station, Step
from app.db import House
from app.floor.change_overs import change_over
from app.floor.ends import Said
from app.floor.scrap import scrap_units
from app.ledger.items import Pack
from app.ledger.sets import panels_of_lot
from app.packing.dry import seal_pack
from app.packing.fill import Part, close_pack, fill_more, fill_pack
from tests.board.line import MORE, NOON, STEPS, binned, cut, loose_lot, lot, reel, run
from tests.small_factory import Factory, named_pack

RATED = {"Plasma": "plasma clean", "Bond 1": "wire bond", "Bath": "clean", "Tester": "test", "Taper": "tape", "Bagger": "dry pack"}
WASHED = (*STEPS[:4], Step(key="wash", name="wash", operation="clean"), *STEPS[4:], Step(key="dry", name="dry pack", operation="dry pack"))


@pytest.fixture
def factory(house: House, monkeypatch: pytest.MonkeyPatch) -> Factory:
    rated: list[tuple[str, Body]] = [
        ("station", Station(name=name, area="hall", operations=(does,), units_per_hour=100))  # type: ignore[arg-type]
        for name, does in RATED.items()
    ]
    monkeypatch.setattr("tests.small_factory.STATIONS", {"Scope": "inspect", "Saw": "singulate"})
    more = [(kind, Route(product="Q", revision="A", steps=WASHED) if kind == "route" else body) for kind, body in MORE]
    return Factory(house).load(*more, *rated)


def made(factory: Factory, station: str, at: datetime = NOON) -> Output:
    with factory.house.reading() as session:
        day = day_of(catalogue.site(session), at)
        return next(one.output for one in stations_made(session, day.begin, day.end) if one.name == station)


def hours(n: float) -> timedelta:
    return timedelta(hours=n)


def test_a_run_that_lasted_over_a_weekend_counts_where_it_ended(factory: Factory) -> None:
    run(factory, "Plasma", lot(factory, 2, NOON - hours(80)), NOON - hours(63), took=61 * 60)
    assert made(factory, "Plasma").made == 40


def test_what_came_after_a_change_of_material_was_made_as_well(factory: Factory) -> None:
    factory.mount("Bond 1", factory.batch("AU20"))
    one, other = lot(factory, 4, NOON - hours(5)), factory.batch("AU20")
    run(factory, "Plasma", one, NOON - hours(4))
    number = factory.start("Bond 1", one, at=NOON - hours(3))
    with factory.house.reading() as session:
        said = Said(done=panels_of_lot(session, one.id)[:1], in_work=[])
    bonder = factory.things["Bond 1"]
    factory.do("change_over", lambda s, by: len(change_over(s, by, bonder, other, None, said)), happened_at=NOON - hours(2))
    factory.finish(number, at=NOON - hours(1), pull=5.0)
    assert made(factory, "Bond 1").made == 80


def test_a_loose_lot_and_a_pack_were_made_as_they_were_when_the_run_began(factory: Factory) -> None:
    one = lot(factory, 4, NOON - hours(9))
    for station, values in (("Plasma", {}), ("Bond 1", {"pull": 5.0}), ("Scope", {})):
        run(factory, station, one, NOON - hours(8), **values)
    loose = cut(factory, one, NOON - hours(7))
    factory.do("scrap", lambda s, by: scrap_units(s, by, loose.id, 3, "dropped"), happened_at=NOON - hours(6))
    number = factory.start("Bath", loose, at=NOON - hours(5))
    factory.do("scrap", lambda s, by: scrap_units(s, by, loose.id, 2, "dropped", run=number), happened_at=NOON - hours(5))
    factory.finish(number, at=NOON - hours(4))
    assert made(factory, "Bath") == Output(77, 75, 0.77)
    pack = reel(factory, binned(factory, loose, 70, NOON - hours(3)), 30, NOON - hours(2))
    factory.do("seal_pack", lambda s, by: seal_pack(s, by, factory.things["Bagger"], pack).pack.item, happened_at=NOON - hours(1))
    assert made(factory, "Bagger") == Output(30, 30, 0.3)
    assert made(factory, "Tester") == Output(70, 70, 0.7), "by the units that went into bins, and once"


def test_a_reel_was_made_with_all_that_was_taped_into_it_by_and_by(factory: Factory) -> None:
    loose = loose_lot(factory, 2, NOON - hours(6))
    run(factory, "Bath", loose, NOON - hours(4))
    loose = binned(factory, loose, 40, NOON - hours(3))
    taper = factory.things["Taper"]
    pack = factory.do(
        "fill_pack",
        lambda s, by: named_pack(s, fill_pack(s, by, taper, [Part(loose, 12)], size=30, line_clear=True, close=False).item),
        happened_at=NOON - hours(2),
    )
    factory.do("fill_pack", lambda s, by: fill_more(s, by, s.get_one(Pack, pack.id), [Part(loose, 18)]), happened_at=NOON - hours(2))
    factory.do("close_pack", lambda s, by: close_pack(s, by, s.get_one(Pack, pack.id)).item, happened_at=NOON - hours(1))
    assert made(factory, "Taper") == Output(30, 30, 0.3)
