"""What a shift did, in numbers that stand in the record: for one page of paper, with the journal's newest digest on it."""

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, func, select, text
from sqlalchemy.orm import Session

from app.board.effectiveness import StateHours
from app.board.overrides import Override, happened, overrides, signed_for
from app.board.production_day import Span
from app.board.stations import hours_by_state
from app.board.taped import taped
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route
from app.db import Moment
from app.drawing.strip import ordinal
from app.floor.marks import SAMPLED
from app.floor.scrapped_wafers import is_scrap
from app.holds.words import on_what
from app.journal.models import Entry
from app.journal.sealing import newest_digest
from app.journal.since import first_since
from app.ledger.cells import CellMark
from app.ledger.counts import CountEntry
from app.ledger.items import Wafer
from app.ledger.stops import Hold, Release
from app.naming.resolve import codes_of

_IS_WAFER = select(Wafer.item).where(Wafer.item == CountEntry.item).exists()


@dataclass(frozen=True)
class Finished:
    """A step of the routes: runs that ended as done, and panels that they covered (0: loose units or packs)."""

    step: str
    runs: int
    panels: int


@dataclass(frozen=True)
class HoldLine:
    """`on`: codes of what it names."""

    code: str
    on: tuple[str, ...]
    reason: str


@dataclass(frozen=True)
class Report:
    """`hours`: of all stations by operation. `seal`: number and digest of the journal's newest entry, as it was when this was printed."""

    span: Span
    printed_at: datetime
    is_over: bool
    lots_started: int
    runs_started: int
    finished: tuple[Finished, ...]
    taped: int
    scrapped: tuple[tuple[str, int], ...]
    wafers_scrapped: tuple[tuple[str, int], ...]
    marked: tuple[tuple[str, int], ...]
    placed: tuple[HoldLine, ...]
    released: int
    freed: int
    overrides: tuple[Override, ...]
    hours: tuple[tuple[str, StateHours], ...]
    differences: tuple[tuple[str, int, str], ...]
    seal: tuple[int, str] | None


def shift_report(session: Session, span: Span, now: datetime) -> Report:
    """A fixed number of statements, over what was recorded since the shift began."""
    first, until = first_since(session, span.begin), span.until(now)
    ran = session.execute(_RAN, {"begin": span.begin, "end": span.end}).one()
    releases = select(func.count(), func.sum(Release.units_freed)).join(Entry, Entry.id == Release.e).where(*happened(span, first, Release.e))
    released, freed = session.execute(releases).one()
    return Report(
        span, now, now >= span.end, _lots_started(session, span, first), ran.started, _finished(session, span), taped(session, span.begin, span.end),
        _by_reason(session, span, first, CountEntry, func.sum(CountEntry.units), is_scrap(CountEntry) & ~_IS_WAFER),
        _by_reason(session, span, first, CountEntry, func.count(), is_scrap(CountEntry) & _IS_WAFER),
        _by_reason(session, span, first, CellMark, func.sum(CellMark.n), CellMark.reason != SAMPLED),
        _placed(session, span, first), released, freed or 0, tuple(overrides(session, span)), _hours(session, until),
        _differences(session, span, first), newest_digest(session),
    )  # fmt: skip


def _lots_started(session: Session, span: Span, first: int) -> int:
    """Lots of panels that were begun, not those that parted from others: an entry each."""
    query = select(func.count(Entry.id)).where(Entry.action == "start_lot", Entry.outcome == "done")
    return session.scalar(query.where(*happened(span, first, Entry.id))) or 0


def _finished(session: Session, span: Span) -> tuple[Finished, ...]:
    rows = session.execute(_FINISHED, {"begin": span.begin, "end": span.end}).all()
    routes = catalogue.with_ids(session, sorted({row.route for row in rows}))
    runs: defaultdict[str, set[int]] = defaultdict(set)  # one that had lots of two routes is one run
    panels: Counter[str] = Counter()
    order: dict[str, int] = {}
    for row in rows:
        for i, (key, name) in enumerate(_named(routes[row.route].body)):
            if key == row.step:
                runs[name].add(row.run)
                panels[name] += int(row.panels or 0)
                order[name] = max(i, order.get(name, 0))
    return tuple(Finished(name, len(runs[name]), panels[name]) for name in sorted(runs, key=order.__getitem__))


def _named(route: Route) -> Iterator[tuple[str, str]]:
    """Keys of its steps, and what each is called: a name that comes again is said to, and another route's second of it is the same."""
    seen: Counter[str] = Counter()
    for step in route.steps:
        seen[step.name] += 1
        yield step.key, step.name if seen[step.name] == 1 else f"{step.name}, {ordinal(seen[step.name])} on its route"


def _by_reason(session: Session, span: Span, first: int, table: Any, units: Any, which: Any) -> tuple[tuple[str, int], ...]:
    query = select(table.reason, units).select_from(table).join(Entry, Entry.id == table.e)
    query = query.where(which, table.closed_e.is_(None), *happened(span, first, table.e)).group_by(table.reason)
    return tuple(sorted(((reason, int(n)) for reason, n in session.execute(query)), key=lambda one: -one[1]))


def _placed(session: Session, span: Span, first: int) -> tuple[HoldLine, ...]:
    query = select(Hold).join(Entry, Entry.id == Hold.e).where(*happened(span, first, Hold.e))
    holds = session.scalars(query.order_by(Hold.e, Hold.id)).all()
    names, on = codes_of(session, "hold", [hold.id for hold in holds]), on_what(session, holds)
    return tuple(HoldLine(names[hold.id], tuple(code for _, code in on[hold.id]), hold.reason) for hold in holds)


def _hours(session: Session, span: Span) -> tuple[tuple[str, StateHours], ...]:
    things = catalogue.every(session, "station")
    hours = hours_by_state(session, [one.id for one in things], span.begin, span.end)
    total: dict[str, StateHours] = {}
    for one in things:
        operation = one.body.operations[0]
        total[operation] = total.get(operation, StateHours()) + hours[one.id]
    return tuple(total.items())


def _differences(session: Session, span: Span, first: int) -> tuple[tuple[str, int, str], ...]:
    query = select(CountEntry.item, CountEntry.units, CountEntry.reason).join(Entry, Entry.id == CountEntry.e)
    query = query.where(*signed_for(), *happened(span, first, CountEntry.e))
    query = query.order_by(CountEntry.e, CountEntry.id)
    rows = session.execute(query).all()
    items = [item for item, *_ in rows]
    names = {item: code for kind in ("lot", "panel", "batch") for item, code in codes_of(session, kind, items).items()}
    return tuple((names.get(item, ""), units, reason) for item, units, reason in rows)


_RAN = text("""
    select count(*) as started from thing t cross join run r
    where t.kind = 'station' and r.station = t.id and r.started_at >= :begin and r.started_at < :end
      and not exists (select 1 from run_void v where v.run = r.id)
""").bindparams(bindparam("begin", type_=Moment()), bindparam("end", type_=Moment()))
_FINISHED = text("""
    select l.route, l.step, r.id as run, sum((select sum(s.n) from cover c join panel_set s on s.id = c."set"
        where c.line = l.id and c.done)) as panels
    from thing t cross join run r cross join line l
    where t.kind = 'station' and r.station = t.id
      and r.ended_at >= :begin and r.ended_at < :end and r.outcome = 'done'
      and l.run = r.id and l.step is not null and l.route is not null and not exists (select 1 from run_void v where v.run = r.id)
    group by l.route, l.step, r.id
""").bindparams(*(bindparam(name, type_=Moment()) for name in ("begin", "end")))
