"""Which run each line of a placement log belongs to: by its panel and its time, or, where a log has no times, by the newest.

A bonder's clock may be off: a panel's line outside every run that had the panel belongs to the nearest in time of a step that places
a role of the wafer (of any step, where none does), and is counted.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Step
from app.clock import MAY_DIFFER
from app.errors import Reason
from app.floor.placement_names import NamedLog, ranges, refused_as_input
from app.ledger.corrections import not_void
from app.ledger.runs import Line, Run, Use, is_void
from app.ledger.sets import Member

Ints = NDArray[np.int64]
_CLOCKS_MAY_DIFFER = MAY_DIFFER // timedelta(microseconds=1)
_LAST = 1 << 60


@dataclass(frozen=True)
class Spell:
    """A line of a die attach that had some of the panels."""

    line: int
    run: int
    station: int
    lot: int | None
    step: Step | None
    key: str | None  # of the step
    round: int
    route: int | None
    judged: str | None
    begins: int  # of the run, microseconds since 1970
    ends: int
    panels: frozenset[int]

    @property
    def role(self) -> str | None:
        return self.step.role if self.step else None

    def may_place(self, roles: Collection[str]) -> bool:
        return self.role is None or self.role in roles


@dataclass(frozen=True)
class Found:
    """The run of each line of the log; the spells of those runs; how many lines' times are outside their run by more than a minute.

    `strayed`: by run of which most are, where only the times tell it from another run of the panel here, that in words.
    """

    run: Ints
    spells: tuple[Spell, ...]
    outside: int
    strayed: dict[int, str]

    def of(self, run: int, panel: int) -> Spell:
        """The last spell of a run that had this panel: after a change-over, the later one."""
        return next(one for one in reversed(self.spells) if one.run == run and panel in one.panels)


def find_runs(session: Session, named: NamedLog, station: int, roles: Mapping[int, Collection[str]], now: datetime) -> Found:
    """Refuses, as input, lines whose panel was in no die attach here. `roles`: by wafer, what its dies may be."""
    log = named.log
    spells = spells_of(session, now, panels=named.panels.values())
    run = np.zeros(len(log), dtype=np.int64)
    far = np.zeros(len(log), dtype=np.int64)
    by_time = np.zeros(len(log), dtype=np.bool_)  # several runs can be meant, and the time says which
    reasons: list[Reason] = []
    for (wafer, panel), lines in log.pairs().items():
        if panel is None:
            continue
        fitting = _in_order([one for one in spells if named.panels[panel] in one.panels], station, roles[named.wafers[wafer]])
        timed = ~np.isnat(log.at[lines])
        for some, candidates in ((lines[timed], [one for one in fitting if one.station == station]), (lines[~timed], fitting)):
            if len(some) and not candidates:
                reasons.append(_nowhere(panel, log.line[some]))
            elif len(some):
                run[some], far[some] = _nearest(log.at[some], candidates, roles[named.wafers[wafer]])
                by_time[some] = len({one.run for one in candidates if one.may_place(roles[named.wafers[wafer]])}) > 1
    _place_lost(session, named, station, spells, run, far, reasons, now)
    if reasons:
        raise refused_as_input(reasons)
    known = {one.run for one in spells}
    spells += spells_of(session, now, runs=set(np.unique(run).tolist()) - known)
    outside = far > _CLOCKS_MAY_DIFFER
    return Found(run, tuple(spells), int(outside.sum()), _strayed(run, outside & by_time, ~np.isnat(log.at)))


def spells_of(session: Session, now: datetime, *, panels: Iterable[int] = (), runs: Iterable[int] = ()) -> list[Spell]:
    """Lines of die attach that had these panels, or belong to these runs, oldest first. No voided runs."""
    wanted = set(panels)
    if wanted:
        return _read(session, now, Line.set.in_(select(Member.set).where(Member.panel.in_(wanted))))
    ids = set(runs)
    return _read(session, now, Line.run.in_(ids)) if ids else []


def spells_of_steps(session: Session, now: datetime, wanted: Iterable[tuple[int | None, str | None]]) -> list[Spell]:
    """Lines of die attach of these lots at these steps, oldest first."""
    pairs = set(wanted)
    return [one for one in _read(session, now, Line.lot.in_({lot for lot, _ in pairs})) if (one.lot, one.key) in pairs] if pairs else []


def _read(session: Session, now: datetime, which: ColumnElement[bool]) -> list[Spell]:
    query = select(Line, Run).join(Run, Run.id == Line.run).where(which, Run.operation == "die attach", Line.set.is_not(None))
    rows = session.execute(query.where(~is_void(Run.id)).order_by(Line.id)).all()
    members: defaultdict[int, set[int]] = defaultdict(set)
    for set_id, panel in session.execute(select(Member.set, Member.panel).where(Member.set.in_({line.set for line, _ in rows}))):
        members[set_id].add(panel)
    routes = catalogue.with_ids(session, list({line.route for line, _ in rows if line.route}))
    found = []
    for line, run in rows:
        steps = routes[line.route].body.steps if line.route else ()
        step = next((one for one in steps if one.key == line.step), None)
        ends = _micros(run.ended_at) if run.ended_at else max(_micros(now), _micros(run.started_at))
        had = frozenset(members[line.set or 0])
        found.append(
            Spell(line.id, run.id, run.station, line.lot, step, line.step, line.round, line.route, line.judged, _micros(run.started_at), ends, had)
        )
    return found


def _in_order(spells: list[Spell], station: int, roles: Collection[str]) -> list[Spell]:
    """Likeliest first: a step of a role of the wafer, at this station, newest."""
    return sorted(spells, key=lambda one: (not one.may_place(roles), one.station != station, -one.line))


def _nearest(at: NDArray[np.datetime64], candidates: list[Spell], roles: Collection[str] = ()) -> tuple[Ints, Ints]:
    """Of each time the run that it is in, or nearest to, and how far; a line without time belongs to the first."""
    micros = at.astype("datetime64[us]").astype(np.int64)
    far = np.array([np.maximum(0, np.maximum(one.begins - micros, micros - one.ends)) for one in candidates])
    far[:, np.isnat(at)] = 0
    others = np.array([bool(roles) and not one.may_place(roles) for one in candidates])
    best = (far + np.where(others[:, None] & (far > 0), _LAST, 0)).argmin(axis=0)
    return np.array([one.run for one in candidates])[best], far[best, np.arange(len(at))]


def _strayed(run: Ints, outside: NDArray[np.bool_], timed: NDArray[np.bool_]) -> dict[int, str]:
    found = {}
    for one in np.unique(run[outside]).tolist():
        n, of = int((outside & (run == one)).sum()), int((timed & (run == one)).sum())
        if 2 * n > of:
            where = "outside this run, and the panels were in another here"
            found[one] = f"{n:,} of {of:,} times of a log lie {where}: it was read in a wrong zone, or the station's clock is wrong."
    return found


def _place_lost(
    session: Session, named: NamedLog, station: int, spells: list[Spell], run: Ints, far: Ints, reasons: list[Reason], now: datetime
) -> None:
    """A die picked and lost belongs to a run at this station that has lines of its wafer here, else one that had it mounted."""
    log = named.log
    for (wafer, panel), lines in log.pairs().items():
        if panel is not None:
            continue
        beside = set(np.unique(run[log.wafer == log.wafers.index(wafer)]).tolist()) - {0}
        candidates = [one for one in spells if one.run in beside]
        if not candidates:
            used = select(Line.run).join(Use, Use.line == Line.id).join(Run, Run.id == Line.run)
            runs = set(session.scalars(used.where(Use.item == named.wafers[wafer], Run.station == station, not_void())))
            candidates = spells_of(session, now, runs=runs)
        if not candidates:
            reasons.append(_nowhere(wafer, log.line[lines]))
            continue
        newest_first = sorted(candidates, key=lambda one: -one.line)
        run[lines], far[lines] = _nearest(log.at[lines], newest_first)


def _nowhere(code: str, lines: Ints) -> Reason:
    where = f"{'line' if len(lines) == 1 else 'lines'} {ranges(lines.tolist())}"
    return Reason("bad_input", f"{code} was in no die attach at this station.", "Name the station that the file is from.", where)


def _micros(moment: datetime) -> int:
    return round(moment.timestamp() * 1_000_000)
