"""Three hours without a server, and the back entry after it: facts in order, with true times; held where a rule was broken."""

from datetime import timedelta

import pytest
from sqlalchemy import select

from app import clock
from app.db import House
from app.errors import Refused
from app.floor.containers import add_container
from app.floor.ends import Value, finish_run
from app.floor.mounts import loaded
from app.floor.progress import progress
from app.genealogy.checks import check
from app.holds.stopped import stops_on
from app.journal.act import Actor
from app.ledger.runs import Line, Run, Use
from app.naming.resolve import code_of, resolve
from app.paper.back_entry import Told, enter
from tests.small_factory import Factory

VALUES = {"Bond 1": [Value("pull", 5.0)]}
LEAD = Actor("person", 1, "Lea", frozenset({"lead"}))


def station(factory: Factory, name: str) -> str:
    with factory.house.reading() as session:
        return code_of(session, "station", factory.things[name])


def test_three_hours_on_paper_are_entered_in_order(house: House) -> None:
    factory = Factory(house).load()
    panels = factory.panels(2)
    lot = factory.lot(panels)
    glue, wafer = factory.batch("GLUE"), factory.wafer()
    begin = clock.now() - timedelta(hours=3)
    attach = station(factory, "Attach")
    for minutes, verb, thing in ((0, "mount", glue.code), (1, "mount", wafer.code), (5, "start", lot.code), (65, "finish", lot.code)):
        answer = enter(house, LEAD, Told(begin + timedelta(minutes=minutes), verb, thing, attach))
    with house.reading() as session:
        stand = progress(session, [panel.id for panel in panels])[panels[0].id]
        run = session.get_one(Run, 1)
        assert stand.next_step == "cure"
        assert (run.started_at, run.ended_at) == (begin + timedelta(minutes=5), begin + timedelta(minutes=65))
        assert stops_on(session, [panels[0].id]) == {}
    assert answer.body["run"]
    assert list(check(house)) == []


def test_what_broke_a_rule_on_paper_is_recorded_and_held(house: House) -> None:
    factory = Factory(house).load()
    panels = factory.panels(1)
    lot = factory.lot(panels)
    begin = clock.now() - timedelta(hours=3)
    factory.mount("Bond 1", factory.batch("AU20"))
    bond = station(factory, "Bond 1")
    answer = enter(house, LEAD, Told(begin, "start", lot.code, bond))
    assert any("comes to red attach next" in why for why in answer.body["broken"])
    enter(house, LEAD, Told(begin + timedelta(hours=1), "finish", lot.code, bond, values=[Value("pull", 5.0)]))
    with house.reading() as session:
        assert panels[0].id in stops_on(session, [panels[0].id])
    with pytest.raises(Refused) as caught:
        factory.start("Attach", lot)
    assert "held" in caught.value.kinds


def test_a_hold_of_a_fact_names_earlier_holds_and_does_not_tell_them_again(house: House) -> None:
    """A whole shift on paper is held at each step for what it broke at the first: told again each time, the reasons doubled with every step."""
    factory = Factory(house).load()
    lot = factory.lot(factory.panels(1))
    begin = clock.now() - timedelta(hours=9)
    factory.mount("Bond 1", factory.batch("AU20"))
    held = []
    for hour, name in enumerate(("Bond 1", "Plasma", "Scope", "Bond 1", "Plasma", "Scope")):
        held += enter(house, LEAD, Told(begin + timedelta(hours=hour), "start", lot.code, station(factory, name))).body["held"]
        enter(house, LEAD, Told(begin + timedelta(hours=hour, minutes=30), "finish", lot.code, station(factory, name), values=VALUES.get(name, ())))
    first, *others = (reason for reason in held if reason.startswith("Recorded as a fact against a rule"))
    assert "comes to red attach next" in first
    assert len(others) >= 4 and all("on hold (H" in reason and reason.count("Recorded as a fact") == 1 for reason in others), others


def test_a_time_that_is_still_to_come_is_refused(house: House) -> None:
    factory = Factory(house).load()
    lot = factory.lot(factory.panels(1))
    with pytest.raises(Refused) as caught:
        enter(house, LEAD, Told(clock.now() + timedelta(hours=1), "start", lot.code, station(factory, "Attach")))
    assert caught.value.kind == "bad_input"


def test_only_a_lead_enters_facts(house: House) -> None:
    factory = Factory(house).load()
    lot = factory.lot(factory.panels(1))
    with pytest.raises(Refused) as caught:
        enter(house, Actor("person", 2, "Op", frozenset({"operate"})), Told(clock.now(), "start", lot.code, station(factory, "Attach")))
    assert caught.value.kind == "duty"


def test_only_material_is_put_on_a_station_from_paper(house: House) -> None:
    """A container's number is no batch's, though both are 1."""
    factory = Factory(house).load()
    glue = factory.batch("GLUE")
    jar = factory.do("add_container", lambda s, by: code_of(s, "container", add_container(s, by, "jar", "Jar 1").id))
    with house.reading() as session:
        assert resolve(session, jar).id == glue.id
    for verb in ("mount", "change over"):
        with pytest.raises(Refused) as caught:
            enter(house, LEAD, Told(clock.now(), verb, jar, station(factory, "Attach")))
        assert caught.value.kind == "unknown_code"
    with house.reading() as session:
        assert loaded(session, factory.things["Attach"]) == []


def test_material_that_went_on_while_a_run_was_open_is_in_its_trace(house: House) -> None:
    """Written down as put on; for the run it was a change-over."""
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    run = factory.start("Attach", factory.lot(factory.panels(2)))
    second = factory.batch("GLUE")
    enter(house, LEAD, Told(clock.now(), "mount", second.code, station(factory, "Attach")))
    factory.do("finish_run", lambda s, by: len(finish_run(s, by, s.get_one(Run, run))))
    with house.reading() as session:
        lines = select(Line.id).where(Line.run == run)
        used = {use.item for use in session.scalars(select(Use).where(Use.line.in_(lines)))}
        assert second.id in used and len(list(session.scalars(lines))) == 2
    assert list(check(house)) == []
