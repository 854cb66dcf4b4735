"""What a hold stops now, on its page: packs, loose lots and panels by their lots, with where each is; counted, whatever of it is shown."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event

from app import clock
from app.db import House
from app.floor.lots import split_lot
from app.floor.moves import move_item
from app.floor.samples import sample_cells
from app.genealogy import pages
from app.genealogy.freed import stopped_now
from app.genealogy.held_now import held_now
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.ledger.stops import Hold
from app.main import make_app
from app.naming.resolve import Named, code_of, resolve
from app.people.people import add_person
from app.people.secrets import set_secret
from tests.small_factory import Factory
from tests.stories.test_pages import Browser


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


@pytest.fixture
def browser(factory: Factory) -> Iterator[Browser]:
    def quinn(session, by):  # type: ignore[no-untyped-def]
        person = add_person(session, by, "Quinn", ["quality"])
        set_secret(session, by, person.id, "password", "long enough", cheap=True)
        return code_of(session, "person", person.id)

    badge = factory.do("add_person", quinn)
    with TestClient(make_app(factory.house.settings, factory.house)) as client:
        yield Browser(client, badge, "long enough")


ITSELF = (None, None, "floor", False)  # a thing that is stopped, and has no units that a release counts


def hold_on(factory: Factory, subject: Named, **how: object) -> tuple[int, str]:
    def place(session, by):  # type: ignore[no-untyped-def]
        hold = place_hold(session, by, subject, "wrong alloy", **how)
        return hold.id, code_of(session, "hold", hold.id)

    return factory.do("place_hold", place)  # type: ignore[no-any-return]


def told(house: House, hold: int) -> list[tuple[str, int | None, int | None, str, bool]]:
    with house.reading() as session:
        rows = held_now(session, stopped_now(session, session.get_one(Hold, hold)))
    return [(one.code, one.panels, one.units, one.where, one.also_held) for one in rows]


def ready(factory: Factory) -> tuple[Named, Named, Named, list[Named]]:
    """An adhesive, with a lot of two panels that had it and was moved to stock, and one of three that has it at the station now."""
    glue = factory.batch("GLUE")
    factory.mount("Attach", glue, factory.wafer())
    first, second = factory.lot(factory.panels(2)), factory.lot(panels := factory.panels(3))
    factory.run("Attach", first)
    factory.do("move_item", lambda s, by: move_item(s, by, first.id, "stock", "rack 7"))
    factory.start("Attach", second)
    return glue, first, second, panels


def test_lots_that_it_stops_are_told_with_their_panels_units_and_place(house: House, factory: Factory) -> None:
    glue, first, second, panels = ready(factory)
    hold, _ = hold_on(factory, glue)
    hold_on(factory, panels[0])
    assert told(house, hold) == [(second.code, 3, 60, "in work at Attach", True), (first.code, 2, 40, "stock: rack 7", False), (glue.code, *ITSELF)]
    words = ("concession", "looked at")
    factory.do("release_hold", lambda s, by: release_hold(s, by, s.get_one(Hold, hold), [first], *words, units_freed=40).id)
    assert told(house, hold) == [(second.code, 3, 60, "in work at Attach", True), (glue.code, *ITSELF)], "what was released is not stopped"


def test_material_and_samples_that_it_stops_are_told_though_no_release_counts_units_of_them(house: House, factory: Factory) -> None:
    """A hold on what just came in, or on glue of which all panels were scrapped, stops it: its page said that nothing is stopped."""
    wafer, glue = factory.wafer(), factory.batch("GLUE")
    factory.mount("Attach", glue, wafer)
    of_wafer, of_glue = (hold_on(factory, one)[0] for one in (factory.wafer(), factory.batch("GLUE")))
    assert [[row[1:] for row in told(house, hold)] for hold in (of_wafer, of_glue)] == [[ITSELF], [ITSELF]]
    lot = factory.lot(panels := factory.panels(1))
    factory.run("Attach", lot)
    kept, gone = (
        factory.do("take_sample", lambda s, by, column=column, kept=kept: code_of(
            s, "sample", sample_cells(s, by, panels[0].id, [(1, column)], "cross-section", kept=kept).item
        )) for column, kept in ((1, True), (2, False))
    )  # fmt: skip
    hold, _ = hold_on(factory, glue)
    assert told(house, hold) == [(lot.code, 1, 18, "floor", False), (glue.code, *ITSELF), (kept, *ITSELF)] and gone not in str(told(house, hold))
    with house.reading() as session:
        assert stopped_now(session, session.get_one(Hold, hold)).freed == 18
        sample = resolve(session, kept)
    assert told(house, hold_on(factory, sample)[0]) == [(kept, None, None, "floor", True)]
    words = ("concession", "looked at")
    factory.do("release_hold", lambda s, by: release_hold(s, by, s.get_one(Hold, hold), [sample], *words, units_freed=0).id)
    assert [row[0] for row in told(house, hold)] == [lot.code, glue.code]


def test_a_hold_on_what_ran_at_a_station_tells_that_and_what_its_release_frees(house: House, factory: Factory) -> None:
    _, first, second, _ = ready(factory)
    later = factory.lot(factory.panels(1))
    now = clock.now()
    station = Named("station", factory.things["Attach"], "")
    hold, _ = hold_on(factory, station, span=(now - timedelta(hours=1), now + timedelta(hours=1)))
    before, _ = hold_on(factory, station, span=(now - timedelta(hours=2), now - timedelta(hours=1)))
    assert [row[0] for row in told(house, hold)] == [second.code, first.code]
    assert told(house, before) == []
    assert later.code not in str(told(house, hold))
    with house.reading() as session:
        assert stopped_now(session, session.get_one(Hold, hold)).freed == 100


def test_the_page_counts_all_of_it_and_links_to_what_it_does_not_show(
    factory: Factory, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    glue, first, second, _ = ready(factory)
    _, code = hold_on(factory, glue)
    page = browser.get(f"/holds/{code}")
    assert 'What it stops now <span class="soft">3</span>' in page
    assert "This table as CSV" in page
    monkeypatch.setattr(pages, "MOST", 1)
    page = browser.get(f"/holds/{code}")
    assert "The 1 with most units of 3." in page
    assert second.code in page and first.code not in page
    whole = browser.get(f"/holds/{code}/stopped.csv").splitlines()
    assert whole[0] == "kind,code,panels,units,where,also_held"
    assert whole[1:] == [f"lot,{second.code},3,60,in work at Attach,no", f"lot,{first.code},2,40,stock: rack 7,no", f"batch,{glue.code},,,floor,no"]


def test_as_many_statements_for_many_lots_and_panels_as_for_few(house: House, factory: Factory) -> None:
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    few, _ = hold_on(factory, factory.lot(factory.panels(1)))
    many_panels = factory.panels(12)
    lot = factory.lot(many_panels)
    many, _ = hold_on(factory, lot)
    for panel in many_panels[:6]:
        factory.do("split_lot", lambda s, by, panel=panel: split_lot(s, by, lot.id, [panel.id]).item)
    told(house, few)  # what it needs of the catalogue a process reads once
    seen: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        seen.append(statement)

    event.listen(house.read_engine, "before_cursor_execute", note)
    try:
        assert len(told(house, few)) == 1
        of_few = len(seen)
        assert len(told(house, many)) == 7
    finally:
        event.remove(house.read_engine, "before_cursor_execute", note)
    assert len(seen) - of_few == of_few
