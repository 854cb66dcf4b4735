"""A run whose units go on as something new is not called done on paper, over the API or at a terminal: a test without its bins, a taping without a
reel, outside work that mixes. What was not tested would be taped as prime, and panels would be past the step that makes them loose."""

import pytest
from sqlalchemy import select

from app import clock
from app.catalogue.definitions import Body, Route, Station, Step
from app.db import House
from app.errors import BadInput, Refused
from app.floor.own_ends import makes_loose, must_end_plainly
from app.floor.progress import loose_progress
from app.journal.act import SYSTEM
from app.ledger.items import Lot
from app.ledger.runs import Run
from app.naming.resolve import Named, code_of
from app.paper.back_entry import Told, enter
from app.paper.pages import sheet_of
from app.scan.questions import what_ends
from tests.board.line import MORE, STEPS, binned, line, loose_lot, lot, run
from tests.small_factory import Factory


def told(factory: Factory, verb: str, thing: Named, station: str) -> None:
    with factory.house.reading() as session:
        at = code_of(session, "station", factory.things[station])
    enter(factory.house, SYSTEM, Told(clock.now(), verb, thing.code, at), signed=True)


def next_step(house: House, loose: Named) -> str | None:
    with house.reading() as session:
        return loose_progress(session, [loose.id])[loose.id].next_step


def test_a_test_that_was_done_on_paper_ends_by_its_bins(house: House) -> None:
    factory = line(house)
    loose = loose_lot(factory, 2)
    told(factory, "start", loose, "Tester")
    with pytest.raises(BadInput) as refused:
        told(factory, "finish", loose, "Tester")
    assert refused.value.reasons[0].now == "End it by: bins or unit_results."
    assert next_step(house, loose) == "test"


def test_a_taping_begins_with_its_pack(house: House) -> None:
    factory = line(house)
    best = binned(factory, loose_lot(factory, 2), 40)
    with pytest.raises(Refused, match="may not start tape"):
        told(factory, "start", best, "Taper")
    with pytest.raises(Refused, match="may not start tape"):
        factory.start("Taper", best)
    assert next_step(house, best) == "tape"


SLICING = Step(key="out", name="slicing", operation="outside work", barrier=True, count="weight")
OUTSIDE = (STEPS[0], SLICING, Step(key="wash", name="wash", operation="clean"))


def with_firm(house: House) -> Factory:
    """Its route has no saw: the firm slices."""
    more: list[tuple[str, Body]] = [(kind, Route(product="Q", revision="A", steps=OUTSIDE) if kind == "route" else body) for kind, body in MORE]
    return Factory(house).load(*more, ("station", Station(name="Firm", area="away", operations=("outside work",))))


def cleaned(factory: Factory) -> Named:
    one = lot(factory, 2)
    run(factory, "Plasma", one)
    return one


@pytest.fixture
def sliced(house: House) -> tuple[Factory, Named]:
    """A lot in work at the firm."""
    factory = with_firm(house)
    one = cleaned(factory)
    told(factory, "start", one, "Firm")
    return factory, one


def test_outside_work_that_mixes_ends_as_a_singulation(sliced: tuple[Factory, Named]) -> None:
    factory, one = sliced
    with pytest.raises(BadInput) as refused:
        told(factory, "finish", one, "Firm")
    assert refused.value.reasons[0].now == "End it by: singulate."
    with factory.house.reading() as session:
        open_run = session.scalars(select(Run).where(Run.closed_e.is_(None))).one()
        assert makes_loose(session, open_run)
        with pytest.raises(BadInput):
            must_end_plainly(session, open_run)
        (out,) = sheet_of(session, session.get_one(Lot, one.id)).steps
        assert (out.step.key, out.mixes) == ("out", True)
    told(factory, "singulate", one, "Firm")
    with factory.house.reading() as session:
        assert len(session.scalars(select(Lot).where(Lot.form == "loose")).all()) == 1


@pytest.mark.parametrize("lots", [1, 2])
def test_outside_work_that_mixes_asks_for_the_weight_of_what_came_of_its_lots(house: House, lots: int) -> None:
    """As the saw does: what came of two lots was not weighed, though the step asks for it."""
    factory = with_firm(house)
    number = factory.start("Firm", *(cleaned(factory) for _ in range(lots)))
    with factory.house.reading() as session:
        assert what_ends(session, session.get_one(Run, number)).count == "weight"
