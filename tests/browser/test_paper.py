"""What is printed: one page of A4 or Letter for a long route, and labels at true size, read back from what the browser draws."""

import io
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from app.catalogue.definitions import Body, Record, Route, Step, Window
from app.db import House
from app.labels.pack_label import pack_label
from app.labels.pages import MODULE_MM
from app.naming.resolve import resolve
from tests.browser.conftest import Visits
from tests.browser.staging import PASSWORD, Stage, serving, staged
from tests.small_factory import PRODUCT

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]
WORK = ("die attach", "cure") * 4 + ("plasma clean", "wire bond", "inspect", "encapsulate", "cure", "cure", "mould", "inspect")
LOOSE = ("singulate", "clean", "test", "tape", "inspect", "dry pack")
STEPS = tuple(
    Step(
        key=f"s{n}", name=f"{operation} of kind {n}", operation=operation, role="red" if operation == "die attach" else None,
        recipe="C170" if operation == "cure" else None, judged="cure" if operation == "cure" else None, barrier=n == 16,
        records=(Record(name="pull", unit="gf", low=3.0), Record(name="shear", unit="gf", low=12.0)) if operation == "wire bond" else (),
        count="weight" if operation in ("clean", "singulate") else "none",
    )
    for n, operation in enumerate((*WORK, *LOOSE), 1)
)  # fmt: skip
LONG: tuple[tuple[str, Body], ...] = (
    ("product", PRODUCT.model_copy(update={"part_number": "P22", "description": "addressable light with a long description"})),
    ("route", Route(product="P22", revision="A", steps=STEPS, windows=(Window(from_step="s1", to_step="s2", max_minutes=480),))),
)
MM = 96 / 25.4  # of a page's own pixels


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with fresh_house(tmp_path_factory.mktemp("paper")) as house:
        one = staged(house, *LONG)
        lot = one.factory.lot(one.factory.panels(24), order=None, product="P22")
        one.factory.run("Attach", lot)
        one.codes["long"] = lot.code
        with serving(one):
            yield one


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("path", ["/lots/{long}", "/lots/{long}/sheet"])
def test_a_route_of_22_steps_prints_on_one_page(stage: Stage, visit: Visits, paper: str, path: str) -> None:
    assert len(STEPS) == 22
    with visit("Lea") as walk:
        walk.go(path.format(**stage.codes))
        printed = pypdfium2.PdfDocument(walk.page.pdf(format=paper))
        assert len(printed) == 1
        said = printed[0].get_textpage().get_text_range()
        image = printed[0].render(scale=4).to_pil()
    assert f"Lot {stage.codes['long']}" in said
    assert "22 dry pack of kind 22" in said
    assert "Site rules, local codes and licensed practice come first." in said
    read = {one.text for one in zxingcpp.read_barcodes(image)}
    assert stage.codes["long"] in read
    assert len(read) == 23, "the lot and each of its steps, to be scanned when the paper is entered"


def test_a_terminal_keeps_its_area_s_sheets_and_shows_them_when_the_server_is_away(stage: Stage, visit: Visits) -> None:
    lot, other = stage.codes["fresh"], stage.codes["other"]
    with visit("Ada") as walk:
        walk.go("/terminals").page.fill("[name=area]", "hall")
        walk.enter()
        walk.sign_in("Ada")
        walk.page.wait_for_selector("html[data-paper-kept]")
        walk.go(f"/floor?station={stage.station('Attach')}")
        walk.page.wait_for_selector("html[data-paper-kept]")  # by the page before
        walk.type(lot[:5])
        walk.page.context.set_offline(True)  # in the middle of a scan
        walk.page.wait_for_selector(".kept input")
        assert walk.page.inner_text(".kept h1") == "Stop. The server does not answer."
        assert not walk.page.is_visible("#scan"), "a scan would be lost"
        assert walk.page.locator(".kept .sheet").count() > 2
        walk.type(lot[5:])
        walk.page.keyboard.press("Enter")
        assert walk.page.is_visible(f".sheet[data-codes~='{lot}']")
        assert not walk.page.is_visible(f".sheet[data-codes~='{other}']")
        assert len(pypdfium2.PdfDocument(walk.page.pdf(format="A4"))) == 1, "what is shown is what is printed"
        walk.type(stage.codes["reel"])  # in another area, or newer than what is kept
        walk.page.keyboard.press("Enter")
        assert f"{stage.codes['reel']} has no sheet among those" in walk.page.inner_text(".kept [role=alert] .wrong")
        assert walk.page.is_visible(f".sheet[data-codes~='{lot}']")
        assert walk.page.is_visible(f".sheet[data-codes~='{other}']")
        walk.type(lot)
        walk.page.keyboard.press("Enter")
        assert not walk.page.is_visible(".kept .wrong")
        assert not walk.page.is_visible(f".sheet[data-codes~='{other}']")
        walk.type(lot[:5])
        walk.page.context.set_offline(False)
        walk.page.wait_for_selector("#scan", state="visible")
        assert walk.scan(lot[5:]).startswith("Start red attach"), "neither half is lost, and none is left for the next"


def test_a_scan_is_not_sent_to_a_server_that_is_away(stage: Stage, visit: Visits) -> None:
    with visit("Ola") as walk:
        walk.go(f"/floor?station={stage.station('Attach')}")
        walk.page.evaluate("() => { const now = performance.now.bind(performance); performance.now = () => now() + 60000; }")  # a minute later
        walk.page.route("**/*", lambda route: route.abort())
        walk.type(stage.codes["fresh"])
        walk.page.keyboard.press("Enter")
        walk.page.wait_for_selector(".kept")
        assert "kept no sheets" in walk.page.inner_text(".kept")


def test_a_refusal_is_put_away_as_well_when_the_server_is_away(stage: Stage, visit: Visits) -> None:
    """It is laid out otherwise than what is not refused, and stood above the sheets: read as what holds now, with a field that takes no scan."""
    with visit("Ola") as walk:
        walk.go(f"/floor?station={stage.station('Bond 1')}")
        assert walk.scan(stage.codes["fresh"]).startswith("Stop.")
        walk.page.context.set_offline(True)
        walk.page.wait_for_selector(".kept h1")
        assert not walk.page.is_visible("main"), "one screen says Stop twice"
        assert walk.page.evaluate("document.activeElement.closest('main')") is None
        walk.page.context.set_offline(False)
        walk.page.wait_for_selector("main .refuse", state="visible")


def test_an_area_s_sheets_print_a_page_each(stage: Stage, visit: Visits) -> None:
    with visit("Lea", size="desk") as walk:
        walk.go("/paper").tab_to("hall")
        walk.enter()
        sheets = walk.page.locator(".sheet").count()
        assert sheets > 2
        assert len(pypdfium2.PdfDocument(walk.page.pdf(format="A4"))) == sheets


@pytest.mark.parametrize("script", [True, False])
def test_a_lead_enters_a_sheet_with_the_scanner(stage: Stage, visit: Visits, script: bool) -> None:
    """With script the scanner's Enter goes on to the next field; without it, it draws the sheet again as typed, and nothing is lost."""
    lot, attach = stage.factory.lot(stage.factory.panels(1)).code, stage.station("Attach")
    with visit("Lea", size="desk", script=script) as walk:
        walk.go("/back-entry")
        assert walk.scan(lot) == f"Sheet of lot {lot}"
        keys = walk.page.keyboard
        walk.page.fill("[name=day]", "2026-03-02")
        if script:
            walk.page.focus("[name=day]")
            keys.press("Enter")
            for text in (attach, "", "0730", "0810"):
                keys.type(text, delay=2)
                keys.press("Enter")
        else:
            for name, text in (("station.attach", attach), ("start.attach", "0730"), ("end.attach", "0810")):
                walk.page.fill(f"[name='{name}']", text)
        with walk.page.expect_navigation():
            walk.page.get_by_role("button", name="See what will be recorded").click()
        assert "1 red attach starts 2026-03-02 07:30 UTC" in walk.main
        assert walk.field() == "password"
        keys.type(PASSWORD)
        walk.enter()
        assert walk.said == "Entered: 2 lines of the sheet."
        assert walk.page.locator(".tape svg title").first.text_content() == "1, red attach: done"


def test_a_label_is_drawn_and_printed_at_true_size_and_read_back(stage: Stage, visit: Visits) -> None:
    with stage.factory.house.reading() as session:
        label = pack_label(session, resolve(session, stage.codes["reel"], "pack"))
    with visit("Lea", size="desk", scale=3) as walk:  # as fine as a printer: a module is hardly more than a pixel of a plain screen
        walk.go(f"/packs/{stage.codes['reel']}/label")
        box, symbol = walk.page.locator(".pack-label").bounding_box(), walk.page.locator(".pack-label svg").bounding_box()
        assert box is not None
        assert symbol is not None
        modules = int(walk.page.locator(".pack-label svg").get_attribute("viewBox").split()[2])  # type: ignore[union-attr]
        drawn = Image.open(io.BytesIO(walk.page.locator(".pack-label").screenshot()))
        paper = pypdfium2.PdfDocument(walk.page.pdf(prefer_css_page_size=True))
        words = walk.page.inner_text(".pack-label")
        fits = walk.page.evaluate("() => { const one = document.querySelector('.pack-label'); return one.scrollHeight <= one.clientHeight; }")
    assert (box["width"] / MM, box["height"] / MM) == pytest.approx((100, 70), abs=0.1)
    assert symbol["width"] / MM == pytest.approx(modules * MODULE_MM, rel=0.01)
    assert fits, "all words stand on the label"
    assert [size / 72 * 25.4 for size in paper[0].get_size()] == pytest.approx([100, 70], abs=0.2)
    assert len(paper) == 1
    printed = [paper[0].render(scale=dots / 72).to_pil() for dots in (203, 300)]  # dots an inch of usual label printers
    for image in (drawn, *printed):
        read = zxingcpp.read_barcodes(image)
        assert [one.bytes for one in read] == [label.message]
    for field in label.fields:
        assert f"({field.identifier}) {field.words}" in words
        assert field.value in words
