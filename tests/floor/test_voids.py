"""Who may void a run, and when."""

import pytest
from sqlalchemy import select

from app.catalogue.definitions import ReasonEntry, Route, Station, Step
from app.db import House
from app.errors import Refused
from app.final_test.bins_out import take_bins_out
from app.floor.progress import progress
from app.floor.starts import start_run
from app.floor.voids import void_run
from app.holds.stopped import stops_on
from app.journal.act import Actor
from app.ledger.runs import Run
from app.naming.resolve import Named
from tests.genealogy.made import made_loose
from tests.small_factory import STEPS, Factory, named_lot

ANN = Actor("person", 901, "Ann", frozenset({"operate"}))
BO = Actor("person", 902, "Bo", frozenset({"operate"}))
LEA = Actor("person", 903, "Lea", frozenset({"lead"}))


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


def void(factory: Factory, actor: Actor, run: int, reason: str = "the wrong lot") -> None:
    factory.actor = actor
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), reason))


def test_who_entered_it_may_void_it_and_the_step_comes_again(factory: Factory) -> None:
    panels = factory.panels(2)
    lot = factory.lot(panels)
    factory.actor = ANN
    run = factory.run("Attach", lot)
    others_next = factory.start("Attach", factory.lot(factory.panels(1)))
    factory.finish(others_next)
    void(factory, ANN, run)  # what came later to another lot is no later work on this one
    with factory.house.reading() as session:
        assert progress(session, [panels[0].id])[panels[0].id].next_step == "attach"


def test_another_operator_may_not(factory: Factory) -> None:
    lot = factory.lot(factory.panels(2))
    factory.actor = ANN
    run = factory.run("Attach", lot)
    with pytest.raises(Refused) as caught:
        void(factory, BO, run)
    assert caught.value.kind == "duty"
    void(factory, LEA, run)


def test_after_later_work_only_a_lead_may(factory: Factory) -> None:
    lot = factory.lot(factory.panels(2))
    factory.actor = ANN
    first = factory.run("Attach", lot)
    void(factory, ANN, first)
    run = factory.run("Attach", lot)
    with pytest.raises(Refused) as caught:
        void(factory, ANN, first)
    assert caught.value.kind == "finished"
    later = factory.start("Attach", factory.lot(factory.panels(1)))
    void(factory, ANN, later)
    void(factory, LEA, run)


def test_an_open_run_is_closed_and_its_panels_are_free(factory: Factory) -> None:
    lot = factory.lot(factory.panels(2))
    factory.actor = ANN
    run = factory.start("Attach", lot)
    void(factory, ANN, run)
    factory.start("Attach", lot)


def test_units_that_went_on_without_the_voided_step_are_held_and_others_come_to_it_again(house: House) -> None:
    factory = Factory(house).load()
    *_, panels, _, _, loose = made_loose(factory, 2)
    with factory.house.reading() as session:
        runs = {run.operation: run.id for run in session.scalars(select(Run).order_by(Run.id))}
    here = factory.lot(factory.panels(1))
    of_here = factory.run("Attach", here)
    void(factory, LEA, of_here)
    assert held(factory, panels[0], here) == []
    void(factory, LEA, runs["die attach"])
    (reason,) = held(factory, panels[0])
    assert reason.endswith("was voided when units had gone on, and no other did red attach to them.")
    assert held(factory, loose) == [reason]


def test_a_step_that_was_entered_twice_may_lose_one_of_its_runs(factory: Factory) -> None:
    some = factory.panels(1)
    lot = factory.lot(some)
    factory.run("Attach", lot)
    station = factory.things["Attach"]
    again = factory.do("start_run", lambda s, by: start_run(s, by, station, [lot], step="attach").run.id, fact=True)
    factory.finish(again)
    void(factory, LEA, again)
    assert held(factory, some[0]) == []


def test_a_loose_lot_that_gave_out_is_held_with_what_it_gave(house: House) -> None:
    washed = [one for step in STEPS for one in ((Step(key="wash", name="wash", operation="clean"), step) if step.key == "test" else (step,))]
    bath = ("station", Station(name="Bath", area="hall", operations=("clean",)))
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=tuple(washed))), bath)
    *_, loose = made_loose(factory)
    wash = factory.run("Bath", loose)
    test = factory.start("Tester", loose)
    best = factory.do("bin_out", lambda s, by: named_lot(s, take_bins_out(s, by, s.get_one(Run, test), {("B1", "prime"): 80})["B1"].item))
    void(factory, LEA, wash)
    assert held(factory, best) == held(factory, loose) != []


def held(factory: Factory, *things: Named) -> list[str]:
    with factory.house.reading() as session:
        stops = stops_on(session, [one.id for one in things])
        return sorted({stop.reason for found in stops.values() for stop in found})


def test_where_the_catalogue_has_reasons_for_voids_no_other_is_taken(house: House) -> None:
    factory = Factory(house).load(("reason", ReasonEntry(name="scanned twice", of=("void",))))
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    run = factory.start("Attach", factory.lot(factory.panels(1)))
    with pytest.raises(Refused) as caught:
        void(factory, LEA, run)
    assert caught.value.reasons[0].why == "'the wrong lot' is not one of: scanned twice."
    void(factory, LEA, run, " scanned twice ")
