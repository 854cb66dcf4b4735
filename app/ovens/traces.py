"""Cure traces as the record keeps them: packed rows, found again by oven and time."""

import io
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from sqlalchemy import TextClause, bindparam, select, text
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.db import Moment
from app.errors import bad_input, refuse
from app.journal.act import By, lock
from app.ovens.models import LONG, CureTrace, CureTraceCorrection
from app.ovens.trace import Note, Trace, merge, window

_AT_ONCE = 100  # spells in a statement
_SHORT = timedelta(days=8)  # more than any file lasts that is not LONG
_MARGIN = timedelta(minutes=10)  # before the door closed and after it opened: a trace must cover both


def keep_trace(session: Session, by: By, station: int, evidence: int, trace: Trace) -> CureTrace:
    """What a logger's file told of an oven (`station`), packed. Which runs it judges is found by its times, and stands nowhere."""
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


def replaced_by(session: Session, by: By, right: CureTrace, evidence: Collection[int]) -> list[CureTrace]:
    """The traces of these files of the same oven, that `right` replaces from here on."""
    lock(session, Thing, [right.station])  # of two who replace one file the second is told
    wrong = session.scalars(select(CureTrace).where(CureTrace.evidence.in_(evidence)).order_by(CureTrace.id)).all()
    gone = session.scalars(select(CureTraceCorrection.replaces).where(CureTraceCorrection.replaces.in_([one.id for one in wrong]))).all()
    for number in evidence:
        found = next((one for one in wrong if one.evidence == number), None)
        if found is None or found.station != right.station:
            what = "That is not a file of this oven's logger."
            raise bad_input(what, "replaces", f"File {number} is another.", "Give the number from its import.")
        if found.id in gone:
            why = "Another file stands in its place."
            raise refuse("changed", f"File {number} was replaced before.", why, "Replace that one, if it is wrong too.")
    session.add_all(CureTraceCorrection(e=by.e, replaces=one.id, trace=right.id) for one in wrong)
    session.flush()
    return list(wrong)


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
    for spell, evidence, rows in _files(session, missing, "packed"):
        packed[spell].append(rows)
        found.evidence[spell].append(evidence)
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


def evidence_told(session: Session, spells: Iterable[Spell]) -> dict[Spell, list[int]]:
    """The files that say something of each of these spells, the oldest first; their rows are not read."""
    found: dict[Spell, list[int]] = {spell: [] for spell in spells}
    for spell, evidence, _ in _files(session, list(found), "null"):
        found[spell].append(evidence)
    return found


def _files(session: Session, spells: Sequence[Spell], rows: str) -> Iterator[tuple[Spell, int, bytes]]:
    """(spell, evidence, rows): those that go on when the door closes, and begin before it opens."""
    for first in range(0, len(spells), _AT_ONCE):
        some = spells[first : first + _AT_ONCE]
        times = {f"{name}{n}": value for n, one in enumerate(some) for name, value in zip("scw", one, strict=True)}
        times |= {f"f{n}": one.door_open + _SHORT for n, one in enumerate(some)}
        answered = session.execute(_told_of(len(some), rows, session.get_bind().dialect.name), times).all()
        for n, _, evidence, packed in sorted(answered, key=itemgetter(0, 1)):  # here: the database would carry the packed rows through its sort
            yield some[n], evidence, packed


@lru_cache(maxsize=2 * _AT_ONCE)
def _told_of(spells: int, rows: str, dialect: str) -> TextClause:
    """(number of the spell, file, its evidence, its rows) for so many spells. Of all that end later, only the long ones can have begun before.

    A left join, and the outer table's name in each condition: else SQLite may read a whole table first, to make a filter (Bloom) of it.
    """
    values = ", ".join(f"({n}, :s{n}, :c{n}, :w{n}, :f{n})" for n in range(spells))
    times = [bindparam(f"{name}{n}", type_=Moment()) for n in range(spells) for name in "cwf"]
    told = "select s.n, t.id from spell s left join cure_trace t on t.station = s.station and t.last_at >= s.closed and t.first_at <= s.opened"
    return text(f"""
        with spell(n, station, closed, opened, far) as (values {values}),
        told(n, id) as ({told} and t.last_at <= s.far union {told} and {LONG[dialect]})
        select told.n, t.id, t.evidence, {rows} from told cross join cure_trace t
        where t.id = told.id and not exists (select 1 from cure_trace_correction c where c.replaces = told.id)
    """).bindparams(*times)


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
