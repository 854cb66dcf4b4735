"""Lines and their runs as rows, for answers that read many: one statement, and no entity made of any."""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from sqlalchemy.orm import Session

from app.db import Moment
from app.ledger.runs import Line, Run
from app.listed import ask, listed


class LineRow(NamedTuple):
    """A row of `line`."""

    id: int
    e: int
    closed_e: int | None
    run: int
    set: int | None
    item: int | None
    lot: int | None
    route: int | None
    step: str | None
    round: int
    shelf: str | None
    units: int | None
    judged: str | None
    started_at: datetime
    ended_at: datetime | None


class RunRow(NamedTuple):
    """A row of `run`, with the entry that voided it and why."""

    id: int
    e: int
    closed_e: int | None
    operation: str
    station: int
    recipe: int | None
    person: int | None
    started_at: datetime
    source: str
    ended_at: datetime | None
    ended_source: str | None
    ended_by: int | None
    outcome: str | None
    void_e: int | None
    void_reason: str | None


AnyLine = Line | LineRow
AnyRun = Run | RunRow
Ran = tuple[LineRow, RunRow]


def ran(session: Session, lines: Iterable[int]) -> list[Ran]:
    """Each line with its run, in order of entry; voided ones too."""
    runs: dict[int, RunRow] = {}
    found = []
    for row in ask(session, _RAN, lines=lines):
        line = LineRow(*row[:_OF_LINE])
        if (run := runs.get(line.run)) is None:
            run = runs[line.run] = RunRow(*row[_OF_LINE:])
        found.append((line, run))
    return found


_OF_LINE = len(LineRow._fields)
_TIMES = {name: Moment() for name in ("started_at", "ended_at", "run_started_at", "run_ended_at")}
_RAN = listed(
    """
    select l.id, l.e, l.closed_e, l.run, l."set", l.item, l.lot, l.route, l.step, l.round, l.shelf, l.units, l.judged, l.started_at, l.ended_at,
        r.id as run_id, r.e as run_e, r.closed_e as run_closed_e, r.operation, r.station, r.recipe, r.person,
        r.started_at as run_started_at, r.source, r.ended_at as run_ended_at, r.ended_source, r.ended_by, r.outcome,
        v.e as void_e, v.reason as void_reason
    from line l join run r on r.id = l.run left join run_void v on v.run = r.id where l.id in :lines order by l.id
    """,
    "lines",
).columns(**_TIMES)
