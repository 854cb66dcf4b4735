"""Cure traces as the record keeps them: packed rows, found again by oven and time."""

import io
import json
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.journal.act import By
from app.ovens.models import CureTrace
from app.ovens.trace import Note, Trace, merge, window

_MARGIN = timedelta(minutes=10)  # before the door closed and after it opened: a trace must cover both


def keep_trace(session: Session, by: By, station: int, evidence: int, trace: Trace) -> CureTrace:
    times = trace.times
    row = CureTrace(
        e=by.e,
        station=station,
        evidence=evidence,
        first_at=_moment(float(times.min())),
        last_at=_moment(float(times.max())),
        sensors=list(trace.sensors),
        packed=pack(trace),
    )
    session.add(row)
    session.flush()
    return row


def trace_of(session: Session, station: int, door_closed: datetime, door_open: datetime) -> Trace | None:
    """All that files say of an oven between two times; None when no file covers any of it."""
    query = (
        select(CureTrace.packed)
        .where(CureTrace.station == station, CureTrace.last_at >= door_closed, CureTrace.first_at <= door_open)
        .order_by(CureTrace.id)
    )
    begins, ends = (door_closed - _MARGIN).timestamp(), (door_open + _MARGIN).timestamp()
    parts = [window(unpack(packed), begins, ends) for packed in session.scalars(query)]
    return merge(parts) if parts else None


def evidence_of(session: Session, station: int, door_closed: datetime, door_open: datetime) -> int | None:
    """The newest file that says something of an oven between two times."""
    query = select(CureTrace.evidence).where(CureTrace.station == station, CureTrace.last_at >= door_closed, CureTrace.first_at <= door_open)
    return session.scalar(query.order_by(CureTrace.id.desc()).limit(1))


def pack(trace: Trace) -> bytes:
    """Arrays and notes, deflated. The same trace gives the same bytes."""
    notes = json.dumps([vars(note) for note in trace.notes])
    out = io.BytesIO()
    np.savez_compressed(out, times=trace.times, temps_c=trace.temps_c, sensors=np.array(json.dumps(trace.sensors)), notes=np.array(notes))
    return out.getvalue()


def unpack(packed: bytes) -> Trace:
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        notes = tuple(Note(**note) for note in json.loads(str(arrays["notes"])))
        return Trace(arrays["times"], tuple(json.loads(str(arrays["sensors"]))), arrays["temps_c"], notes)


def _moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)
