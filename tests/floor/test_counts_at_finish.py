"""The count at a step's end: how numbers become units, when it is asked for, and what is said of it afterwards."""

import pytest
from sqlalchemy import select

from app.db import House
from app.errors import Refused
from app.floor.counting import Counted, correct_count, count_units
from app.floor.counts_at_finish import asked, counted_units, in_words, names
from app.floor.ends import open_lines_of
from app.floor.line_steps import step_of_line
from app.ledger.counting import compare
from app.ledger.counts import CountEntry
from app.ledger.runs import Run
from app.ledger.sets import Member
from tests.browser.shift import MORE, magazine
from tests.browser.staging import Stage
from tests.small_factory import Factory


def test_a_weighing_takes_the_weight_of_a_hundred_counted_units() -> None:
    """8,930 units of 2.5 mg in a jar of 140 g; the scale's share is 0.02 g a reading, both of them, and pieces are alike within 0.2 %."""
    units, method, u = counted_units("weight", {"full": 162.325, "empty": 140.0, "pieces": 0.25})
    assert (units, method) == (8930, "weight")
    assert u == pytest.approx((2 * (0.02 / 0.0025) ** 2 + (8930 * 0.002) ** 2) ** 0.5)
    assert names("weight") == ["full", "empty", "pieces"]


def test_a_count_by_hand_is_a_whole_number() -> None:
    assert counted_units("hand", {"units": 39.0})[:2] == (39, "hand")
    with pytest.raises(Refused, match="whole number"):
        counted_units("hand", {"units": 39.5})


@pytest.mark.parametrize(("units", "book", "u", "words"), [
    (40, 40, 0.0, "Counted 40; the book says 40: the same."),
    (8920, 8930, 20.0, "Counted 8,920; the book says 8,930: 10 fewer, within counting (40)."),
    (41, 40, 0.0, "Counted 41; the book says 40: 1 more, beyond counting (0). Count again, or ask a lead or quality to sign for it."),
])  # fmt: skip
def test_what_is_said_of_it(units: int, book: int, u: float, words: str) -> None:
    entry = CountEntry(e=1, item=1, run=None, kind="counted", units=units, method="hand", u=u, reason="", book=book, within=None)
    assert in_words(Counted(entry, compare(book, units, 0.0, u))) == words


def test_a_part_of_a_lot_is_not_counted_against_the_whole(house: House) -> None:
    stage = Stage(Factory(house).load(*MORE))
    factory = stage.factory
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.mount("Bond 1", factory.batch("AU20"))
    box = magazine(stage, "Attach", "Plasma", panels=3)
    factory.run("Bond 1", box, pull=5.0, shear=20.0)
    with house.reading() as session:
        panels = sorted(set(session.scalars(select(Member.panel))))
    part = factory.start("Scope", box, only=panels[:2])
    assert _asked(house, part) == "none"
    factory.finish(part)
    whole = magazine(stage, "Attach", "Plasma")
    factory.run("Bond 1", whole, pull=5.0, shear=20.0)
    assert _asked(house, factory.start("Scope", whole)) == "hand"


def test_a_lot_whose_panels_were_counted_one_by_one_at_the_run_is_not_counted_once_more(house: House) -> None:
    stage = Stage(Factory(house).load(*MORE))
    factory = stage.factory
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.mount("Bond 1", factory.batch("AU20"))
    box = magazine(stage, "Attach", "Plasma")
    factory.run("Bond 1", box, pull=5.0, shear=20.0)
    run = factory.start("Scope", box)
    with house.reading() as session:
        one, other = sorted(set(session.scalars(select(Member.panel))))
    factory.do("count_units", lambda s, by: count_units(s, by, one, 20, "hand", 0.0, run=run).entry.id)
    factory.do("count_units", lambda s, by: count_units(s, by, other, 20, "hand", 0.0).entry.id)
    assert _asked(house, run) == "hand", "the other was counted at no run: nobody knows when"
    wrong = factory.do("count_units", lambda s, by: count_units(s, by, other, 2, "hand", 0.0, run=run).entry.id)
    assert _asked(house, run) == "none"
    factory.do("correct_count", lambda s, by: correct_count(s, by, wrong).id)
    assert _asked(house, run) == "hand", "that count was taken back"
    factory.finish(run)


def _asked(house: House, run: int) -> str:
    with house.reading() as session:
        lines = open_lines_of(session, session.get_one(Run, run))
        return asked(session, [step for line in lines if (step := step_of_line(session, line))], lines)[0]
