"""Every page at three sizes and in both schemes: nothing that axe finds, nothing too wide, nothing too small to touch."""

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from app.db import House
from app.genealogy.mock_recall import mock_recall
from app.journal.act import SYSTEM
from tests.browser.axe import violations
from tests.browser.conftest import Visits
from tests.browser.every_page import from_the_routes, signed_in, weight
from tests.browser.staging import Stage, serving, staged
from tests.browser.visits import SCHEMES, SIZES
from tests.floor.placing import plain_map, wafer

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]
PARTS = 6  # each within the time that a browser test has
TOO_SMALL = """() => [...document.querySelectorAll("a, button, select, input:not([type=hidden])")]
    .filter(one => !one.matches(".skip, [type=checkbox]") && one.checkVisibility())
    .map(one => [one.textContent.trim() || one.name, one.getBoundingClientRect()])
    .filter(([_, box]) => box.height < 48 || box.width < 48).map(([name, box]) => `${name} ${box.width}x${box.height}`)"""
TOO_WIDE = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


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
        "/", "/find", "/find?code=L26", "/find?code=ZZZ", "/lots", *lots, "/packs", "/packs?part=NONE", f"/trace/{codes['reel']}",
        f"/trace/{codes['cure']}?forward=true", f"/trace/{codes['reel']}?open=panel:{codes['packed']}", f"/runs/{codes['cure']}",
        f"/runs/{codes['test']}", "/holds", f"/holds/{codes['hold']}", "/journal", "/loads", "/people",
        f"/people/{stage.badges['Ola']}", "/terminals", "/tokens", "/back-entry",
        f"/back-entry/{codes['bonding']}", "/paper", "/paper/area/hall", f"/packs/{codes['reel']}", f"/packs/{codes['reel']}/label",
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
def test_axe_finds_nothing(visit: Visits, pages: list[str], part: int) -> None:
    """In both schemes: the dark page is the same one but for its colours."""
    found = []
    with visit("Ada") as walk:
        for path in pages[part::PARTS]:
            walk.go(path)
            for scheme in SCHEMES:
                walk.page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                found += [f"{path} {wrong}" for wrong in violations(walk.page, scheme)]
    assert found == []


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


@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_wider_than_the_screen_or_smaller_than_a_gloved_finger(visit: Visits, pages: list[str], size: str) -> None:
    found = []
    with visit("Ada", size=size) as walk:
        for path in pages:
            walk.go(path)
            if walk.page.evaluate(TOO_WIDE) > 0:
                found.append(f"{path} is too wide")
            if walk.page.evaluate("document.body.classList.contains('floor')"):
                found += [f"{path}: {small}" for small in walk.page.evaluate(TOO_SMALL)]
        assert [one for one in walk.wrong if "status of 4" not in one] == [], "the console complains"
    assert found == []


def test_the_question_its_field_and_its_button_are_on_the_first_screen(stage: Stage, visit: Visits) -> None:
    with visit("Ola") as walk:
        walk.go(f"/floor?station={stage.station('Bond 1')}&ask={stage.codes['bonding']}")
        for what in ("h1", "#scan", ".answer button", ".tiles", ".tape"):
            box = walk.page.locator(what).bounding_box()
            assert box is not None, what
            assert box["y"] + box["height"] <= 600, what
