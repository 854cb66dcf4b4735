"""After an interruption one scan of the magazine or lot starts the rest: what is done is left out, what may have been begun is not."""

from collections.abc import Sequence
from datetime import timedelta

import pytest

from app import clock
from app.catalogue.definitions import Window
from app.db import House
from app.errors import Refused
from app.floor.ends import Said, Value, abort_run, interrupt_run
from app.floor.interrupted import Begun
from app.floor.open_judgements import open_judgements
from app.floor.progress import progress
from app.floor.readings import take_reading
from app.holds.place import place_hold
from app.ledger.runs import Cover, Line, Run
from app.ledger.sets import panels_of
from app.naming.resolve import Named, code_of
from app.scan.questions import question_about
from tests.genealogy.made import client_of
from tests.small_factory import STEPS, Factory, Route


@pytest.fixture
def factory(house: House) -> Factory:
    """The route begins with plasma, so that nothing is to be mounted and nothing judged."""
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=STEPS[2:])))
    factory.mount("Bond 1", factory.batch("AU20"))
    return factory


def interrupted(factory: Factory, lot: Named, said: Said) -> int:
    run = factory.start("Plasma", lot)
    factory.do("interrupt_run", lambda s, by: len(interrupt_run(s, by, s.get_one(Run, run), said)))
    return run


def in_work(factory: Factory, run: int) -> set[int]:
    with factory.house.reading() as session:
        return {panel for line in session.query(Line).filter_by(run=run) for panel in panels_of(session, line.set or 0)}


def done(factory: Factory, panels: Sequence[Named]) -> list[int]:
    with factory.house.reading() as session:
        stands = progress(session, [panel.id for panel in panels])
    return [stands[panel.id].times("plasma") for panel in panels]


def test_the_rest_starts_with_one_scan_and_what_may_have_been_begun_is_in_it(factory: Factory) -> None:
    panels = factory.panels(4)
    lot = factory.lot(panels)
    interrupted(factory, lot, Said(done=[panels[0].id, panels[1].id], in_work=[panels[2].id]))
    rest = factory.start("Plasma", lot)
    assert in_work(factory, rest) == {panels[2].id, panels[3].id}
    factory.finish(rest)
    assert done(factory, panels) == [1, 1, 1, 1]
    with factory.house.reading() as session:
        covers = session.query(Cover).join(Line, Line.id == Cover.line).filter(Line.run == rest)
        did = {(one.extent, one.done, *panels_of(session, one.set)) for one in covers}
    assert did == {("either", True, panels[2].id), ("whole", True, panels[3].id)}
    factory.run("Bond 1", lot, pull=5.0)


def test_what_is_done_may_be_in_work_or_held_meanwhile(factory: Factory) -> None:
    panels = factory.panels(4)
    lot = factory.lot(panels)
    interrupted(factory, lot, Said(done=[panel.id for panel in panels[:2]], in_work=[]))
    factory.start("Bond 1", panels[0])
    factory.do("place_hold", lambda s, by: place_hold(s, by, panels[1], "scratched").id)
    assert in_work(factory, factory.start("Plasma", lot)) == {panels[2].id, panels[3].id}


def test_twice_interrupted_the_rest_is_what_neither_did(factory: Factory) -> None:
    panels = factory.panels(4)
    lot = factory.lot(panels)
    for one in panels[:2]:
        interrupted(factory, lot, Said(done=[one.id], in_work=[]))
    assert in_work(factory, factory.start("Plasma", lot)) == {panels[2].id, panels[3].id}


def test_where_nothing_was_said_all_of_it_comes_again_and_the_question_tells_why(factory: Factory) -> None:
    panels = factory.panels(2)
    lot = factory.lot(panels)
    run = interrupted(factory, lot, Said())
    with factory.house.reading() as session:
        asked = question_about(session, lot, factory.things["Plasma"], clock.now())
        code = code_of(session, "run", run)
    assert (asked.panels_here, asked.begun) == (2, (Begun(code, "interrupted", tuple(panel.code for panel in panels)),))
    again = factory.start("Plasma", lot)
    factory.do("abort_run", lambda s, by: len(abort_run(s, by, s.get_one(Run, again))))
    with factory.house.reading() as session:
        begun = question_about(session, lot, factory.things["Plasma"], clock.now()).begun
    assert [one.outcome for one in begun] == ["interrupted", "aborted"]
    factory.run("Plasma", lot)
    with factory.house.reading() as session:
        assert question_about(session, lot, factory.things["Bond 1"], clock.now()).begun == ()


def test_panels_that_a_run_finished_are_no_rest(factory: Factory) -> None:
    """Whoever has such a magazine in hand must be told which of its panels are further than the others."""
    panels = factory.panels(3)
    lot = factory.lot(panels)
    factory.run("Plasma", panels[0])
    with pytest.raises(Refused) as refused:
        factory.start("Plasma", lot)
    assert refused.value.kind == "not_next_step" and panels[0].code in refused.value.reasons[0].why


def test_what_a_run_finished_again_after_the_interrupted_one_is_no_rest_of_that(house: House) -> None:
    windows = (Window(from_step="plasma", to_step="bond", max_minutes=30),)
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=STEPS[2:], windows=windows)))
    panels, begin = factory.panels(2), clock.now() - timedelta(hours=5)
    lot, said = factory.lot(panels), Said(done=[panels[0].id], in_work=[])
    run = factory.start("Plasma", lot, at=begin)
    factory.do("interrupt_run", lambda s, by: len(interrupt_run(s, by, s.get_one(Run, run), said)), happened_at=begin + timedelta(minutes=5))
    again = factory.start("Plasma", panels[0], at=begin + timedelta(hours=1))  # it waited too long
    factory.finish(again, at=begin + timedelta(minutes=65))
    with pytest.raises(Refused) as refused:
        factory.start("Plasma", lot, at=begin + timedelta(minutes=70))
    assert refused.value.kind == "not_next_step" and panels[0].code in refused.value.reasons[0].why


def test_a_panel_that_is_named_is_meant(factory: Factory) -> None:
    panels = factory.panels(2)
    lot = factory.lot(panels)
    interrupted(factory, lot, Said(done=[panels[0].id], in_work=[]))
    for things, only in ((panels, None), ([lot], [panel.id for panel in panels])):
        with pytest.raises(Refused) as refused:
            factory.start("Plasma", *things, only=only)
        assert refused.value.kind == "not_next_step"


def test_the_answer_to_an_interruption_says_what_is_done_and_what_comes_again(factory: Factory) -> None:
    panels = factory.panels(4)
    lot, client = factory.lot(panels), client_of(factory)
    with factory.house.reading() as session:
        station = code_of(session, "station", factory.things["Plasma"])
    codes = [panel.code for panel in panels]
    run = client.post("/api/v1/runs", json={"station": station, "things": [lot.code]}, headers={"Idempotency-Key": "1"}).json()["run"]
    said = {"panels_done": codes[:2], "panels_in_work": codes[2:3]}
    answer = client.post(f"/api/v1/runs/{run}/interrupt", json=said, headers={"Idempotency-Key": "2"}).json()
    assert [(line["panels_done"], line["panels_perhaps"]) for line in answer["lines"]] == [(codes[:2], codes[2:3])]
    again = client.post("/api/v1/runs", json={"station": station, "things": [lot.code]}, headers={"Idempotency-Key": "3"}).json()
    assert [line["panels"] for line in again["lines"]] == [codes[2:]]
    assert client.get(f"/api/v1/runs/{run}").json()["lines"][0]["panels_perhaps"] == codes[2:3]


def test_what_is_said_must_be_of_the_work(factory: Factory) -> None:
    """A wrong code in both lists would let every panel count as surely not reached; those of the lot may be said again, as done before."""
    first, *rest = factory.panels(4)
    (stranger,) = factory.panels(1)
    lot = factory.lot([first, *rest])
    run = interrupted(factory, lot, Said(done=[first.id], in_work=[]))
    run = factory.start("Plasma", lot)

    def say(said: Said) -> None:
        factory.do("interrupt_run", lambda s, by: len(interrupt_run(s, by, s.get_one(Run, run), said)))

    for said, kind, why in (
        (Said(done=[stranger.id], in_work=[]), "not_here", f"Not in this work: {stranger.code}."),
        (Said(done=[rest[0].id], in_work=[rest[0].id]), "bad_input", f"Said to be both: {rest[0].code}."),
    ):
        with pytest.raises(Refused) as refused:
            say(said)
        assert (refused.value.kind, refused.value.reasons[0].why) == (kind, why)
    say(Said(done=[first.id, rest[0].id], in_work=[rest[1].id]))
    assert done(factory, [first, *rest]) == [1, 1, 0, 0]


@pytest.mark.parametrize("before", [True, False])
def test_what_an_interrupted_run_did_is_judged_by_readings_told_before_or_after_it(house: House, before: bool) -> None:
    bond = STEPS[3].model_copy(update={"judged": "readings"})
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=(bond, *STEPS[4:]))))
    factory.mount("Bond 1", factory.batch("AU20"))
    panels = factory.panels(2)
    lot = factory.lot(panels)
    run = factory.start("Bond 1", lot)

    def read() -> None:
        factory.do("take_reading", lambda s, by: take_reading(s, by, s.get_one(Run, run), Value("pull", 5.0, "gf")).id)

    if before:
        read()
    factory.do("interrupt_run", lambda s, by: len(interrupt_run(s, by, s.get_one(Run, run), Said(done=[panels[0].id], in_work=[]))))
    if not before:
        with pytest.raises(Refused) as caught:
            factory.start("Scope", panels[0])
        assert caught.value.kind == "judgement_open" and "at that run" in caught.value.reasons[0].now
        read()
    with factory.house.reading() as session:
        assert open_judgements(session, [panels[0].id]) == {}
    factory.start("Scope", panels[0])
