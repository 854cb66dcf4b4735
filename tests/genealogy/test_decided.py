"""What was signed of a judgement, as the pages of its lot, its run and its trace tell it."""

import pytest

from app import clock
from app.db import House
from app.genealogy.run_story import run_story
from app.genealogy.trace import trace_back
from app.genealogy.traveller import travellers
from app.ledger.items import Lot
from app.naming.resolve import Named, code_of
from tests.bonded import Bonded


def told(bonded: Bonded) -> tuple[str | None, str | None]:
    """What was decided, on the traveller and in the trace."""
    with bonded.factory.house.walking() as session:
        (one,) = travellers(session, [session.get_one(Lot, bonded.lot.id)], clock.now())
        judged, (trace,) = one.steps[0].doings[0].judged, trace_back(session, bonded.lot).runs
    return judged.decided.words if judged and judged.decided else None, trace.lines[0].disposition


@pytest.fixture
def bonded(house: House) -> Bonded:
    return Bonded(house)


def test_a_rework_is_told_though_the_judgement_conforms_since(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.put_right()
    assert told(bonded) == ("rework: looked at", "rework"), "or the step was open for the 2nd time, and nothing said why"
    bonded.decide("concession")
    assert told(bonded) == ("concession: looked at", "concession")


def test_a_rework_that_was_taken_back_is_not_told_of_what_came_to_light_since(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.decide("concession")
    bonded.put_right()
    assert told(bonded) == (None, None)


def test_a_runs_page_tells_all_that_was_signed_of_a_judgement(bonded: Bonded) -> None:
    bonded.decide("rework")
    bonded.decide("concession")
    with bonded.factory.house.reading() as session:
        (line,) = run_story(session, Named("run", bonded.run, code_of(session, "run", bonded.run))).lines
    assert [one.words for one in line.judgements[0].decided] == ["rework: looked at", "concession: looked at"]
