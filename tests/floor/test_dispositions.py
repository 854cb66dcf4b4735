"""What was decided last of a line is what holds: rework opens its step again until another decision takes it back."""

import pytest

from app.db import House
from app.errors import Refused
from app.floor.dispositions import judgement_in_force
from app.floor.ends import Value
from app.floor.progress import progress
from app.floor.readings import take_reading
from app.ledger.judgements import Judgement
from app.ledger.runs import Run
from tests.bonded import Bonded


def next_step(bonded: Bonded) -> str | None:
    with bonded.factory.house.reading() as session:
        return progress(session, [bonded.panel.id])[bonded.panel.id].next_step


def judgement(bonded: Bonded) -> Judgement | None:
    with bonded.factory.house.reading() as session:
        return judgement_in_force(session, bonded.line)


def read_again(bonded: Bonded, pull: float) -> None:
    bonded.factory.do("take_reading", lambda s, by: take_reading(s, by, s.get_one(Run, bonded.run), Value("pull", pull)).id)


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
    assert next_step(bonded) == comes_next


def test_rework_outlives_a_judgement_that_conforms_until_it_is_taken_back(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.put_right()
    assert next_step(bonded) == "bond", "someone signed for it"
    bonded.decide("concession")
    assert next_step(bonded) == "look"
    with pytest.raises(Refused, match="This line conforms"):
        bonded.decide("rework")


def test_a_reading_that_changes_no_judgement_leaves_what_was_decided_of_it(bonded: Bonded) -> None:
    first = judgement(bonded)
    bonded.decide("concession")
    read_again(bonded, 5.0)
    same = judgement(bonded)
    assert first is not None and same is not None and same.id == first.id
    read_again(bonded, 0.5)
    other = judgement(bonded)
    assert other is not None and other.id != first.id, "it says more, so what was decided is not of it"
