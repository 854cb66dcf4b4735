"""What was decided last of a line is what holds: rework opens its step again until another decision takes it back."""

import pytest
from sqlalchemy import select

from app.db import House
from app.errors import Refused
from app.floor.dispositions import dispose, judgement_in_force
from app.floor.ends import Value
from app.floor.progress import progress
from app.floor.readings import correct_reading, take_reading
from app.ledger.judgements import Judgement
from app.ledger.runs import Line, Reading, Run
from tests.small_factory import STEPS, Factory, Need, Record, Route, Step

BOND = Step(
    key="bond", name="bond", operation="wire bond", needs=(Need(kind="wire", part="AU20"),), records=(Record(name="pull", unit="gf", low=3.0),),
    judged="readings",
)  # fmt: skip


class Bonded:
    """A panel whose pull was below its limit."""

    def __init__(self, house: House) -> None:
        self.factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=(BOND, STEPS[4]))))
        self.factory.mount("Bond 1", self.factory.batch("AU20"))
        (self.panel,) = panels = self.factory.panels(1)
        self.lot = self.factory.lot(panels)
        self.factory.run("Bond 1", self.lot, pull=1.0)
        with house.reading() as session:
            self.line = session.scalars(select(Line.id)).one()

    def decide(self, what: str) -> None:
        self.factory.do("dispose", lambda s, by: dispose(s, by, self.line, what, "looked at").id)

    @property
    def next_step(self) -> str | None:
        with self.factory.house.reading() as session:
            return progress(session, [self.panel.id])[self.panel.id].next_step

    @property
    def judgement(self) -> Judgement | None:
        with self.factory.house.reading() as session:
            return judgement_in_force(session, self.line)

    def read_again(self, pull: float) -> None:
        with self.factory.house.reading() as session:
            run = session.scalars(select(Run.id)).one()
        self.factory.do("take_reading", lambda s, by: take_reading(s, by, s.get_one(Run, run), Value("pull", pull)).id)

    def put_right(self) -> None:
        with self.factory.house.reading() as session:
            reading = session.scalars(select(Reading.id)).one()
        self.factory.do("correct_reading", lambda s, by: correct_reading(s, by, reading, 5.0, "misread").was)


@pytest.fixture
def bonded(house: House) -> Bonded:
    return Bonded(house)


@pytest.mark.parametrize(("decided", "comes_next"), [
    (("rework",), "bond"), (("rework", "concession"), "look"), (("concession", "rework"), "bond"), (("rework", "concession", "rework"), "bond"),
    (("rework", "repair"), "look"),
])  # fmt: skip
def test_the_last_decision_of_a_line_holds(bonded: Bonded, decided: tuple[str, ...], comes_next: str) -> None:
    for what in decided:
        bonded.decide(what)
    assert bonded.next_step == comes_next


def test_rework_outlives_a_judgement_that_conforms_until_it_is_taken_back(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.put_right()
    assert bonded.next_step == "bond", "someone signed for it"
    bonded.decide("concession")
    assert bonded.next_step == "look"
    with pytest.raises(Refused, match="This line conforms"):
        bonded.decide("rework")


def test_a_reading_that_changes_no_judgement_leaves_what_was_decided_of_it(bonded: Bonded) -> None:
    decided = bonded.judgement
    bonded.decide("concession")
    bonded.read_again(5.0)
    assert bonded.judgement is not None and decided is not None and bonded.judgement.id == decided.id
    bonded.read_again(0.5)
    assert bonded.judgement.id != decided.id, "it says more, so what was decided is not of it"
