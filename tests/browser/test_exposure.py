"""A region is drawn on a wafer's map by mouse and by keys, and the packs of the answer change."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from app.db import House
from app.genealogy.exposure import exposure
from app.genealogy.suspects import Region, Suspect
from tests.browser.conftest import Visits
from tests.browser.staging import Stage, serving
from tests.browser.visits import Visit
from tests.oracle.histories import random_history
from tests.oracle.player import Profile
from tests.people.signing_in import person
from tests.replay.driver import Replay
from tests.small_factory import Factory

pytestmark = pytest.mark.browser
NOWHERE = Region(rectangle=(30_000, 30_000, 30_001, 30_001))


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with fresh_house(tmp_path_factory.mktemp("exposed")) as house:
        replay = Replay(house, random_history(9, Profile(without=frozenset({"side_by_side"}), off_tape="first", lots=2, panels=3))).run()
        stage = Stage(Factory(house), {"wafer": _told_by_its_log(replay)}, {"Quy": person(house, "Quy", "quality")})
        with serving(stage) as one:
            yield one


def _told_by_its_log(replay: Replay) -> str:
    """A wafer of which a placement log tells every die, with packs."""
    with replay.house.reading() as session:
        for symbol in [symbol for symbol in replay.ids if symbol.startswith("wafer:")]:
            named = replay.named(symbol)
            if exposure(session, [Suspect(named)]).packs and not exposure(session, [Suspect(named, NOWHERE)]).total.exposed.greatest:
                return named.code
    raise AssertionError("no wafer of this history is told by its log alone")


def _packs(one: Visit) -> list[str]:
    return one.page.locator("#packs tbody tr td:nth-child(2)").all_inner_texts()


def test_a_region_drawn_by_mouse_and_by_keys_changes_the_packs(visit: Visits, stage: Stage) -> None:
    with visit("Quy", size="desk") as one:
        one.go(f"/exposure?suspect={stage.codes['wafer']}")
        whole = _packs(one)
        assert whole
        box = one.page.locator("#region-map img").bounding_box()
        assert box
        one.page.mouse.move(box["x"] + 2, box["y"] + 2)
        one.page.mouse.down()
        one.page.mouse.move(box["x"] + box["width"] - 2, box["y"] + box["height"] - 2, steps=4)
        with one.page.expect_navigation():
            one.page.mouse.up()
        assert one.page.input_value("#rectangle") and _packs(one) == whole  # all of the map
        one.page.focus("#region-map")
        for _ in range(40):
            one.page.keyboard.press("ArrowLeft")
            one.page.keyboard.press("ArrowUp")
        one.page.keyboard.press("Enter")
        with one.page.expect_navigation():
            one.page.keyboard.press("Enter")
        corner = one.page.input_value("#rectangle").split(",")
        assert corner[:2] == corner[2:]  # one die, at the corner of the map
        total = int(one.page.inner_text("#answer .big").split()[0])
        assert total <= 1 and len(_packs(one)) <= len(whole)
        _a_ring_about_the_middle(one, whole)
        assert one.wrong == []


def _a_ring_about_the_middle(one: Visit, whole: list[str]) -> None:
    """From an outer radius, beyond the map's corners, to its middle: all of the map again."""
    one.page.locator("#region-tools input[value=ring]").check()
    one.page.locator("#region-map img").scroll_into_view_if_needed()
    box = one.page.locator("#region-map img").bounding_box()
    assert box
    one.page.mouse.move(box["x"] + 2, box["y"] + 2)
    one.page.mouse.down()
    one.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, steps=4)
    with one.page.expect_navigation():
        one.page.mouse.up()
    _, _, inner, outer = (float(number) for number in one.page.input_value("#ring").split(","))
    assert inner < 1 < outer and _packs(one) == whole and not one.page.input_value("#rectangle")
    assert one.page.locator("#region-tools input:checked").get_attribute("value") == "ring", "the next one is drawn with the same"
