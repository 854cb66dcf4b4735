"""The terminal over HTTP, as a browser without script uses it: numbers, counts, states, what is taken back, its weight."""

import gzip
import html
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event, select, update

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.definitions import ReasonEntry
from app.db import House
from app.floor.ends import Said, interrupt_run
from app.floor.groups import contents
from app.floor.lots import merge_lots
from app.labels.pack_label import pack_label
from app.ledger.counts import CountEntry
from app.ledger.items import Opening
from app.ledger.runs import Run, RunVoid
from app.main import make_app
from app.naming.resolve import code_of, codes_of, give_code, resolve
from app.people.callers import TERMINAL_COOKIE
from app.people.models import SignIn
from app.receiving.batches import open_batch
from app.scan.stations import station_rows
from tests.browser.shift import MORE, magazine
from tests.browser.staging import Stage
from tests.people.signing_in import PASSWORD, PIN, person, sign_in, terminal
from tests.races.test_races import packed
from tests.small_factory import Factory, define

STATIC = Path(__file__).parent.parent.parent / "app" / "static"


class Screen:
    """One browser at a terminal; `page` is what it shows."""

    def __init__(self, app: Any, badge: str, cookie: str = "") -> None:
        self.client = TestClient(app)
        if cookie:
            self.client.cookies.set(TERMINAL_COOKIE, cookie)
        sign_in(self.client, badge, PIN if cookie else PASSWORD)
        self.page = ""

    def get(self, path: str) -> str:
        self.page = self.client.get(path).text
        return self.page

    def send(self, path: str, **fields: str) -> str:
        """The fields of the first form that goes there, and these."""
        form = next((one for one in re.findall(r"<form.*?</form>", self.page, re.S) if f'action="{path}"' in one), self.page)
        hidden = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form))
        self.page = self.client.post(path, data=hidden | fields, headers={"Origin": "http://testserver"}).text
        return self.page

    def scan(self, code: str) -> str:
        return self.send("/floor/scan", scan=code)

    @property
    def heading(self) -> str:
        found = re.search(r"<h1[^>]*>(.*?)</h1>", self.page, re.S)
        return re.sub(r"<[^>]+>", "", found[1]).strip() if found else ""

    @property
    def said(self) -> str:
        found = re.search(r'class="said[^>]*>(.*?)</p>', self.page, re.S)
        return re.sub(r"<[^>]+>", "", found[1]).strip() if found else ""


@pytest.fixture
def stage(house: House) -> Stage:
    one = Stage(Factory(house).load(*MORE))
    one.factory.mount("Attach", one.factory.batch("GLUE"), one.factory.wafer())
    one.factory.mount("Bond 1", one.factory.batch("AU20"))
    return one


@pytest.fixture
def app(house: House, stage: Stage) -> Iterator[Any]:
    with TestClient(make_app(house.settings, house)) as client:
        yield client.app


@pytest.fixture
def ola(app: Any, house: House) -> Screen:
    return Screen(app, person(house, "Ola", "operate"))


def _asked_for_numbers(stage: Stage, ola: Screen) -> str:
    """The magazine whose wire bond is to be finished."""
    box = magazine(stage, "Attach", "Plasma").code
    ola.get(f"/floor?station={stage.station('Bond 1')}")
    ola.scan(box)
    ola.scan(stage.station("Bond 1"))
    ola.scan(box)
    return box


def test_numbers_are_entered_looked_at_once_more_and_confirmed(stage: Stage, ola: Screen) -> None:
    box = _asked_for_numbers(stage, ola)
    assert "pull, in gf" in ola.page and "Finish wire bond" in ola.heading
    ola.send("/floor/finish", **{"value.pull": "4.5"})
    assert ola.heading == f"Finish wire bond on {box}?", "one is missing"
    ola.send("/floor/finish", **{"value.pull": "4.5", "value.shear": "1o"})
    assert "1o can't be read as a number" in ola.page
    ola.send("/floor/finish", **{"value.pull": "4.5", "value.shear": "20"})
    assert ola.heading == f"Finish wire bond on {box}?"
    assert "4.5 gf" in ola.page and "20 gf" in ola.page
    again = re.search(r'href="([^"]+)">Enter them again<', ola.page)
    assert again is not None and 'value="4.5"' not in Screen.get(ola, html.unescape(again[1])), "what was mistyped is put right before it is recorded"
    ola.send("/floor/finish", **{"value.pull": "4.5", "value.shear": "20"})
    ola.scan(stage.station("Bond 1"))
    assert ola.said == f"Finished wire bond on {box}."


def test_a_number_that_was_sent_empty_is_asked_for_again_with_a_word_of_why(stage: Stage, ola: Screen) -> None:
    """One after another: what comes later may be empty still, not the one that was asked for, nor one before another that is there."""
    box = _asked_for_numbers(stage, ola)
    for pull, shear, emptied in (("", "", "pull"), ("4.5", "", ""), ("4.5", "", "shear"), ("", "20", "pull")):
        ola.send("/floor/finish", **{"value.pull": pull, "value.shear": shear})
        assert ola.heading == f"Finish wire bond on {box}?"
        assert re.findall("Nothing was entered for ([a-z]+)[.]", ola.page) == ([emptied] if emptied else []), (pull, shear)
    ola.send("/floor/finish", **{"value.pull": "4.5", "value.shear": "20"})
    assert "Nothing was entered" not in ola.page and "20 gf" in ola.page


def test_a_pack_is_found_by_the_symbol_of_its_own_label(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory)
    ola = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    with house.reading() as session:
        message = pack_label(session, pack).message.decode()
    for text in (message, re.sub(r"[\x00-\x1f]", "", message)):  # the second: by a scanner that types like a keyboard
        ola.get("/floor")
        ola.scan(text)
        assert pack.code in ola.heading, text
        assert ola.client.get("/find", params={"code": text}, follow_redirects=False).headers["location"].endswith(pack.code)


@pytest.mark.parametrize("label", ["[)>\x1e06\x1dPXX-9\x1d1TABC\x1dQ200\x1e\x04", "9" * 201])
def test_another_firm_s_label_is_refused_on_the_terminal_where_the_next_scan_works(stage: Stage, ola: Screen, label: str) -> None:
    """Such a label has what parts its fields, or is long. Refused off the terminal it left no field, and the scans after it went nowhere."""
    ola.get(f"/floor?station={stage.station('Bond 1')}")
    ola.scan(label)
    assert ola.heading == "Stop. That is no code of this factory." and "Bond 1" in ola.page
    box = magazine(stage, "Attach", "Plasma").code
    ola.scan(box)
    ola.scan(stage.station("Bond 1"))
    ola.scan(box)
    assert "pull, in gf" in ola.page
    ola.send("/floor/finish", **{"value.pull": label})
    assert ola.heading == "Stop. That is no code of this factory." and 'name="scan"' in ola.page


def test_what_is_at_hand_takes_as_few_statements_for_every_station_as_for_one(stage: Stage, house: House) -> None:
    attach = stage.factory.things["Attach"]
    with house.reading() as session:
        every = [one.id for one in catalogue.every(session, "station")]
    stage.factory.run("Attach", magazine(stage))
    sent: list[str] = []
    event.listen(house.read_engine, "before_cursor_execute", note := lambda _c, _cursor, sql, *_: sent.append(sql))
    counts = []
    for stations in ([attach], every):
        with house.reading() as session:
            catalogue.site(session)
            sent.clear()
            assert len(station_rows(session, stations, clock.now())) == len(stations)
            counts.append(len(sent))
    event.remove(house.read_engine, "before_cursor_execute", note)
    assert counts[0] == 2 and counts[1] <= 4


@pytest.mark.parametrize(("counted", "words"), [
    ("40", "Counted 40; the book says 40: the same."),
    ("38", "Take care. Finished look on {box}. Counted 38; the book says 40: 2 fewer, beyond counting"),
])  # fmt: skip
def test_a_count_is_blind_until_it_is_on_the_record(stage: Stage, ola: Screen, counted: str, words: str) -> None:
    box = magazine(stage, "Attach", "Plasma")
    stage.factory.run("Bond 1", box, pull=5.0, shear=20.0)
    stage.factory.start("Scope", box)
    ola.get(f"/floor?station={stage.station('Scope')}")
    ola.scan(box.code)
    assert ">40<" not in ola.page and "good units" not in ola.page
    ola.send("/floor/finish", **{"count.units": counted})
    assert "book says" not in ola.page.replace("What the book says is shown", "")
    ola.send("/floor/finish", confirmed="yes")
    assert words.format(box=box.code) in ola.said
    assert ('class="said care"' in ola.page) == ("Take care" in words)
    with stage.factory.house.reading() as session:
        entry = session.scalars(select(CountEntry).where(CountEntry.kind == "counted")).one()
        assert (entry.units, entry.method, entry.book, entry.run is not None) == (int(counted), "hand", 40, True)


def test_a_finish_sent_again_after_its_answer_was_lost_gets_that_answer(stage: Stage, ola: Screen) -> None:
    box = magazine(stage).code
    attach = stage.station("Attach")
    ola.get(f"/floor?station={attach}")
    ola.scan(box)
    ola.scan(attach)
    ola.scan(box)
    before = ola.page
    ola.scan(attach)
    assert ola.said == f"Finished die attach on {box}."
    ola.page = before
    ola.scan(attach)
    assert ola.said == f"Finished die attach on {box}.", "not a refusal that its next step is not done here"


def test_the_start_card_read_twice_says_again_what_was_said(stage: Stage, ola: Screen) -> None:
    ola.get(f"/floor?station={stage.station('Attach')}")
    ola.scan(magazine(stage).code)
    ola.scan("Y-START-E")
    said = ola.said
    assert said.startswith("Started on")
    ola.scan("Y-START-E")
    assert ola.said == said
    ola.scan(stage.station("Attach"))
    assert ola.said == said


def test_states_are_said_by_card_or_touch_and_taken_back(house: House, stage: Stage, ola: Screen) -> None:
    def card(name: str) -> str:
        return stage.factory.do("load_catalogue", lambda s, by: give_code(s, by, "card", stage.factory.things[name]))

    cards = {name: card(name) for name in ("jam", "something else")}
    saw = stage.station("Saw")
    ola.get("/floor")
    ola.scan(cards["jam"])
    assert "No station is chosen" in ola.page
    ola.get("/floor")
    ola.scan(saw)
    ola.scan(cards["jam"])
    assert ola.said == "Saw: unscheduled downtime, jam."
    ola.get(f"/floor/undo/{undo_link(ola)}?station={saw}")
    assert ola.heading == "Put Saw back to what was said of it before: productive, entered by mistake?"
    ola.send("/floor/undo")
    assert "standby" in ola.page and "unscheduled downtime, jam" not in ola.said
    ola.scan(cards["something else"])
    assert ola.heading == "What is Saw now?"
    assert ola.page.count("<form method=\"post\" action=\"/floor/state\"") == 6, "each of the six, for a reason that has none"
    ola.send("/floor/state", state="engineering", reason="something else")
    assert ola.said == "Saw: engineering, something else."


def undo_link(screen: Screen) -> str:
    found = re.search(r"/floor/undo/(\d+)", screen.page)
    assert found is not None
    return found[1]


def test_a_start_is_taken_back_by_who_made_it_or_a_lead_and_by_nobody_else(app: Any, house: House, stage: Stage, ola: Screen) -> None:
    attach, box = stage.station("Attach"), magazine(stage).code
    bo, lea = Screen(app, person(house, "Bo", "operate")), Screen(app, person(house, "Lea", "lead", "operate"))
    ola.get(f"/floor?station={attach}")
    ola.scan(box)
    ola.scan(attach)
    entry = undo_link(ola)
    assert "/floor/undo/" not in bo.get(f"/floor?station={attach}"), "no way is shown that would be refused"
    assert f"/floor/undo/{entry}" in lea.get(f"/floor?station={attach}")
    bo.get(f"/floor/undo/{entry}?station={attach}")
    bo.send("/floor/undo", reason="wrong magazine")
    assert bo.heading.startswith("Stop.") and "Ask the person who entered it, or a lead" in bo.page
    ola.get(f"/floor/undo/{entry}?station={attach}")
    assert ola.heading.endswith(f"die attach on {box} at Attach?"), "what is taken back is named, and not by its run's code alone"
    ola.send("/floor/undo", reason="wrong magazine")
    assert "is void" in ola.said
    assert "taken back" in ola.page
    with house.reading() as session:
        assert session.scalars(select(RunVoid)).one().reason == "wrong magazine"
        assert session.scalars(select(Run).order_by(Run.id.desc())).first() is not None


def test_the_terminal_tells_until_when_material_is_good_and_asks_whether_it_is_open(stage: Stage, house: House, ola: Screen) -> None:
    """Pot life runs from an act of opening, which nothing at the terminal asked for."""
    attach, box = stage.station("Attach"), magazine(stage).code
    page = ola.get(f"/floor?station={attach}")
    link = re.search(r'href="/do/act\?call=/batches/%7Bbatch%7D/open&amp;batch=(B[^"]+)"', page)
    assert link is not None and "good until" not in page
    glue = stage.factory.do("open_batch", lambda s, by: local_time(open_batch(s, by, resolve(s, link[1], "batch"))))
    assert re.search(f'good until <span class="code">[^<]*{glue}', ola.get(f"/floor?station={attach}")) and "Not told" not in ola.page
    ola.scan(box)
    assert re.search(f"adhesive GLUE on the station, good until [^<]*{glue}", ola.page)


def local_time(opening: Opening) -> str:
    return f"{opening.pot_life_ends_at:%H:%M}"


def test_a_reason_keeps_its_letters_on_its_button(stage: Stage, ola: Screen) -> None:
    reason = ReasonEntry(name="falsches Los nach ESD-Alarm", of=("void",))
    stage.factory.do("load_catalogue", lambda s, by: len(define(s, by, [("reason", reason.name, reason)])))
    attach, box = stage.station("Attach"), magazine(stage).code
    ola.get(f"/floor?station={attach}")
    ola.scan(box)
    ola.scan(attach)
    ola.get(f"/floor/undo/{undo_link(ola)}?station={attach}")
    assert "<button>Falsches Los nach ESD-Alarm</button>" in ola.page and "Touch why" in ola.page


def test_a_person_sees_all_stations_that_they_attend(stage: Stage, ola: Screen) -> None:
    attach, saw = stage.station("Attach"), stage.station("Saw")
    box = magazine(stage).code
    ola.get("/floor")
    for code in (saw, attach, box, attach):
        ola.scan(code)
    page = re.sub(r"<[^>]+>", "", ola.get("/floor/stations"))
    assert "1 productive, 1 standby" in page
    assert re.search(r"die attach\s+L26-\d+-\w since \d\d:\d\d", page)
    ola.scan(saw)
    assert f"<strong>Saw</strong> <span class=\"code\">{saw}</span>" in ola.page
    ola.get("/floor/stations")
    ola.send("/floor/leave", item=saw)
    assert f"Leave<span class=\"unseen\"> {saw}" not in ola.page and f"> {attach}" in ola.page


def test_the_badge_alone_comes_back_at_its_terminal_within_the_shift(app: Any, house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    there = Screen(app, badge, cookie)

    def by_badge(cookie: str) -> bool:
        client = TestClient(app)
        client.cookies.set(TERMINAL_COOKIE, cookie) if cookie else None
        answer = sign_in(client, badge, "", next="/floor")
        return answer.status_code == 200 and "Scan" in answer.text and "/sign-in" not in str(answer.url)

    assert by_badge(cookie)
    assert not by_badge(terminal(house)), "another terminal asks for the PIN"
    assert not by_badge(""), "and so does a desk"
    with house.writing() as session:
        session.execute(update(SignIn).values(reopens_until=clock.now() - timedelta(seconds=1)))
    assert not by_badge(cookie), "the shift is over"
    there = Screen(app, badge, cookie)
    assert by_badge(cookie)
    there = Screen(app, badge, cookie)
    there.get("/floor")
    there.send("/sign-out")
    assert not by_badge(cookie), "who signs out wants the PIN asked again"


def test_a_reopened_session_ends_when_the_one_with_the_pin_would_have(app: Any, house: House) -> None:
    badge, cookie = person(house, "Mara", "operate"), terminal(house)
    Screen(app, badge, cookie)
    early = datetime.now(UTC) - timedelta(hours=11, minutes=58)
    with house.writing(as_owner=True) as session:
        session.execute(update(SignIn).values(begun_at=early, reopens_until=early + timedelta(hours=12)))
    client = TestClient(app)
    client.cookies.set(TERMINAL_COOKIE, cookie)
    sign_in(client, badge, "", next="/floor")
    with house.reading() as session:
        assert session.scalars(select(SignIn.begun_at)).all() == [early, early]


def test_a_terminal_that_serves_one_station_starts_in_two_scans(app: Any, house: House, stage: Stage) -> None:
    stage.factory.mount("Bonder 31", stage.factory.batch("AU20"))
    box = magazine(stage, "Attach", "Plasma").code
    screen = Screen(app, person(house, "Pia", "operate"), terminal(house, "bay"))
    screen.get("/floor")
    assert "<strong>Bonder 31</strong>" in screen.page
    screen.scan(box)
    assert screen.heading == f"Start wire bond on {box}?"
    screen.scan("Y-START-E")
    assert f"Started on {box}" in screen.said


def test_a_floor_page_weighs_under_40_kb(stage: Stage, ola: Screen) -> None:
    """Everything that a first visit loads, compressed: the page and what it names."""
    attach, box = stage.station("Attach"), magazine(stage).code
    ola.get(f"/floor?station={attach}")
    for _ in range(3):
        ola.scan(attach)
    for page in (ola.get(f"/floor?station={attach}"), ola.get(f"/floor?station={attach}&ask={box}"), ola.get("/floor/stations")):
        parts = re.findall(r'(?:src|href)="/static/([^"]+)"', page)
        assert {"reelroot.css", "floor.js"} <= set(parts)
        weight = len(gzip.compress(page.encode())) + sum(len(gzip.compress((STATIC / part).read_bytes())) for part in parts)
        print(f"{weight:,} bytes")
        assert weight < 40_000


def test_cards_of_reasons_stand_on_one_sheet(stage: Stage, ola: Screen) -> None:
    factory = stage.factory
    code = factory.do("load_catalogue", lambda s, by: give_code(s, by, "card", factory.things["jam"]))
    page = ola.get("/floor/cards")
    assert "Y-START-E" in page and code in page
    assert page.count("<svg") == 2
    assert isinstance(dict(MORE[4:])["reason"], ReasonEntry)
    with factory.house.reading() as session:
        assert code_of(session, "card", factory.things["jam"]) == code


def test_a_lot_with_nothing_in_it_is_refused_with_the_way_on(stage: Stage, ola: Screen) -> None:
    factory = stage.factory
    one, other = factory.lot(factory.panels(1)), factory.lot(factory.panels(1))
    factory.do("merge_lots", lambda s, by: str(merge_lots(s, by, other.id, [one.id])))
    ola.get(f"/floor?station={stage.station('Attach')}&ask={one.code}")
    assert ola.heading.startswith(f"Stop. {one.code} may not start")
    assert "Nothing is in it now" in ola.page


def test_the_rest_of_an_interrupted_magazine_starts_with_one_scan_and_is_looked_at_first(stage: Stage, ola: Screen) -> None:
    factory, box = stage.factory, magazine(stage, "Attach", panels=3)
    run = factory.start("Plasma", box)
    with factory.house.reading() as session:
        panels = contents(session, box)[0]
        names, code = codes_of(session, "panel", panels), code_of(session, "run", run)
    said = Said(done=panels[:1], in_work=panels[1:2])
    factory.do("interrupt_run", lambda s, by: len(interrupt_run(s, by, s.get_one(Run, run), said)))
    ola.get(f"/floor?station={stage.station('Plasma')}")
    ola.scan(box.code)
    assert ola.heading.startswith("Start plasma on")
    shown = re.sub(r"<[^>]+>", "", ola.page)
    assert "2 of its 3 panels" in shown and f"{names[panels[1]]} may have been begun: run {code} was interrupted." in shown
    ola.send("/floor/start", confirmed="yes")
    assert "Started on" in ola.said
