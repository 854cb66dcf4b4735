"""What a station is and was, by SEMI E10's six states: from what was said and what ran."""

from datetime import UTC, datetime, time, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app import clock
from app.catalogue.definitions import STATION_STATES, Shift, Site
from app.db import House
from app.errors import Refused
from app.floor.station_spells import Said, spells_between, time_by_state, unworked_between
from app.floor.station_states import Now, set_state, spells, states_now
from app.floor.voids import void_run
from app.ledger.runs import Run
from tests.small_factory import Factory

SIX = datetime(2026, 3, 2, 6, tzinfo=UTC)


def at(hour: float) -> datetime:
    return SIX + timedelta(hours=hour)


def told(said: list[tuple[str, float]], runs: list[tuple[float, float | None]], unworked: list[tuple[float, float]] | None = None) -> str:
    """The states of a shift of eight hours as "standby 0-2, productive 2-8"."""
    found = spells_between(
        [Said(state, "because", at(since)) for state, since in said],
        [(at(a), None if b is None else at(b)) for a, b in runs],
        [(at(a), at(b)) for a, b in unworked or []], at(0), at(8),
    )  # fmt: skip
    return ", ".join(f"{one.state} {(one.begin - SIX) / timedelta(hours=1):g}-{(one.end - SIX) / timedelta(hours=1):g}" for one in found)


@pytest.mark.parametrize(("said", "runs", "unworked", "expected"), [
    ([], [], [], "standby 0-8"),
    ([], [(2, 4), (4, 5)], [], "standby 0-2, productive 2-5, standby 5-8"),
    ([], [(-3, 1), (7, None)], [], "productive 0-1, standby 1-7, productive 7-8"),
    ([], [(2, 5), (3, 4)], [], "standby 0-2, productive 2-5, standby 5-8"),  # two at once, one inside the other
    ([("unscheduled_down", 3)], [(2, 5)], [], "standby 0-2, productive 2-3, unscheduled_down 3-8"),  # a jam in mid-run
    ([("unscheduled_down", 3), ("productive", 4)], [(2, 5)], [], "standby 0-2, productive 2-3, unscheduled_down 3-4, productive 4-5, standby 5-8"),
    ([("standby", 3)], [(2, 5), (6, 7)], [], "standby 0-2, productive 2-3, standby 3-6, productive 6-7, standby 7-8"),
    ([("engineering", -1), ("productive", 1)], [(0, 2)], [], "engineering 0-1, productive 1-2, standby 2-8"),
    ([], [(1, 3)], [(0, 2), (6, 8)], "non_scheduled 0-1, productive 1-3, standby 3-6, non_scheduled 6-8"),
    ([("scheduled_down", 5)], [], [(4, 8)], "standby 0-4, non_scheduled 4-5, scheduled_down 5-8"),
])  # fmt: skip
def test_what_a_station_was(
    said: list[tuple[str, float]], runs: list[tuple[float, float | None]], unworked: list[tuple[float, float]], expected: str
) -> None:
    assert told(said, runs, unworked) == expected


@given(
    st.lists(st.tuples(st.sampled_from(STATION_STATES), st.floats(-2, 10))),
    st.lists(st.tuples(st.floats(-2, 10), st.floats(0, 3))),
)
def test_spells_leave_no_gap_and_never_overlap(said: list[tuple[str, float]], runs: list[tuple[float, float]]) -> None:
    words = [Said(state, "r", at(since)) for state, since in sorted(said, key=lambda one: one[1])]
    found = spells_between(words, [(at(a), at(a + long)) for a, long in runs], [], at(0), at(8))
    assert [found[0].begin, found[-1].end] == [at(0), at(8)]
    assert all(
        one.end == other.begin and (one.state, one.reason) != (other.state, other.reason) for one, other in pairwise(found)
    )
    assert sum(time_by_state(found).values(), timedelta()) == timedelta(hours=8)


def test_what_no_shift_covers_is_not_worked_also_where_the_clock_is_changed() -> None:
    site = Site(
        name="Hall",
        zone="Europe/Berlin",
        shifts=(Shift(name="late", begins=time(22), ends=time(6)), Shift(name="early", begins=time(6), ends=time(14))),
    )
    day = datetime(2026, 3, 29, tzinfo=UTC)  # summer time begins there on this day at 01:00 UTC
    assert unworked_between(site, day - timedelta(hours=12), day + timedelta(hours=24)) == [
        (day - timedelta(hours=11), day - timedelta(hours=3)), (day + timedelta(hours=12), day + timedelta(hours=20)),
    ]  # fmt: skip
    assert unworked_between(Site(name="Hall", zone="UTC"), day, day + timedelta(days=1)) == []


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


def say(factory: Factory, station: str, state: str, when: datetime | None = None) -> None:
    factory.do("set_station_state", lambda s, by: set_state(s, by, factory.things[station], state, "a jam").id, happened_at=when)


def now(factory: Factory, station: str) -> str:
    with factory.house.reading() as session:
        return states_now(session, [factory.things[station]])[factory.things[station]].state


def test_a_station_is_what_runs_there_until_somebody_says_otherwise(factory: Factory) -> None:
    assert now(factory, "Attach") == "standby"
    run = factory.start("Attach", factory.lot(factory.panels(2)))
    assert now(factory, "Attach") == "productive"
    say(factory, "Attach", "unscheduled_down")
    assert now(factory, "Attach") == "unscheduled_down"
    with pytest.raises(Refused, match=r"is down \(unscheduled downtime\): a jam"):
        factory.start("Attach", factory.lot(factory.panels(2)))
    say(factory, "Attach", "productive")
    assert now(factory, "Attach") == "productive"
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "the wrong lot"))
    assert now(factory, "Attach") == "standby", "a voided run never ran"


def test_what_is_told_late_takes_its_place_in_time_and_changes_nothing_now(factory: Factory) -> None:
    station = factory.things["Saw"]
    say(factory, "Saw", "standby", at(4))
    say(factory, "Saw", "unscheduled_down", at(2))
    with factory.house.reading() as session:
        found = spells(session, [station, factory.things["Oven"]], at(0), at(6))
    assert [(one.state, one.begin, one.end) for one in found[station]] == [
        ("standby", at(0), at(2)), ("unscheduled_down", at(2), at(4)), ("standby", at(4), at(6)),
    ]  # fmt: skip
    assert [one.state for one in found[factory.things["Oven"]]] == ["standby"]
    assert now(factory, "Saw") == "standby"


def test_the_state_at_the_beginning_is_the_last_that_was_said_before(factory: Factory) -> None:
    say(factory, "Saw", "engineering", at(-300))
    say(factory, "Saw", "scheduled_down", at(-200))
    with factory.house.reading() as session:
        found = spells(session, [factory.things["Saw"]], at(0), at(6))[factory.things["Saw"]]
    assert [(one.state, one.reason) for one in found] == [("scheduled_down", "a jam")]


def test_since_when_it_is_so_is_found_as_far_back_as_a_day_and_a_said_standby_ends_with_any_run_since(factory: Factory) -> None:
    station = factory.things["Attach"]
    say(factory, "Attach", "standby", clock.now() - timedelta(days=3))
    run = factory.run("Attach", factory.lot(factory.panels(2)))
    with factory.house.reading() as session:
        ended = session.get_one(Run, run).ended_at
        assert ended is not None
        for minutes in (1, 60, 23 * 60):
            assert states_now(session, [station], ended + timedelta(minutes=minutes))[station] == Now("standby", "", ended)
        assert states_now(session, [station], ended + timedelta(days=2))[station] == Now("standby", "", None)


def test_a_state_needs_to_be_one_of_the_six_and_a_reason(factory: Factory) -> None:
    for state, reason in (("asleep", "r"), ("standby", " ")):
        with pytest.raises(Refused):
            factory.do("set_station_state", lambda s, by, state=state, reason=reason: set_state(s, by, factory.things["Saw"], state, reason).id)
