"""A lead enters a printed sheet over HTTP: sees what will be recorded and held, nothing stays until signed, then all of it in order."""

import html
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import func, select

from app import clock
from app.catalogue.definitions import Station
from app.db import House
from app.floor.progress import progress
from app.genealogy.checks import check
from app.journal.act import SYSTEM, Intent, act, rehearse
from app.journal.models import Entry
from app.ledger.runs import Line, Run
from app.ledger.stops import Hold
from app.main import make_app
from app.naming.resolve import code_of
from app.people.people import add_person
from app.people.secrets import set_secret
from tests.small_factory import Factory
from tests.stories.test_pages import Browser

SHELVED = Station(name="Oven 2", area="hall", operations=("cure",), shelves=("top", "bottom"))
BENCH = Station(name="Bench", area='Nord/Ö #2, 5%20+"x"?', operations=("clean",))  # with all that an address is parted by


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(("station", SHELVED), ("station", BENCH))


@pytest.fixture
def lead(house: House, factory: Factory) -> Iterator[Browser]:
    badges: list[str] = []

    def people(session: Any, by: Any) -> dict[str, str]:
        person = add_person(session, by, "Lea", ["lead"])
        set_secret(session, by, person.id, "password", "long enough", cheap=True)
        badges[:] = [code_of(session, "person", person.id)]
        return {}

    act(house, SYSTEM, "add_person", {}, people)
    with TestClient(make_app(house.settings, house)) as client:
        yield Browser(client, badges[0], "long enough")


def rows(house: House) -> tuple[int, int, int]:
    with house.reading() as session:
        return tuple(session.scalar(select(func.count()).select_from(table)) or 0 for table in (Entry, Run, Hold))  # type: ignore[return-value]


def station(factory: Factory, name: str) -> str:
    with factory.house.reading() as session:
        return code_of(session, "station", factory.things[name])


def test_a_sheet_is_looked_at_and_then_signed(house: House, factory: Factory, lead: Browser) -> None:
    panels = factory.panels(2)
    lot = factory.lot(panels)
    glue, wafer = factory.batch("GLUE"), factory.wafer()
    yesterday = (datetime.now(UTC) - timedelta(days=1)).date().isoformat()
    attach, bond = station(factory, "Attach"), station(factory, "Bond 1")
    fields = {
        "day": yesterday, "code.1": glue.code, "at.1": attach, "when.1": "07:10", "code.2": wafer.code, "at.2": attach, "when.2": "07:12",
        "station.attach": attach, "start.attach": "07:30", "end.attach": "08:10",
        "station.bond": bond, "start.bond": "09:00", "end.bond": "09:40", "value.bond.pull": "5.2",
    }  # fmt: skip
    lead.get(f"/back-entry?code={lot.code}")
    before = rows(house)
    seen = lead.post(f"/back-entry/{lot.code}", **fields)
    assert seen.count('<span class="state go">no hold') == 5  # the end of the bond holds nothing more
    assert "will be held:" in seen
    assert "come to cure 1 next, not to bond. No wire is on Bond 1." in seen
    assert rows(house) == before, "looking leaves nothing behind"
    form = seen[seen.index('class="sign-here"') : seen.index("The sheet as typed")]
    hidden = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form))
    again = lead.post(f"/back-entry/{lot.code}/enter", **(hidden | {"password": "wrong"}))
    assert "password" in again.lower()
    assert rows(house)[1:] == before[1:]
    lead.post(f"/back-entry/{lot.code}/enter", **(hidden | {"password": "long enough"}))
    assert "Entered: 6 lines of the sheet." in lead.page.text
    with house.reading() as session:
        runs = list(session.scalars(select(Run).order_by(Run.id)))
        stand = progress(session, [panels[0].id])[panels[0].id]
        signed = list(session.scalars(select(Entry.signed).where(Entry.fact)))
    assert [f"{run.started_at:%H:%M}-{run.ended_at:%H:%M}" for run in runs if run.ended_at] == ["07:30-08:10", "09:00-09:40"]
    assert (stand.times("attach"), stand.times("bond")) == (1, 1)
    assert signed == [True] * 6
    assert rows(house)[2] == before[2] + 1
    assert list(check(house)) == []


def test_a_cure_is_entered_with_the_shelf_that_it_lay_on(house: House, factory: Factory, lead: Browser) -> None:
    """Which sensors tell of it depends on the shelf: without one the cure passes by signature only."""
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    lot = factory.lot(factory.panels(1))
    factory.run("Attach", lot)
    page = lead.get("/paper/area?area=hall")
    assert " shelf:" in page
    yesterday = (datetime.now(UTC) - timedelta(days=1)).date().isoformat()
    fields = {"day": yesterday, "station.cure": station(factory, "Oven 2"), "start.cure": "07:30", "end.cure": "09:10"}
    page = lead.get(f"/back-entry/{lot.code}")
    assert re.findall(r'<select id="(shelf[^"]+)"', page) == ["shelf.cure"]
    seen = lead.post(f"/back-entry/{lot.code}", **fields, **{"shelf.cure": "middle"})
    assert "Oven 2 has no shelf middle. Its shelves are top, bottom. Name one of them." in seen
    seen = lead.post(f"/back-entry/{lot.code}", **fields, **{"shelf.cure": "bottom"})
    assert ", shelf bottom" in seen
    assert "<option selected>bottom</option>" in seen
    form = seen[seen.index('class="sign-here"') : seen.index("The sheet as typed")]
    hidden = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form))
    lead.post(f"/back-entry/{lot.code}/enter", **(hidden | {"password": "long enough"}))
    with house.reading() as session:
        assert session.scalars(select(Line.shelf).where(Line.step == "cure")).all() == ["bottom"]


def test_the_sheets_of_an_area_are_found_whatever_its_name_holds(lead: Browser) -> None:
    links = re.findall(r'href="(/paper/area[^"]*)"', lead.get("/paper"))
    told = [lead.get(html.unescape(link)) for link in links]
    assert [html.unescape(page.split("<h1>")[1].split("</h1>")[0]) for page in told] == [f"Sheets of {area}" for area in (BENCH.area, "hall")]


def test_what_changed_since_it_was_seen_is_not_signed(house: House, factory: Factory, lead: Browser) -> None:
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    lot = factory.lot(factory.panels(1))
    yesterday = (datetime.now(UTC) - timedelta(days=1)).date().isoformat()
    fields = {"day": yesterday, "station.attach": station(factory, "Attach"), "start.attach": "07:30", "password": "long enough"}
    lead.get(f"/back-entry/{lot.code}")
    page = lead.post(f"/back-entry/{lot.code}/enter", **fields, seen="something else")
    assert "not what was looked at" in page
    assert rows(house)[1] == 0


def test_a_line_that_can_t_be_entered_is_named_and_those_before_it_told(house: House, factory: Factory, lead: Browser) -> None:
    lot = factory.lot(factory.panels(1))
    yesterday = (datetime.now(UTC) - timedelta(days=1)).date().isoformat()
    lead.get(f"/back-entry/{lot.code}")
    page = lead.post(f"/back-entry/{lot.code}", day=yesterday, **{"station.attach": "S-9999-X", "start.attach": "07:30", "end.attach": "08:00"})
    assert "can't be entered:" in page
    assert "The 1 after it were not looked at." in page
    assert "Sign and enter" not in page


def test_a_step_s_code_leads_to_its_row(factory: Factory, lead: Browser) -> None:
    lot = factory.lot(factory.panels(1))
    page = lead.get(f"/back-entry/{lot.code}")
    code = re.findall(r'data-step="(N-04-.)"', page)[0]
    page = lead.post(f"/back-entry/{lot.code}", **{"day": code})
    focused = re.search(r'<input id="([^"]+)"[^>]* autofocus', page)
    assert focused is not None
    assert focused[1] == "station.bond"


def test_a_rehearsal_leaves_nothing_and_goes_no_further_than_the_first_refusal(house: House, factory: Factory) -> None:
    before = rows(house)
    intents = [Intent("receive_batch", {}, lambda s, by: {"n": by.e}, clock.now()) for _ in range(3)]
    answers = rehearse(house, SYSTEM, intents, source="person", fact=True)
    numbers = [answer["n"] for answer in answers if isinstance(answer, dict)]
    assert numbers == sorted(set(numbers))
    assert len(numbers) == 3
    assert rows(house) == before
