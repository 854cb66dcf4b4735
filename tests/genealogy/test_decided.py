"""What was signed of a judgement, as the pages of its lot, its run and its trace tell it."""

import pytest
from sqlalchemy import select

from app import clock
from app.db import House
from app.floor.dispositions import dispose
from app.floor.readings import correct_reading
from app.genealogy.run_story import run_story
from app.genealogy.trace import trace_back
from app.genealogy.traveller import travellers
from app.ledger.items import Lot
from app.ledger.runs import Line, Reading
from app.naming.resolve import Named, code_of
from tests.small_factory import STEPS, Factory, Need, Record, Route, Step

BOND = Step(
    key="bond", name="bond", operation="wire bond", needs=(Need(kind="wire", part="AU20"),), records=(Record(name="pull", unit="gf", low=3.0),),
    judged="readings",
)  # fmt: skip


class Bonded:
    """A lot whose pull was below its limit."""

    def __init__(self, house: House) -> None:
        self.factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=(BOND, STEPS[4]))))
        self.factory.mount("Bond 1", self.factory.batch("AU20"))
        self.lot = self.factory.lot(self.factory.panels(1))
        self.run = self.factory.run("Bond 1", self.lot, pull=1.0)
        with house.reading() as session:
            self.line, self.reading = session.scalars(select(Line.id)).one(), session.scalars(select(Reading.id)).one()

    def decide(self, what: str) -> None:
        self.factory.do("dispose", lambda s, by: dispose(s, by, self.line, what, "looked at").id)

    def put_right(self) -> None:
        self.factory.do("correct_reading", lambda s, by: correct_reading(s, by, self.reading, 5.0, "misread").was)

    def told(self) -> tuple[str | None, str | None]:
        """What was decided, on the traveller and in the trace."""
        with self.factory.house.walking() as session:
            (one,) = travellers(session, [session.get_one(Lot, self.lot.id)], clock.now())
            judged, (trace,) = one.steps[0].doings[0].judged, trace_back(session, self.lot).runs
        return judged.decided.words if judged and judged.decided else None, trace.lines[0].disposition


@pytest.fixture
def bonded(house: House) -> Bonded:
    return Bonded(house)


def test_a_rework_is_told_though_the_judgement_conforms_since(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.put_right()
    assert bonded.told() == ("rework: looked at", "rework"), "or the step was open for the 2nd time, and nothing said why"
    bonded.decide("concession")
    assert bonded.told() == ("concession: looked at", "concession")


def test_a_rework_that_was_taken_back_is_not_told_of_what_came_to_light_since(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.decide("concession")
    bonded.put_right()
    assert bonded.told() == (None, None)


def test_a_runs_page_tells_all_that_was_signed_of_a_judgement(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.decide("concession")
    with bonded.factory.house.reading() as session:
        (line,) = run_story(session, Named("run", bonded.run, code_of(session, "run", bonded.run))).lines
    assert [one.words for one in line.judgements[0].decided] == ["rework: looked at", "concession: looked at"]
