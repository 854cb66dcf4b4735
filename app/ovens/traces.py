"""Cure traces as the record keeps them: packed rows, found again by oven and time."""

import io
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from sqlalchemy import TextClause, bindparam, select, text
from sqlalchemy.orm import Session

from app.db import Moment
from app.journal.act import By
from app.ovens.models import CureTrace
from app.ovens.trace import Note, Trace, merge, window

_AT_ONCE = 100  # spells in a statement
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


class Spell(NamedTuple):
    """An oven from door closed to door open."""

    station: int
    door_closed: datetime
    door_open: datetime


def trace_of(session: Session, station: int, door_closed: datetime, door_open: datetime) -> Trace | None:
    """All that files say of an oven between two times; None when no file covers any of it."""
    spell = Spell(station, door_closed, door_open)
    return traces_of(session, [spell])[spell]


@dataclass(frozen=True)
class Told:
    """What logger files say of some spells, and by which evidence."""

    traces: dict[Spell, Trace | None] = field(default_factory=dict)
    evidence: dict[Spell, list[int]] = field(default_factory=dict)


def traces_of(session: Session, spells: Iterable[Spell], known: Told | None = None) -> dict[Spell, Trace | None]:
    """The same for many: a statement for every hundred. `known`: spells that were read before; what is read now is added."""
    wanted, found = list(dict.fromkeys(spells)), known or Told()
    missing = [spell for spell in wanted if spell not in found.traces]
    packed: defaultdict[Spell, list[bytes]] = defaultdict(list)
    found.evidence.update((spell, []) for spell in missing)
    for first in range(0, len(missing), _AT_ONCE):
        some = missing[first : first + _AT_ONCE]
        times = {f"{name}{n}": value for n, one in enumerate(some) for name, value in zip("scw", one, strict=True)}
        answered = session.execute(_told_of(len(some)), times).all()
        for n, _, evidence, rows in sorted(answered, key=itemgetter(0, 1)):  # here: the database would carry the packed rows through its sort
            packed[some[n]].append(rows)
            found.evidence[some[n]].append(evidence)
    for spell in missing:
        begins, ends = (spell.door_closed - _MARGIN).timestamp(), (spell.door_open + _MARGIN).timestamp()
        parts = [window(one, begins, ends) for one in _telling(map(unpack, packed[spell]), begins, ends)]
        found.traces[spell] = merge(parts) if parts else None
    return {spell: found.traces[spell] for spell in wanted}


def _telling(files: Iterable[Trace], begins: float, ends: float) -> Iterator[Trace]:
    """Those that say something of this time, and of the others one for each set of sensors: that these were there is told, too."""
    seen = set()
    for one in files:
        first, last = one.span
        if (first <= ends and last >= begins) or one.sensors not in seen:
            seen.add(one.sensors)
            yield one


@lru_cache(maxsize=_AT_ONCE)
def _told_of(spells: int) -> TextClause:
    """(number of the spell, file, its evidence, its rows) for so many spells."""
    one = "select {0}, id, evidence, packed from cure_trace where station = :s{0} and last_at >= :c{0} and first_at <= :w{0}"
    times = [bindparam(f"{name}{n}", type_=Moment()) for n in range(spells) for name in "cw"]
    return text(" union all ".join(one.format(n) for n in range(spells))).bindparams(*times)


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
