"""The state of a station, by SEMI E10's six basic states, with its reason. A new state closes the one before."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.journal.act import By
from app.ledger.runs import StationState

STATES = ("productive", "standby", "engineering", "scheduled_down", "unscheduled_down", "non_scheduled")  # SEMI E10


def set_state(session: Session, by: By, station: int, state: str, reason: str) -> StationState:
    if state not in STATES:
        raise bad_input("That is no state of a station.", "state", f"{state!r} is not one of: {', '.join(STATES)}.", "Choose one of them.")
    if not reason.strip():
        raise bad_input("A state needs a reason.", "reason", "It is empty.", "Say why.")
    catalogue.station(session, station)
    for before in session.scalars(select(StationState).where(StationState.station == station, StationState.closed_e.is_(None))):
        before.closed_e = by.e
    session.flush()
    row = StationState(e=by.e, station=station, state=state, reason=reason.strip(), since=by.happened_at)
    session.add(row)
    session.flush()
    return row


def state_of(session: Session, station: int) -> StationState | None:
    """The state that was set last, if any: a station without one is on standby or productive by what runs."""
    return session.scalar(select(StationState).where(StationState.station == station, StationState.closed_e.is_(None)))
