"""Runs with an end of their own: their units go on as something new, so that nobody simply calls them done."""

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.route_rules import mixing_key
from app.errors import bad_input
from app.floor.ends import lines_of
from app.ledger.runs import Run


def must_end_plainly(session: Session, run: Run) -> None:
    """Refuses to call a run done whose units go on as something new: they would be past the step, and stay what they were."""
    end = "singulate" if makes_loose(session, run) else {"test": "bins or unit_results", "tape": "close its pack"}.get(run.operation)
    if end is not None:
        why = "Its units go on as something new, which its end records."
        raise bad_input(f"A {run.operation} run is not simply finished.", "run", why, f"End it by: {end}.")


def makes_loose(session: Session, run: Run) -> bool:
    """Its units leave their cells: by the saw, or by outside work where the route has no saw."""
    if run.operation != "outside work":
        return run.operation == "singulate"
    of_panels = [(line.route, line.step) for line in lines_of(session, run) if line.set is not None and line.route is not None]
    routes = catalogue.with_ids(session, [route for route, _ in of_panels])
    return any(mixing_key(routes[route].body) == step for route, step in of_panels)
