"""The walks of the three users in a real browser: by scans and keys alone, with script and without."""

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from app.ledger.runs import Run
from app.naming.resolve import Named
from app.scan import choose
from tests.browser.conftest import Visits
from tests.browser.staging import PASSWORD, Stage
from tests.browser.visits import visiting

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]  # what the pages do is the same on both databases


@pytest.fixture
def slow_scanner(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same code counts as a double read for a minute: the machine of the tests may be slow."""
    monkeypatch.setattr(choose, "READ_TWICE", timedelta(minutes=1))


def runs(stage: Stage) -> int:
    with stage.factory.house.reading() as session:
        return session.scalar(select(func.count()).select_from(Run)) or 0


def test_what_a_page_asks_of_another_host_is_noted_and_goes_nowhere(browser: "Browser", stage: Stage) -> None:
    picture = "http://203.0.113.7/picture.png"  # an address that RFC 5737 keeps for documents
    with visiting(browser, stage) as walk:
        with walk.page.expect_event("requestfailed") as failed:
            walk.page.set_content(f'<img src="{picture}">')
        assert "ERR_NAME_NOT_RESOLVED" in (failed.value.failure or "")
        assert walk.elsewhere == [picture]


def test_at_a_terminal_every_page_is_reached_whatever_one_is_called(stage: Stage, visit: Visits) -> None:
    """The bar scrolls sideways on a narrow screen, and cut off what hangs from it; a long name pushed its last link out."""
    with visit("Ola") as walk:
        walk.go("/floor")
        walk.page.evaluate("document.querySelector('.who span').textContent = 'Dr. Friederike-Charlotte von Hohenstein-Weissenburg zu Neuenkirchen'")
        assert walk.page.evaluate("document.querySelector('.top nav').scrollWidth - document.querySelector('.top nav').clientWidth") == 0
        walk.tab_to("All pages")
        walk.page.keyboard.press("Enter")
        seen = """() => [...document.querySelectorAll(".all a")].filter(one => {
            one.scrollIntoView({block: "nearest"}); const at = one.getBoundingClientRect();
            return document.elementFromPoint(at.x + at.width / 2, at.y + at.height / 2) !== one;
        }).map(one => one.textContent)"""
        assert walk.page.evaluate(seen) == [], "are drawn where nobody sees and touches them"


def new_lot(stage: Stage) -> Named:
    return stage.factory.lot(stage.factory.panels(2))


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_an_operator_works_by_scans_alone(stage: Stage, visit: Visits, script: bool) -> None:
    lot = new_lot(stage)
    attach, plasma = stage.station("Attach"), stage.station("Plasma")
    with visit("Ola", script=script) as walk:
        walk.go("/floor")
        assert walk.field() == "scan"
        assert walk.scan(attach) == "Scan a lot, its magazine, or material"
        walk.scan(stage.codes["glue"])
        assert f"{stage.codes['glue']} is on Attach" in walk.said
        assert walk.scan(lot.code) == f"Start red attach on {lot.code}?"
        assert walk.field() == "scan"
        walk.scan(attach)
        assert f"Started on {lot.code}" in walk.said
        assert walk.scan(lot.code) == f"Finish red attach on {lot.code}?"
        walk.scan(attach)
        assert walk.said == f"Finished red attach on {lot.code}."
        assert walk.field() == "scan"
        walk.scan(plasma)
        assert walk.scan(lot.code) == f"Stop. {lot.code} may not start plasma at Plasma."
        assert "come to cure 1 next" in walk.main
        assert walk.field() == "scan"
        assert walk.enter() == "Scan a lot, its magazine, or material", "Enter puts a refusal away"


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_value_is_typed_into_the_one_field_there_is(stage: Stage, visit: Visits, script: bool) -> None:
    bond, lot = stage.station("Bond 1"), stage.codes["bonding"]
    with visit("Ola", script=script) as walk:
        walk.go("/floor")
        walk.scan(bond)
        asked = walk.scan(lot)
        if asked.startswith("Start"):  # unless the other walk has started it already
            assert asked == f"Start bond on {lot}?"
            assert "left to bond after plasma" in walk.main
            walk.scan(bond)
            asked = walk.scan(lot)
        assert asked == f"Finish bond on {lot}?"
        assert walk.field() == "value.pull"
        assert "come to red attach next" in refused_at(walk, stage), "another lot's code in the middle of a question asks about that one"
        walk.scan(lot)
        assert walk.enter() == f"Finish bond on {lot}?", "nothing typed: the question stays"
        assert "can't be read" in (walk.scan("five") and walk.main)
        walk.scan(lot)
        if not script:
            assert walk.scan("5,4") == f"Finish bond on {lot}?", "what was entered is looked at once more"
            assert "5,4 gf" in walk.main
            walk.scan(bond)
            assert walk.said == f"Finished bond on {lot}."


def refused_at(walk: object, stage: Stage) -> str:
    walk.scan(stage.codes["other"])  # type: ignore[attr-defined]
    return walk.main  # type: ignore[attr-defined, no-any-return]


def test_double_reads_going_back_and_posting_again_change_nothing(stage: Stage, visit: Visits, slow_scanner: None) -> None:
    lot, other, attach = new_lot(stage), new_lot(stage), stage.station("Attach")
    with visit("Ola") as walk:
        walk.go(f"/floor?station={attach}")
        walk.scan(lot.code)
        before = runs(stage)
        assert walk.scan(lot.code) == f"Start red attach on {lot.code}?", "a double read starts nothing"
        assert walk.scan(other.code) == f"Start red attach on {other.code}?", "another lot's code asks about that one"
        assert walk.scan(lot.code) == f"Start red attach on {lot.code}?"
        assert runs(stage) == before
        form = dict(walk.page.eval_on_selector_all("form.scan:has(#scan) input", "all => all.map(one => [one.name, one.value])"))
        walk.scan(attach)
        assert runs(stage) == before + 1
        again = walk.page.request.post(f"{stage.url}/floor/scan", form=form | {"scan": attach}, headers={"Origin": stage.url})
        assert f"Started+on+{lot.code}" in again.url, "the first answer once more"
        assert runs(stage) == before + 1
        walk.answered(walk.page.go_back)
        assert walk.heading == f"Finish red attach on {lot.code}?", "going back asks what is true now"
        walk.go(f"/floor?station={attach}")
        walk.page.reload()
        assert runs(stage) == before + 1


def test_the_same_code_later_confirms(stage: Stage, visit: Visits, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choose, "READ_TWICE", timedelta(0))
    lot, attach = new_lot(stage), stage.station("Attach")
    with visit("Ola") as walk:
        walk.go(f"/floor?station={attach}")
        walk.scan(lot.code)
        walk.scan(lot.code)
        assert f"Started on {lot.code}" in walk.said


def test_what_is_typed_beside_the_field_is_not_lost(stage: Stage, visit: Visits) -> None:
    with visit("Ola") as walk:
        walk.go("/floor")
        walk.page.evaluate("document.activeElement.blur()")
        walk.page.keyboard.type(stage.station("Saw"), delay=2)
        assert walk.enter() == "Scan a lot, its magazine, or material"
        assert walk.wrong == []


def test_only_a_refusal_sounds(stage: Stage, visit: Visits) -> None:
    with visit("Ola") as walk:
        walk.go("/floor")
        walk.scan(stage.station("Saw"))
        assert walk.page.get_attribute("html", "data-sounded") is None
        walk.scan("NOPE")
        assert "NOPE" in walk.heading
        walk.page.wait_for_selector("html[data-sounded=yes]", state="attached")
        assert walk.page.input_value("#scan") == "", "the next code must not be joined to the wrong one"


def test_quality_finds_a_reel_traces_it_and_stops_its_origin(stage: Stage, visit: Visits) -> None:
    with visit("Quy", size="desk") as walk:
        walk.go("/")
        assert walk.scan(stage.codes["reel"]) == f"Back from pack {stage.codes['reel']}"
        tick = walk.page.locator("tr", has_text="wire AU20").locator("[name=stop]")
        wire = tick.get_attribute("value")
        tick.press("Space")
        walk.page.focus("#reason")
        walk.page.keyboard.type("wrong alloy")
        assert walk.enter().startswith(f"Back from pack {stage.codes['reel']}")
        assert walk.said.startswith("Stopped, with all that comes of it: ")
        hold = walk.said.rsplit(" ", 1)[1].rstrip(".")
        walk.go(f"/holds/{hold}")
        assert "in force" in walk.heading
        assert f"batch {wire}" in walk.main
        walk.go(f"/holds/{stage.codes['hold']}")
        assert f"lot {stage.codes['held']}" in walk.main
        walk.go(f"/lots/{stage.codes['loose']}")
        assert "on hold" in walk.heading, "what came of the wire is stopped"
        walk.go(f"/holds/{hold}")
        walk.tab_to("disposition")
        walk.page.keyboard.press("ArrowDown")  # nothing is chosen beforehand
        walk.tab_to("words")
        walk.page.keyboard.type("the certificate was read wrongly")
        walk.tab_to("password")
        walk.page.keyboard.type("not mine")
        walk.enter()
        assert "password is wrong" in walk.main
        walk.go(f"/holds/{hold}")
        walk.tab_to("disposition")
        walk.page.keyboard.press("ArrowDown")
        walk.tab_to("words")
        walk.page.keyboard.type("the certificate was read wrongly")
        walk.tab_to("password")
        walk.page.keyboard.type(PASSWORD)
        assert "released" in walk.enter()
        walk.go(f"/lots/{stage.codes['loose']}")
        assert "on hold" not in walk.heading


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_a_supervisor_sees_where_the_lots_are(stage: Stage, visit: Visits, size: str) -> None:
    with visit("Lea", size=size, scheme="dark") as walk:
        walk.go("/lots")
        held = walk.page.locator("tr", has_text=stage.codes["held"]).inner_text()
        assert "red attach" in held
        assert "held" in held
        assert "at risk" in walk.page.locator("tr", has_text=stage.codes["risky"]).inner_text()
        walk.tab_to(stage.codes["risky"])
        walk.enter()
        says = walk.page.locator(".tape svg title").all_text_contents()
        assert says[:3] == ["1, red attach: done", "2, cure 1: done, gone on at risk while its judgement is open", "3, plasma: next"]
        walk.go("/packs")
        assert stage.codes["reel"] in walk.main
        walk.go("/packs?part_number=NONE")
        assert "Nothing here fits what was asked" in walk.main


def test_people_are_added_by_keyboard_alone(stage: Stage, visit: Visits) -> None:
    with visit("Ada") as walk:
        walk.go("/people")
        walk.tab_to("name")
        walk.page.keyboard.type("Nam")
        walk.tab_to("password")
        walk.page.keyboard.type("long enough too")
        walk.tab_to("again")
        walk.page.keyboard.type("long enough too")
        walk.tab_to("duties")
        walk.page.keyboard.press("Space")
        walk.tab_to("Add")
        walk.enter()
        assert "Nam" in walk.main


def test_the_lot_page_prints_on_one_sheet(stage: Stage, visit: Visits) -> None:
    with visit("Lea") as walk:
        walk.go(f"/lots/{stage.codes['bonding']}")
        paper = walk.page.pdf(format="A4")
        assert paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") == 1 or b"/Count 1" in paper
        walk.page.emulate_media(media="print")
        assert not walk.page.is_visible("nav")
        assert walk.page.is_visible(".sheet .tape")
        assert walk.page.is_visible(".sheet-head svg"), "the code, to be scanned from the paper"
