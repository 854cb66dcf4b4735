"""Cure traces as the record keeps them: packed rows, found again by oven and time."""

import io
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np
from sqlalchemy import Select, false, or_, select
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


@dataclass(frozen=True)
class Spell:
    """An oven from door closed to door open."""

    station: int
    door_closed: datetime
    door_open: datetime


def trace_of(session: Session, station: int, door_closed: datetime, door_open: datetime) -> Trace | None:
    """All that files say of an oven between two times; None when no file covers any of it."""
    spell = Spell(station, door_closed, door_open)
    return traces_of(session, [spell])[spell]


Told = dict[Spell, Trace | None]


def traces_of(session: Session, spells: Iterable[Spell], known: Told | None = None) -> Told:
    """The same for many: a statement for every hundred. `known`: spells that were read before; what is read now is added."""
    wanted, found = list(dict.fromkeys(spells)), {} if known is None else known
    missing = [spell for spell in wanted if spell not in found]
    rows = {row.id: row for some in _hundreds(missing) for row in session.execute(_told_of(some))}
    files = [rows[id_] for id_ in sorted(rows)]
    for spell in missing:
        begins, ends = (spell.door_closed - _MARGIN).timestamp(), (spell.door_open + _MARGIN).timestamp()
        parts = [
            window(unpack(row.packed), begins, ends)
            for row in files
            if row.station == spell.station and row.last_at >= spell.door_closed and row.first_at <= spell.door_open
        ]
        found[spell] = merge(parts) if parts else None
    return {spell: found[spell] for spell in wanted}


def _hundreds(spells: Sequence[Spell]) -> Iterator[Sequence[Spell]]:
    """A condition of many parts has its limit in depth."""
    yield from (spells[n : n + 100] for n in range(0, len(spells), 100))


def _told_of(spells: Sequence[Spell]) -> Select[int, int, datetime, datetime, bytes]:
    some = (
        (CureTrace.station == one.station) & (CureTrace.last_at >= one.door_closed) & (CureTrace.first_at <= one.door_open) for one in spells
    )
    columns = CureTrace.id, CureTrace.station, CureTrace.first_at, CureTrace.last_at, CureTrace.packed
    return select(*columns).where(or_(false(), *some))


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


@lru_cache(maxsize=64)  # the same file is read for its picture, its heat and its judgement, and for every reel of the load
def unpack(packed: bytes) -> Trace:
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        notes = tuple(Note(**note) for note in json.loads(str(arrays["notes"])))
        return Trace(arrays["times"], tuple(json.loads(str(arrays["sensors"]))), arrays["temps_c"], notes)


def _moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)
