"""A lead lets some panels of a line go on at risk: a trace marks the line for what comes of those, and not for the others."""

import pytest
from sqlalchemy import select

from app.db import House
from app.floor.at_risk import go_on_at_risk
from app.genealogy.doings import doings_of_lots
from app.genealogy.trace import trace_back, trace_forward
from app.ledger.runs import Line, Run
from app.naming.resolve import Named, code_of
from tests.small_factory import Factory


class Cured:
    """Two panels in one line of a cure that nobody has judged; the first goes on at risk."""

    def __init__(self, house: House) -> None:
        factory = Factory(house).load()
        factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
        self.house, self.panels = house, factory.panels(2)
        self.lot = factory.lot(self.panels)
        factory.run("Attach", self.lot)
        self.cure = factory.run("Oven", self.lot)
        factory.do("go_on_at_risk", lambda s, by: len(go_on_at_risk(s, by, [self.panels[0].id], "the order is urgent")))


@pytest.fixture
def cured(house: House) -> Cured:
    return Cured(house)


def marked(house: House, subject: Named, *, forward: bool = False) -> list[bool]:
    """Of each line of the cure."""
    with house.reading() as session:
        found = trace_forward(session, subject) if forward else trace_back(session, subject)
    return [line.at_risk for run in found.runs if run.operation == "cure" for line in run.lines]


def test_a_trace_back_marks_the_panel_that_was_let_on(cured: Cured) -> None:
    one, other = cured.panels
    assert (marked(cured.house, one), marked(cured.house, other), marked(cured.house, cured.lot)) == ([True], [False], [True])


def test_a_trace_forward_of_the_run_marks_it(cured: Cured) -> None:
    with cured.house.reading() as session:
        run = Named("run", cured.cure, code_of(session, "run", session.get_one(Run, cured.cure).id))
    assert marked(cured.house, run, forward=True) == [True]


def test_a_lot_s_page_marks_it_for_the_lot_that_holds_the_panel(cured: Cured) -> None:
    """As after a split: each part has a panel of its own."""
    one, other = (panel.id for panel in cured.panels)
    with cured.house.reading() as session:
        line = session.scalars(select(Line.id).where(Line.run == cured.cure)).one()
        found = doings_of_lots(session, {1: [one], 2: [other]}, {})
        risks = {lot: next(doing.at_risk for doing in some if doing.line == line) for lot, some in found.items()}
    assert [risk.words if risk else None for risk in risks.values()] == ["the order is urgent", None]
