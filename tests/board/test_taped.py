"""What the board expects to be taped: what was known when a day began, what came true, and which tapers do it."""

from datetime import time, timedelta

import pytest
from sqlalchemy import select

from app.board.remembered import Remembered
from app.board.taped import past_at
from app.board.whole import Board, board
from app.catalogue.definitions import Shift, Site
from app.db import House
from app.floor.station_states import set_state
from app.ledger.runs import StationState
from app.packing.fill import Part, fill_pack
from tests.board.line import MORE, NOON, binned, day_of_noon, line, loose_lot, lot
from tests.small_factory import Factory


@pytest.fixture
def factory(house: House) -> Factory:
    return line(house)


def seen(factory: Factory, hours: float = 0) -> Board:
    """So long after noon."""
    with factory.house.reading() as session:
        return board(session, Remembered(), NOON + timedelta(hours=hours))


def test_what_was_told_late_is_no_part_of_what_was_known(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is recorded when it happens, but for the last: it happened before the day, and was recorded at its end."""
    monkeypatch.setattr("app.clock.now", lambda: NOON - timedelta(days=3))
    factory = line(house)
    day = day_of_noon(factory)
    for happened, recorded in ((-2.0, -2.0), (3.0, 3.0), (-1.0, 15.0)):
        at, now = (day.begin + timedelta(hours=hours) for hours in (happened, recorded))
        monkeypatch.setattr("app.clock.now", lambda now=now: now)
        factory.do("set_station_state", lambda s, by: set_state(s, by, factory.things["Oven"], "standby", "no load").id, happened_at=at)
    with factory.house.reading() as session:
        known = past_at(session, day.begin).e
        states = session.scalars(select(StationState.e).order_by(StationState.id)).all()
    assert states[0] <= known < states[1]


def test_of_a_record_that_was_entered_afterwards_most_of_what_had_happened_is_known(factory: Factory) -> None:
    """As the demo's: the catalogue is loaded now, and days are told after it in their order."""
    day = day_of_noon(factory)
    for hours in (-5, -4, -3, -2, 1, 2, 3):
        told = lambda s, by: set_state(s, by, factory.things["Oven"], "standby", "no load").id  # noqa: E731
        factory.do("set_station_state", told, happened_at=day.begin + timedelta(hours=hours))
    with factory.house.reading() as session:
        known, states = past_at(session, day.begin).e, session.scalars(select(StationState.e).order_by(StationState.id)).all()
    assert known == states[3]


def test_what_is_told_late_of_yesterday_counts_in_what_came_true(factory: Factory) -> None:
    memory, now = Remembered(), NOON
    loose = loose_lot(factory, 2)
    bin_lot = binned(factory, loose, 40)

    def truth() -> int:
        with factory.house.reading() as session:
            return board(session, memory, now).yesterday.truth

    assert truth() == 0
    factory.do(
        "fill_pack",
        lambda s, by: fill_pack(s, by, factory.things["Taper"], [Part(bin_lot, 30)], size=30, line_clear=True).item,
        happened_at=NOON - timedelta(hours=20), fact=True,
    )  # fmt: skip
    assert truth() == 30


def test_tapers_without_a_rate_limit_nothing(factory: Factory) -> None:
    """No rate is known of the only taper: what is at it is expected, and not nothing."""
    binned(factory, loose_lot(factory, 2, NOON - timedelta(hours=5)), 40, NOON - timedelta(hours=2))
    found = seen(factory).today
    assert found.per_hour is None
    assert found.forecast.high == 40


def test_on_a_plants_first_day_steps_take_their_standard_time(factory: Factory) -> None:
    """160 minutes to the taper, where the late shift ends at ten in the evening: from six there is time for them, from eight none."""
    lot(factory, 2, NOON)
    assert [seen(factory, hours).today.forecast.high for hours in (6, 8)] == [40, 0]


def test_before_the_first_shift_of_a_day_its_forecast_counts_on_the_tapers(house: House) -> None:
    """At five in the morning no station is up, and the day has sixteen hours of work before it; at eleven at night it has none."""
    site = Site(name="Hall", zone="Europe/Vienna", day_start=time(0), shifts=(Shift(name="long", begins=time(6), ends=time(22)),))
    factory = Factory(house).load(*[(kind, site if kind == "site" else body) for kind, body in MORE])
    binned(factory, loose_lot(factory, 2, NOON - timedelta(hours=20)), 40, NOON - timedelta(hours=12))
    early, night = (seen(factory, hours).today.forecast.high for hours in (-7, 11))
    assert (early, night) == (40, 0)
