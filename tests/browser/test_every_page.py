"""Every page at three sizes and in both schemes: nothing that axe finds, nothing too wide, nothing too small to touch."""

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

import app
from app.db import House
from app.genealogy.mock_recall import mock_recall
from app.journal.act import SYSTEM
from tests.browser.conftest import Visits
from tests.browser.every_page import from_the_routes, signed_in, weight
from tests.browser.looks import faults
from tests.browser.staging import Stage, serving, staged
from tests.floor.placing import plain_map, wafer

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]
PARTS = 6  # each within the time that a browser test has


def floor_pages(stage: Stage) -> list[str]:
    at = stage.station
    return [
        "/floor", f"/floor?station={at('Attach')}", f"/floor?station={at('Attach')}&ask={stage.codes['fresh']}",
        f"/floor?station={at('Bond 1')}&ask={stage.codes['bonding']}", f"/floor?station={at('Bond 1')}&ask={stage.codes['held']}",
        f"/loads/{stage.codes['load']}", f"/loads/{stage.codes['filling']}",
    ]  # fmt: skip


def desk_pages(stage: Stage) -> list[str]:
    codes = stage.codes
    lots = [f"/lots/{codes[name]}" for name in ("fresh", "bonding", "risky", "held", "packed", "loose")]
    return [
        "/", "/find", "/find?code=L26", "/find?code=ZZZ", "/lots", *lots, "/packs", "/packs?part_number=NONE", f"/trace/{codes['reel']}",
        f"/trace/{codes['cure']}?forward=true", f"/trace/{codes['reel']}?open=panel:{codes['packed']}", f"/runs/{codes['cure']}",
        f"/runs/{codes['test']}", "/holds", f"/holds/{codes['hold']}", "/journal", "/loads", "/people",
        f"/people/{stage.badges['Ola']}", "/terminals", "/tokens", "/back-entry",
        f"/back-entry/{codes['bonding']}", "/paper", "/paper/area?area=hall", f"/packs/{codes['reel']}", f"/packs/{codes['reel']}/label",
        f"/lots/{codes['bonding']}/sheet", "/catalogue", "/catalogue/of/product", "/catalogue/of/route",
        "/catalogue/load", "/board", "/board/lots", "/board/effectiveness", "/board/shift", "/things/NONSENSE",
    ]  # fmt: skip


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """With a wafer that has a map, so that its pages have something to draw."""
    with fresh_house(tmp_path_factory.mktemp("pages")) as house:
        one = staged(house)
        mapped, (panel,) = wafer(one.factory, "A-1", text=plain_map("A-1")), one.factory.panels(1)
        one.codes |= {"mapped": mapped.code, "panel": panel.code}
        mock_recall(house, SYSTEM, one.codes["reel"])
        with serving(one):
            yield one


@pytest.fixture(scope="module")
def pages(stage: Stage) -> list[str]:
    """What every route of a page shows, and the states of pages that matter besides."""
    return list(dict.fromkeys([*floor_pages(stage), *desk_pages(stage), *from_the_routes(stage)]))


@pytest.mark.parametrize("part", range(PARTS))
def test_axe_finds_nothing_and_every_page_fits_every_screen_and_finger(visit: Visits, pages: list[str], part: int) -> None:
    with visit("Ada") as walk:
        assert [fault for path in pages[part::PARTS] for fault in faults(walk, path)] == []
        assert [one for one in walk.wrong if "status of 4" not in one] == [], "the console complains"


def test_no_script_asks_for_the_screen() -> None:
    """Else a page would have to be loaded at each size and in each scheme: `looks.py` loads it once."""
    asked = r"matchMedia|devicePixelRatio|(?:inner|outer|client|offset|scroll)(?:Width|Height)|\bscreen\.[a-z]|visualViewport|ResizeObserver"
    scripts = {path.name: path.read_text() for path in (Path(app.__file__).parent / "static").glob("*.js")}
    assert len(scripts) > 4
    assert {name: found for name, text in scripts.items() if (found := re.findall(asked, text))} == {}


def test_a_page_weighs_little_and_says_where_one_is(stage: Stage, pages: list[str]) -> None:
    """As a proxy sends it, compressed by gzip, with style and script, without its pictures. Every page has a title and one heading."""
    with signed_in(stage) as client:
        style = weight(client.get("/static/reelroot.css").text)
        for path in pages:
            page = client.get(path).text
            scripts = sum(weight(client.get(src).text) for src in re.findall(r'<script[^>]* src="([^"]+)"', page))
            most = 40_000 if 'class="floor' in page else 100_000
            assert weight(re.sub(r"<svg.*?</svg>", "", page, flags=re.DOTALL)) + style + scripts < most, path
            assert re.search(r"<title>[^<]+ · Reelroot</title>", page), path
            assert len(re.findall(r"<h1\b", page)) == 1, path


def test_the_question_its_field_and_its_button_are_on_the_first_screen(stage: Stage, visit: Visits) -> None:
    with visit("Ola") as walk:
        walk.go(f"/floor?station={stage.station('Bond 1')}&ask={stage.codes['bonding']}")
        for what in ("h1", "#scan", ".answer button", ".tiles", ".tape"):
            box = walk.page.locator(what).bounding_box()
            assert box is not None, what
            assert box["y"] + box["height"] <= 600, what
