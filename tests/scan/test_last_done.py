"""The last things done, in the words that people use of stations and of one another."""

import re

from people.signing_in import person
from sqlalchemy import event

from app import clock, codes
from app.db import House
from app.main import make_app
from app.naming.resolve import resolve
from app.people.people import add_person
from app.scan.last_done import last_done
from tests.browser.staging import Stage
from tests.scan.test_terminal_pages import Screen
from tests.small_factory import Factory


def done(screen: Screen) -> str:
    """The words of the section, without those for readers of screens."""
    section = screen.page[screen.page.index("<h2>Last done</h2>") :]
    return " ".join(re.sub(r"<[^>]+>", "", re.sub(r'<span class="unseen">.*?</span>', "", section)).split())


def test_stations_and_people_are_called_by_their_names(house: House) -> None:
    stage = Stage(Factory(house).load())
    ola, mara = person(house, "Ola", "operate"), codes.make("person", "-MARA")  # a badge that was chosen
    stage.factory.do("add_person", lambda s, by: add_person(s, by, "Mara", ("operate",), badge=mara).id)
    screen = Screen(make_app(house.settings, house), ola)
    bond, attach = stage.station("Bond 1"), stage.station("Attach")
    wire = stage.factory.batch("AU20").code
    screen.get("/floor")
    for code in (bond, wire, attach):
        screen.scan(code)
    assert re.search(rf"mount material {wire}, Bond 1\b", done(screen)) and bond not in done(screen)
    screen.scan(bond)
    assert re.search(rf"mount material {wire} ", done(screen)), "of the station that one is at nothing is said"
    screen.scan(mara)
    screen.send("/floor/hand-over")
    screen.get("/floor")
    assert "hand stations over Mara" in done(screen) and mara not in done(screen)


def test_at_one_s_own_station_names_cost_no_statement(house: House) -> None:
    stage = Stage(Factory(house).load())
    stage.factory.mount("Bond 1", stage.factory.batch("AU20"))
    sent: list[str] = []
    event.listen(house.read_engine, "before_cursor_execute", note := lambda _c, _cursor, sql, *_: sent.append(sql))
    with house.reading() as session:
        here = resolve(session, stage.station("Bond 1"), "station")
        sent.clear()
        assert len(last_done(session, None, frozenset(), here, clock.now())) == 1
    event.remove(house.read_engine, "before_cursor_execute", note)
    assert len(sent) == 1
