"""Who may void a run, and when."""

import pytest

from app.db import House
from app.errors import Refused
from app.floor.progress import progress
from app.floor.voids import void_run
from app.journal.act import Actor
from app.ledger.runs import Run
from tests.small_factory import Factory

ANN = Actor("person", 901, "Ann", frozenset({"operate"}))
BO = Actor("person", 902, "Bo", frozenset({"operate"}))
LEA = Actor("person", 903, "Lea", frozenset({"lead"}))


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


def void(factory: Factory, actor: Actor, run: int) -> None:
    factory.actor = actor
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "the wrong lot"))


def test_who_entered_it_may_void_it_and_the_step_comes_again(factory: Factory) -> None:
    panels = factory.panels(2)
    lot = factory.lot(panels)
    factory.actor = ANN
    run = factory.run("Attach", lot)
    void(factory, ANN, run)
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
