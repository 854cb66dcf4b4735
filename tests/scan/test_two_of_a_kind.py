"""A station with two wafers on it: which of them a third takes the place of is never guessed; at the terminal it is said by scans alone."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient

from app.catalogue.definitions import Station
from app.db import House
from app.floor.mounts import loaded
from app.main import make_app
from app.naming.resolve import Named
from tests.browser.staging import Stage
from tests.people.signing_in import person
from tests.scan.test_terminal_pages import Screen
from tests.small_factory import Factory

TWIN = Station(name="Twin", area="hall", operations=("die attach",), places=("wafer left", "wafer right", "paste"))


@pytest.fixture
def stage(house: House) -> Stage:
    return Stage(Factory(house).load(("station", TWIN)))


@pytest.fixture
def screen(house: House, stage: Stage) -> Iterator[Screen]:
    with TestClient(make_app(house.settings, house)) as client:
        app: Any = client.app
        yield Screen(app, person(house, "Ola", "operate"))


def _on(stage: Stage) -> dict[str, str]:
    with stage.factory.house.reading() as session:
        return {one.place: one.code for one in loaded(session, stage.factory.things["Twin"])}


def test_what_comes_off_is_scanned_first(stage: Stage, screen: Screen) -> None:
    factory = stage.factory
    left, right, fresh = (factory.wafer() for _ in range(3))
    paste: Named = factory.batch("GLUE")
    factory.mount("Twin", left, right, paste)
    factory.start("Twin", factory.lot(factory.panels(1)))
    screen.get(f"/floor?station={stage.station('Twin')}")
    screen.scan(fresh.code)
    assert "At a terminal, scan what comes off first, then this." in screen.page
    screen.scan(right.code)
    assert screen.heading == f"What takes the place of {right.code}?"
    screen.scan(right.code)  # read twice
    assert screen.heading == f"What takes the place of {right.code}?"
    screen.scan(fresh.code)
    assert screen.said == f"{fresh.code} is on Twin. {right.code} came off."
    assert _on(stage) == {"wafer left": left.code, "wafer right": fresh.code, "paste": paste.code}


def test_material_of_another_kind_does_not_go_there(stage: Stage, screen: Screen) -> None:
    left, right = stage.factory.wafer(), stage.factory.wafer()
    paste, fresh = stage.factory.batch("GLUE"), stage.factory.batch("GLUE")
    stage.factory.mount("Twin", left, right, paste)
    screen.get(f"/floor?station={stage.station('Twin')}")
    screen.scan(left.code)
    screen.scan(fresh.code)
    assert _on(stage) == {"wafer left": left.code, "wafer right": right.code, "paste": fresh.code}
    assert screen.heading == "Scan a lot, its magazine, or material"
