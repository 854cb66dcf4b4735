"""Wafer map, panel map and cure trace in a browser: by keys, by touch, without script, in both schemes and at three sizes."""

import gzip
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from app.db import House
from app.floor.marking import mark_cells
from app.naming.resolve import code_of
from tests.browser.conftest import Visits
from tests.browser.looks import faults
from tests.browser.staging import Stage, serving, staged
from tests.browser.visits import Visit
from tests.floor.placing import good_dies, log_of, onto, plain_map, send, wafer
from tests.ovens.test_judging import SHELVES, START, attached_lot, cure, log
from tests.ovens.test_judging import send as send_log

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A wafer of 200 x 200 dies on a panel with marks, and a load with a cold shelf and a gap."""
    with fresh_house(tmp_path_factory.mktemp("pictures")) as house:
        one = staged(house, ("station", SHELVES))
        factory = one.factory
        big, (panel,) = wafer(factory, "A-1", text=plain_map("A-1", size=200)), factory.panels(1)
        factory.run("Attach", factory.lot([panel]))
        send(factory, log_of(onto(big, panel, [*good_dies(17), (3, 0), (50, 60)]), [(big.code, 9, 9)]))
        factory.do("mark_cells", lambda s, by: mark_cells(s, by, panel.id, [(4, 5)], "scratched"))
        lots = [attached_lot(factory) for _ in range(2)]
        cure(factory, {"1": lots[0], "2": lots[1]})
        rows = log(START, 120, t2=161).splitlines(keepends=True)
        send_log(factory, b"".join([*rows[:60], *rows[100:]]))
        with house.reading() as session:
            one.codes["cold"] = code_of(session, "load", 4)
        one.codes |= {"wafer": big.code, "panel": panel.code}
        with serving(one):
            yield one


def pages(stage: Stage) -> list[str]:
    at, panel = f"/wafers/{stage.codes['wafer']}", f"/panels/{stage.codes['panel']}"
    return [
        f"{at}?x=50&y=60", f"{at}?view=bin&only=bin-2", f"{at}/dies?only=wrongly-used", f"{panel}?row=1&column=2", f"{panel}?view=red",
        f"{panel}/cells", f"/loads/{stage.codes['cold']}/trace",
    ]  # fmt: skip


def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(stage: Stage, visit: Visits) -> None:
    with visit("Ada") as walk:
        for path in pages(stage):
            assert faults(walk, path) == []
            assert "Stop." not in walk.main and len(gzip.compress(walk.page.content().encode())) < 100_000
        assert walk.wrong == []


def test_by_keys_from_a_die_to_its_cell_and_back(stage: Stage, visit: Visits) -> None:
    with visit("Quy") as walk:
        walk.go(f"/wafers/{stage.codes['wafer']}?x=49&y=59")
        walk.page.locator("[name=at]").focus()
        for key in ("ArrowRight", "ArrowDown"):
            walk.page.keyboard.press(key)
        walk.page.get_by_role("heading", name="Die 50, 60").wait_for()
        assert "x=50&y=60" in walk.page.url and walk.page.input_value("form.row [name=x]") == "50"
        assert walk.page.locator("[name=at] >> xpath=ancestor::*[contains(@class,'grid-map')]").get_attribute("data-x") == "50"
        assert walk.page.locator("#chosen [data-goes]").text_content() == stage.codes["panel"]
        with walk.page.expect_navigation():
            walk.page.keyboard.press("Enter")
        assert walk.heading == f"Panel {stage.codes['panel']}" and "Row 4, column 4" in walk.main
        walk.page.locator("[name=at]").focus()
        with walk.page.expect_navigation():
            walk.page.keyboard.press("Enter")
        assert walk.heading == f"Wafer {stage.codes['wafer']}" and "Die 50, 60" in walk.main


@pytest.mark.parametrize("script", [True, False])
def test_by_touch_on_the_whole_and_on_the_close_up(stage: Stage, visit: Visits, script: bool) -> None:
    with visit("Quy", script=script) as walk:
        walk.go(f"/wafers/{stage.codes['wafer']}?view=use")
        _touch(walk, "at", 100, 60)
        walk.page.get_by_role("heading", name="Die 100, 60").wait_for()
        _touch(walk, "near", 98, 63)
        walk.page.get_by_role("heading", name="Die 98, 63").wait_for()
        assert "x=98&y=63" in walk.page.url
        walk.go(f"/panels/{stage.codes['panel']}")
        _touch(walk, "at", 3, 2)
        walk.page.get_by_role("heading", name="Row 2, column 3").wait_for()


def _touch(walk: Visit, field: str, x: int, y: int) -> None:
    """In the middle of a place, by the data attributes; the picture may be drawn smaller."""
    picture = walk.page.locator(f"[name={field}]")
    frame = picture.locator("xpath=ancestor::*[contains(@class,'grid-map')]")
    told = {name: int(frame.get_attribute(f"data-{name}") or 0) for name in ("columns", "left", "top", "right", "down", "pitch", "margin")}
    across = told["margin"] + ((x - told["left"]) * told["right"] + 0.5) * told["pitch"]
    below = told["margin"] + ((y - told["top"]) * told["down"] + 0.5) * told["pitch"]
    box = picture.bounding_box()
    assert box is not None
    drawn = box["width"] / (told["columns"] * told["pitch"] + 2 * told["margin"])  # smaller than it is, to fit the screen
    picture.click(position={"x": across * drawn, "y": below * drawn})
