"""A shift at one terminal, its actions counted; two terminals on one magazine; a server that goes away. An action is one scan, one touch,
one key press; a number typed and entered is one too, for its digits are the measurement's."""

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from app.db import House
from app.journal.models import Entry
from app.ledger.counts import CountEntry
from app.ledger.runs import Reading, Run
from app.naming.resolve import Named, resolve
from app.people.callers import TERMINAL_COOKIE
from tests.browser.looks import faults
from tests.browser.shift import PIN, bay, magazine
from tests.browser.staging import Stage, serving
from tests.browser.visits import Visit, visiting

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Route

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]  # what the pages do is the same on both databases

README = Path(__file__).parent.parent.parent / "README.md"
HEAD = "| at the terminal | actions |\n| --- | ---: |\n"
ACTIONS = {
    "sign in with badge and PIN": 2,
    "come back by badge within the shift": 1,
    "choose a station": 1,
    "put material on": 1,
    "start a step, station chosen": 2,
    "start a step where the terminal serves several stations": 3,
    "finish a step that records nothing": 2,
    "finish a step that records two values": 4,
    "finish a step that is counted": 3,
    "start ten magazines one after another": 20,
    "say a jam by card": 1,
    "say a jam by touch": 2,
    "change a spool in mid-run": 1,
    "take a start back": 2,
    "open any of my stations": 1,
    "hand all stations over": 2,
}


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with fresh_house(tmp_path_factory.mktemp("bay")) as house, serving(bay(house)) as one:
        yield one


@dataclass
class Hands:
    """What a person does at the terminal, counted."""

    walk: Visit
    done: int = 0
    table: dict[str, int] = field(default_factory=dict)

    def scan(self, code: str) -> str:
        self.done += 1
        return self.walk.scan(code)

    def enter(self, number: str) -> str:
        self.done += 1
        return self.walk.scan(number)

    def touch(self, text: str) -> str:
        self.done += 1
        return self.walk.answered(lambda: self.walk.page.locator(f"main :is(a, button):has-text('{text}')").first.click())

    @contextmanager
    def counted(self, what: str) -> Iterator[None]:
        before = self.done
        yield
        self.table[what] = self.done - before


@contextmanager
def terminal(browser: "Browser", stage: Stage, **how: object) -> Iterator[Visit]:
    """A browser that was enrolled in the bay; nobody is signed in."""
    with visiting(browser, stage, **how) as walk:  # type: ignore[arg-type]
        walk.page.context.add_cookies([{"name": TERMINAL_COOKIE, "value": stage.codes["terminal"], "url": stage.url}])
        yield walk
        assert walk.elsewhere == [], "a page asked another host for something"
        assert [one for one in walk.wrong if "status of 4" not in one and "ERR_FAILED" not in one] == [], "the console complains"


def badge_and_pin(walk: Visit, badge: str) -> None:
    walk.go("/sign-in?next=/floor")
    walk.scan(badge)
    walk.scan(PIN)


def count(stage: Stage, what: type[Run | Reading | Entry | CountEntry]) -> int:
    with stage.factory.house.reading() as session:
        return session.scalar(select(func.count()).select_from(what)) or 0


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_shift_at_one_terminal(browser: "Browser", stage: Stage, script: bool) -> None:
    with terminal(browser, stage, script=script) as walk:
        hands = Hands(walk)
        assert _shift(stage, hands) == ACTIONS
    table = HEAD + "".join(f"| {what} | {n} |\n" for what, n in ACTIONS.items())
    print(table)
    text = README.read_text()
    assert HEAD not in text or table in text, "the README's table is another one"


def _shift(stage: Stage, hands: Hands) -> dict[str, int]:
    walk, attach, bond, scope = hands.walk, stage.station("Attach"), stage.station("Bond 1"), stage.station("Scope")
    start, jam = stage.codes["start"], stage.codes["jam"]
    with hands.counted("sign in with badge and PIN"):
        walk.go("/sign-in?next=/floor")
        hands.scan(stage.badges["Ola"])
        assert hands.enter(PIN).startswith("Scan")
    with hands.counted("choose a station"):
        assert hands.scan(attach) == "Scan a lot, its magazine, or material"
    boxes = [magazine(stage).code for _ in range(10)]
    before = count(stage, Run)
    with hands.counted("start ten magazines one after another"):
        for box in boxes:
            assert hands.scan(box) == f"Start die attach on {box}?"
            hands.scan(start)
            assert f"Started on {box}" in walk.said
            assert walk.field() == "scan"
    assert count(stage, Run) == before + 10
    with hands.counted("take a start back"):
        assert hands.touch("Undo").startswith("Void run")
        hands.touch("Wrong magazine")
    assert "is void: its step comes again" in walk.said
    with hands.counted("finish a step that records nothing"):
        hands.scan(boxes[0])
        hands.scan(attach)
    assert walk.said == f"Finished die attach on {boxes[0]}."
    _wrong_codes(stage, walk, boxes)

    box = magazine(stage, "Attach", "Plasma").code
    walk.scan(bond)
    with hands.counted("put material on"):
        hands.scan(stage.codes["wire"])
    with hands.counted("start a step, station chosen"):
        assert hands.scan(box) == f"Start wire bond on {box}?"
        hands.scan(bond)
    with hands.counted("change a spool in mid-run"):
        hands.scan(stage.codes["gold"])
    assert f"{stage.codes['wire']} came off" in walk.said
    with hands.counted("say a jam by card"):
        hands.scan(jam)
    assert "unscheduled downtime" in walk.main
    assert "is down (unscheduled downtime): jam" in (walk.scan(magazine(stage, "Attach", "Plasma").code) and walk.main), "nothing starts there now"
    walk.enter()
    walk.scan(stage.codes["back to work"])
    with hands.counted("say a jam by touch"):
        hands.touch("Jam, refill")
        hands.touch("jam")
    walk.scan(stage.codes["back to work"])
    assert "productive since" in walk.main
    with hands.counted("finish a step that records two values"):
        assert hands.scan(box) == f"Finish wire bond on {box}?"
        hands.enter("5,2")
        assert hands.enter("9") == f"Finish wire bond on {box}?", "looked at once more"
        assert "Finished" not in walk.main
        hands.scan(start)
    assert "9 gf is out of limits: it is on hold" in walk.said, "whoever has it in hand hears of it"

    box = magazine(stage, "Attach", "Plasma").code
    stage.factory.finish(stage.factory.start("Bond 2", _named(stage, box)), pull=5.0, shear=20.0)
    walk.scan(scope)
    walk.go("/floor")
    with hands.counted("start a step where the terminal serves several stations"):
        hands.scan(scope)
        assert hands.scan(box) == f"Start look on {box}?"
        hands.scan(start)
    with hands.counted("finish a step that is counted"):
        assert hands.scan(box) == f"Finish look on {box}?"
        assert 40 not in _numbers_of_tiles(walk), "the count is blind"
        hands.enter("39")
        assert 40 not in _numbers_of_tiles(walk)
        hands.scan(scope)
    assert "Counted 39; the book says 40: 1 fewer, beyond counting" in walk.said

    walk.go("/floor/stations")
    assert walk.field() == "scan"
    with hands.counted("open any of my stations"):
        hands.scan(bond)
    assert "Bond 1" in walk.page.inner_text(".here")
    _others_turn(stage, hands)
    return hands.table


def _numbers_of_tiles(walk: Visit) -> list[int]:
    """Those that are no clock's: at twenty to any hour a time has a 40 as well."""
    return [int(one) for one in re.findall(r"\d+", re.sub(r"\d+:\d+", "", walk.page.inner_text(".tiles")))]


def _wrong_codes(stage: Stage, walk: Visit, boxes: list[str]) -> None:
    """Double reads, a code of nothing, another magazine in the middle of a question, the way back."""
    before = count(stage, Run)
    fresh, other = magazine(stage).code, magazine(stage).code
    assert "NOPE" in walk.scan("NOPE")
    assert walk.field() == "scan"
    assert walk.scan(fresh) == f"Start die attach on {fresh}?", "a refusal is left by the next scan"
    assert walk.scan(other) == f"Start die attach on {other}?", "another magazine asks about that one"
    assert walk.scan(boxes[0]).startswith("Stop."), "its next step is not done here"
    assert walk.answered(walk.page.go_back) in (f"Start die attach on {other}?", f"Start die attach on {fresh}?")
    assert count(stage, Run) == before
    walk.go(f"/floor?station={stage.station('Attach')}")


def _others_turn(stage: Stage, hands: Hands) -> None:
    walk = hands.walk
    with hands.counted("hand all stations over"):
        assert hands.scan(stage.badges["Bo"]) == "Hand over to Bo?"
        hands.scan(stage.codes["start"])
    assert walk.field() == "secret", "the PIN of the one who takes over"
    walk.scan(PIN)
    assert "Attach" in walk.main
    assert walk.scan(stage.badges["Ola"]) == "Hand over to Ola?"
    walk.answered(lambda: walk.page.click("text=Only sign in here"))
    with stage.factory.house.reading() as session:
        last = session.scalars(select(Entry).order_by(Entry.id.desc())).first()
    assert last is not None and last.actor_name == "Ola", "the hand-over was the last entry: to sign in is none"
    assert "Bonder 31" in walk.page.inner_text(".here"), "Ola is back by the badge alone, without stations: the bay's own one is meant"
    with hands.counted("come back by badge within the shift"):
        walk.go("/sign-in?next=/floor")
        assert hands.scan(stage.badges["Bo"]).startswith("Scan")
    walk.scan(stage.badges["Ola"])
    walk.scan(stage.codes["start"])  # for the next test: all stations are Ola's again
    for station in ("Attach", "Bond 1", "Scope"):
        walk.go("/floor/stations")
        walk.answered(lambda name=station: walk.page.click(f"button:has-text('Leave {stage.station(name)}')"))
    for badge in ("Ola", "Bo"):
        walk.go("/sign-in?next=/floor")
        walk.scan(stage.badges[badge])
        walk.answered(lambda: walk.page.click("text=Sign out"))
    walk.go("/sign-in?next=/floor")
    assert walk.scan(stage.badges["Bo"]) == "Sign in", "who has signed out gives the PIN again"


def _named(stage: Stage, code: str) -> Named:
    with stage.factory.house.reading() as session:
        return resolve(session, code)


def test_a_scanner_that_reads_twice_before_the_page_answers(browser: "Browser", stage: Stage) -> None:
    """Keys come at 2 ms each and do not wait for the server."""
    box, attach = magazine(stage).code, stage.station("Attach")
    before = count(stage, Run)
    with terminal(browser, stage) as walk:
        badge_and_pin(walk, stage.badges["Lea"])
        walk.scan(attach)
        for code in (box, box, attach, attach):
            walk.page.keyboard.type(code, delay=2)
            walk.page.keyboard.press("Enter")
        walk.page.wait_for_selector(".said:has-text('Started on')")
        walk.page.wait_for_selector("html:not([data-sending])", state="attached")
        assert walk.scan(box) == f"Finish die attach on {box}?"
    assert count(stage, Run) == before + 1


def test_two_terminals_want_one_magazine(browser: "Browser", stage: Stage) -> None:
    box, attach = magazine(stage).code, stage.station("Attach")
    with terminal(browser, stage) as one, terminal(browser, stage) as other:
        for walk, name in ((one, "Lea"), (other, "Bo")):
            badge_and_pin(walk, stage.badges[name])
            walk.scan(attach)
            assert walk.scan(box) == f"Start die attach on {box}?"
        one.scan(stage.codes["start"])
        assert "Started on" in one.said
        assert other.scan(stage.codes["start"]) == f"Stop. {box} may not start die attach at Attach."
        assert "by Lea" in other.main
        assert other.scan(box) == f"Finish die attach on {box}?", "what runs there may be finished by whoever has it in hand"


def test_a_scan_outlives_a_server_that_goes_away(browser: "Browser", stage: Stage) -> None:
    box, attach = magazine(stage).code, stage.station("Attach")
    away: list[str] = ["unreached", "unanswered"]  # what becomes of the next scans: the answer to the second is lost on its way

    def wire(route: "Route") -> None:
        if route.request.method != "POST" or not away:
            return route.continue_()
        if away.pop(0) == "unanswered":
            route.fetch()
        return route.abort()

    with terminal(browser, stage) as walk:
        badge_and_pin(walk, stage.badges["Lea"])
        walk.scan(attach)
        walk.scan(box)
        before = count(stage, Run)
        walk.page.route("**/floor/scan", wire)
        walk.type(stage.codes["start"])
        walk.page.keyboard.press("Enter")
        walk.page.wait_for_selector(f".no-answer:has-text('{stage.codes['start']} is kept')")
        assert walk.page.get_attribute("html", "data-sounded") == "yes" or walk.page.wait_for_selector("html[data-sounded=yes]", state="attached")
        walk.page.wait_for_selector(".said:has-text('Started on')")
        assert not walk.page.is_visible(".no-answer")
        assert walk.field() == "scan"
    assert away == []
    assert count(stage, Run) == before + 1, "sent three times with one key, done once"


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_load_is_begun_at_an_oven_and_left_again(browser: "Browser", stage: Stage, script: bool) -> None:
    with terminal(browser, stage, script=script) as walk:
        badge_and_pin(walk, stage.badges["Bo"])
        walk.go(f"/floor?station={stage.station('Oven')}")
        assert walk.field() == "scan", "the first key of a scan goes into the field, not into the choice of a recipe"
        walk.page.select_option("select[name=recipe]", "C150")
        walk.answered(lambda: walk.page.click("button:has-text('Begin a load')"))
        assert walk.heading.endswith("being filled") and "recipe C150" in walk.main
        walk.answered(lambda: walk.page.click("button:has-text('Cancel the load')"))
        walk.go(f"/floor?station={stage.station('Oven')}")
        assert walk.page.is_visible("button:has-text('Begin a load')")


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_at_an_oven_that_runs_the_next_load_is_a_touch_further(browser: "Browser", stage: Stage, script: bool) -> None:
    factory, lot = stage.factory, stage.factory.lot(stage.factory.panels(1))
    factory.run("Attach", lot)
    run = factory.start("Oven", lot)
    with terminal(browser, stage, script=script) as walk:
        badge_and_pin(walk, stage.badges["Bo"])
        if script:
            assert faults(walk, f"/floor?station={stage.station('Oven')}", gloves=True) == []
        walk.go(f"/floor?station={stage.station('Oven')}")
        assert walk.field() == "scan"
        assert not walk.page.is_visible("button:has-text('Begin a load')") and not walk.page.is_visible("select[name=recipe]")
        walk.page.click("summary:has-text('Begin the next load')")
        walk.page.select_option("select[name=recipe]", "C150")
        walk.answered(lambda: walk.page.click("button:has-text('Begin a load')"))
        assert walk.heading.endswith("being filled") and "recipe C150" in walk.main
        walk.answered(lambda: walk.page.click("button:has-text('Cancel the load')"))
    factory.finish(run)


def test_every_screen_is_plain_to_all(browser: "Browser", stage: Stage) -> None:
    """axe finds nothing in either scheme; at each size nothing is too wide and nothing too small for a glove."""
    at, found = stage.station, []
    box, lot = magazine(stage, "Attach", "Plasma").code, stage.factory.lot(stage.factory.panels(2))
    stage.factory.run("Attach", lot)
    with terminal(browser, stage) as walk:
        found += faults(walk, f"/sign-in?badge={stage.badges['Bo']}", gloves=True)
        badge_and_pin(walk, stage.badges["Bo"])
        for station in ("Bond 1", "Scope", "Bonder 31"):
            walk.scan(at(station))
        walk.scan(stage.codes["jam"])
        undo = walk.page.locator("a:has-text('Undo')").first.get_attribute("href") or ""
        bonding = f"/floor?station={at('Bond 2')}&ask="
        for path in (
            f"/floor?station={at('Bonder 31')}", bonding + box, bonding + magazine(stage).code, f"/floor?where={box}",
            f"/floor?ask={stage.badges['Ola']}", f"/floor/state?station={at('Scope')}", undo, "/floor/stations", "/floor/cards",
            f"/floor?station={at('Oven')}", f"/floor?station={at('Oven')}&ask={lot.code}",
        ):  # fmt: skip
            found += faults(walk, path, gloves="/cards" not in path)
        walk.go(bonding + box)
        walk.scan(stage.codes["start"])
        found += faults(walk, bonding + box, gloves=True)
        assert walk.page.is_visible("[name='value.pull']")
    assert found == []
