"""The step of its route that a run line does."""

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Step
from app.ledger.runs import Line


def step_of_line(session: Session, line: Line) -> Step | None:
    if line.route is None or line.step is None:
        return None
    return next((step for step in catalogue.route(session, line.route).body.steps if step.key == line.step), None)
