"""A load is the run that it became: whoever names it means that run."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import refuse
from app.ledger.places import Load
from app.naming.resolve import Named


def run_of_load(session: Session, load: Named) -> int:
    """The run's number. Refuses a load that has not started."""
    run = session.scalar(select(Load.run).where(Load.id == load.id))
    if run is None:
        raise refuse("not_here", f"{load.code} is not a run yet.", "The load has not started.", "Start it first.")
    return run
