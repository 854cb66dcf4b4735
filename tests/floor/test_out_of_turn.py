"""Facts that were entered after what by time came later: what a trace can't tell rightly any more is held."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from app import clock
from app.catalogue.definitions import Body, Product, Route, Station, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="cut", operation="singulate"),
    Step(key="wash", name="wash", operation="clean"),
    Step(key="dry", name="dry", operation="clean"),
    Step(key="test", name="test", operation="test"),
)
WASHED: tuple[tuple[str, Body], ...] = (
    ("product", Product(part_number="WASHED", rows=4, columns=5, roles=(), bin_table="B")),
    ("route", Route(product="WASHED", revision="1", steps=STEPS)), ("station", Station(name="Bench", area="hall", operations=("clean",))),
)  # fmt: skip


class Afternoon:
    """Long ago; every call says its minute. All begins at minute -60, and two loose lots are there by -50."""

    def __init__(self, do: Plant) -> None:
        self.do, self.begin = do, clock.now() - timedelta(days=2)
        frames = self.post(-60, "/batches", part="FRAME")["batch"]
        self.panels = [self.post(-60, "/panels", frames=frames, count=1)["panels"][0] for _ in range(3)]
        self.lots = [self.post(-60, "/lots", product="WASHED", panels=[panel])["lot"] for panel in self.panels]
        self.loose = [self.cut(lot) for lot in self.lots[:2]]

    def post(self, minute: int, path: str, **body: Any) -> Any:
        return self.do.post(path, happened_at=(self.begin + timedelta(minutes=minute)).isoformat(), **body)

    def run(self, minute: int, station: str, thing: str, *, fact: bool = False) -> str:
        """From the minute to nine minutes later. Answers what the run was over."""
        run = self.post(minute, "/runs", station=self.do.at[station], things=[thing], line_clear=True, fact=fact)
        self.post(minute + 9, f"/runs/{run['run']}/finish", fact=fact)
        return str(run["lines"][0]["item"])

    def cut(self, lot: str) -> str:
        self.run(-59, "Scope", lot)
        run = self.post(-50, "/runs", station=self.do.at["Saw"], things=[lot])["run"]
        return str(self.post(-50, f"/runs/{run}/singulate")["lot"])

    def is_stopped(self, thing: str) -> bool:
        return bool(self.do.get(f"/stops/{thing}")["stopped"])


@pytest.fixture
def day(house: House) -> Iterator[Afternoon]:
    with plant(house, *WASHED) as do:
        yield Afternoon(do)
        assert do.findings() == []


def test_what_left_a_lot_before_it_was_told_what_had_come_into_it_is_held(day: Afternoon) -> None:
    first, second = day.loose
    early, late = (day.post(minute, f"/lots/{first}/split", units=4)["lot"] for minute in (10, 30))
    day.post(20, f"/lots/{first}/merge", others=[second], fact=True)
    assert (day.is_stopped(early), day.is_stopped(late)) == (False, True)


def test_what_came_into_a_lot_is_held_where_later_work_on_it_was_told_before(day: Afternoon) -> None:
    first, second = day.loose
    day.run(30, "Bench", first)
    day.run(30, "Bench", second)
    assert day.is_stopped(day.post(20, f"/lots/{first}/merge", others=[second], fact=True)["lot"])


def test_what_left_a_lot_before_earlier_work_on_it_was_told_is_held(day: Afternoon) -> None:
    early, late = (day.post(minute, f"/lots/{day.loose[0]}/split", units=4)["lot"] for minute in (1, 30))
    rest = day.run(10, "Bench", day.loose[0], fact=True)
    assert [day.is_stopped(lot) for lot in (early, late, rest)] == [False, True, False]


def test_a_part_that_left_before_work_that_was_told_before_is_held(day: Afternoon) -> None:
    lot = day.loose[0]
    day.run(10, "Bench", lot)
    assert day.is_stopped(day.post(5, f"/lots/{lot}/split", units=4, fact=True)["lot"])
    assert not day.is_stopped(day.post(30, f"/lots/{lot}/split", units=4, fact=True)["lot"])


def test_cells_that_were_taken_before_work_that_was_told_before_are_held(day: Afternoon) -> None:
    lot, panel = day.lots[2], day.panels[2]
    day.run(10, "Scope", lot)

    def sample(minute: int, column: int) -> str:
        cells = [{"row": 1, "column": column}]
        return str(day.post(minute, "/samples", thing=panel, cells=cells, purpose="pull test", kept=True, fact=True)["sample"])

    assert (day.is_stopped(sample(5, 1)), day.is_stopped(sample(30, 2))) == (True, False)


def test_what_is_told_in_turn_holds_nothing(day: Afternoon) -> None:
    first, second = day.loose
    part = day.post(1, f"/lots/{first}/split", units=4, fact=True)["lot"]
    both = day.post(5, f"/lots/{first}/merge", others=[second], fact=True)["lot"]
    washed = day.run(10, "Bench", both, fact=True)
    rest = day.post(30, f"/lots/{washed}/split", units=4, fact=True)["lot"]
    assert not any(map(day.is_stopped, (part, both, washed, rest)))
