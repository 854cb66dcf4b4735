"""The last things done, in the words that people use of stations and of one another."""

import re

from sqlalchemy import event

from app import clock, codes
from app.db import House
from app.floor.ends import finish_run
from app.floor.station_states import set_state
from app.journal.act import act
from app.ledger.runs import Run
from app.main import make_app
from app.naming.resolve import code_of, resolve
from app.people.people import actor_of, add_person
from app.scan.last_done import last_done
from tests.browser.staging import Stage
from tests.people.signing_in import person
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


def test_a_run_that_was_ended_at_the_desk_is_taken_back_at_the_terminal(house: House) -> None:
    stage = Stage(Factory(house).load())
    stage.factory.mount("Attach", stage.factory.batch("GLUE"), stage.factory.wafer())
    ola = person(house, "Ola", "operate")
    with house.reading() as session:
        actor = actor_of(session, resolve(session, ola).id)
    lot = stage.factory.lot(stage.factory.panels(1))
    stage.factory.actor = actor
    run = stage.factory.start("Attach", lot)
    with house.reading() as session:
        code = code_of(session, "run", run)
    act(house, actor, "finish_run", {"run": code}, lambda s, by: {"lines": len(finish_run(s, by, s.get_one(Run, run)))})
    screen = Screen(make_app(house.settings, house), ola)
    assert f"finish a run {code}" in done_at(screen)
    undo(screen)
    assert screen.heading == f"Void run {code}, die attach at Attach?"
    screen.send("/floor/undo", reason="wrong lot")
    assert screen.said == f"Run {code} is void: its step comes again."


def test_who_has_left_a_station_has_it_again(house: House) -> None:
    stage = Stage(Factory(house).load())
    screen = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    saw = stage.station("Saw")
    screen.get("/floor")
    screen.scan(saw)
    screen.get("/floor/stations")
    screen.send("/floor/leave", item=saw)
    assert "leave a station Saw" in done_at(screen)
    undo(screen)
    assert screen.heading == "Does Ola have Saw again?"
    screen.send("/floor/undo")
    assert screen.said == "Ola has Saw again."
    assert saw in screen.get("/floor/stations")
    done_at(screen)
    undo(screen)
    assert screen.heading == "Does Ola leave Saw?"


def done_at(screen: Screen) -> str:
    screen.get("/floor")
    return done(screen)


def undo(screen: Screen) -> None:
    """The newest that can be taken back."""
    found = re.search(r'href="(/floor/undo/\d+)', screen.page)
    assert found is not None
    screen.get(found[1])


def test_the_journal_says_a_station_s_state_as_the_terminal_does(house: House) -> None:
    stage = Stage(Factory(house).load())
    screen = Screen(make_app(house.settings, house), person(house, "Ola", "operate"))
    saw = stage.station("Saw")
    stage.factory.do("set_station_state", lambda s, by: set_state(s, by, stage.factory.things["Saw"], "standby", "no work").id)
    screen.get(f"/floor?station={saw}")
    screen.send("/floor/state", state="unscheduled_down", reason="a jam")
    screen.get("/journal")
    assert "state unscheduled downtime" in screen.page and "unscheduled_down<" not in screen.page
