"""Names as long as the catalogue allows: nothing runs over what stands beside it, or out of its frame."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from app.catalogue.definitions import Product, Role, Route, Station, Step
from app.db import House
from app.floor.lots import start_lot
from app.naming.resolve import code_of
from tests.browser.conftest import Visits
from tests.browser.staging import Stage, serving, staged

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]
PART = "LED-ADDRESSABLE-WHITE-4000K-CRI90-3535-WITH-DRIVER-R2-2026-ROW"
UNBROKEN = "Drahtbondmaschinenarbeitsplatzbeschreibungsbezeichnungsfeldnummer"
SPACED = "Wire bonder 1 at the window, southern hall, row 3, place 14 (new)"
MORE = (
    ("product", Product(part_number=PART, rows=4, columns=5, roles=(Role(role="red", part="WR"),))),
    ("route", Route(product=PART, revision="A", steps=(Step(key="attach", name=SPACED, operation="die attach", role="red"),))),
    ("station", Station(name=SPACED, area="hall", operations=("wire bond",))),
    ("station", Station(name=UNBROKEN, area="hall", operations=("wire bond",))),
)
# a text that is wider than the cell that holds it stands on the cell beside it
OVER = """() => [...document.querySelectorAll("main td, main th")].filter(cell => {
    const words = document.createRange(); words.selectNodeContents(cell);
    return words.getBoundingClientRect().right > cell.getBoundingClientRect().right + 1;
}).map(cell => cell.innerText.trim())"""
OUT = """() => [...document.querySelectorAll(".refuse h1, .refuse dd")].filter(one => {
    const words = document.createRange(); words.selectNodeContents(one);
    return words.getBoundingClientRect().right > document.querySelector(".refuse").getBoundingClientRect().right;
}).map(one => one.innerText.trim())"""


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with fresh_house(tmp_path_factory.mktemp("long")) as house:
        one = staged(house, *MORE)
        panels = [panel.id for panel in one.factory.panels(2)]
        one.codes["long"] = one.factory.do("start_lot", lambda s, by: code_of(s, "lot", start_lot(s, by, PART, panels).item))
        with serving(one):
            yield one


@pytest.mark.parametrize("size", ["terminal", "desk"])
@pytest.mark.parametrize("path", ["/lots", "/stations", "/board", "/lots/{long}", "/catalogue", "/runs", "/panels"])
def test_no_name_runs_over_what_stands_beside_it(stage: Stage, visit: Visits, size: str, path: str) -> None:
    with visit("Ada", size=size) as walk:
        assert walk.go(path.format(**stage.codes)).page.evaluate(OVER) == []


@pytest.mark.parametrize("path", ["/record/{reel}", "/packs/{reel}"])
def test_a_code_that_is_a_link_breaks_nowhere(stage: Stage, visit: Visits, path: str) -> None:
    """At its hyphen it did, on paper too, and half of it is read as another one."""
    narrow = "document.querySelectorAll('dd, li, td').forEach(one => { one.style.maxWidth = one.style.width = '40px'; })"
    lines_of = "[...document.querySelectorAll('main a[href*=\"/things/\"]')].map(one => [one.textContent, one.getClientRects().length])"
    with visit("Ada") as walk:
        walk.go(path.format(**stage.codes)).page.evaluate(narrow)
        links = walk.page.evaluate(lines_of)
        assert links and [text for text, lines in links if lines > 1] == []


@pytest.mark.parametrize("code", [f"NOTHING-{'0123456789-' * 5}", "X" * 64, PART])
def test_a_refusal_keeps_a_long_code_within_its_frame(stage: Stage, visit: Visits, code: str) -> None:
    with visit("Ola") as walk:
        walk.go(f"/floor?station={stage.station('Attach')}")
        assert walk.scan(code).startswith("Stop.")
        assert walk.page.evaluate(OUT) == []
