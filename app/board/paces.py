"""How long steps took and how long lots waited before them, of the thirty days before a moment: what stuck and the forecast go by.

It reads thirty days of runs, so it is read once a production day and remembered; the board itself reads only what is open.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from sqlalchemy import Row, bindparam, text
from sqlalchemy.orm import Session

from app.board.forecast import Times
from app.catalogue import queries as catalogue
from app.db import Moment
from app.listed import ask, listed

DAYS = 30
_MOST = 600  # doings a product and step, spread evenly over the days: more would not move a percentile


@dataclass(frozen=True)
class Doing:
    """One doing in the past: on which day before the moment (0: the last), minutes waited before it, minutes it took."""

    day: int
    wait: float
    work: float


@dataclass(frozen=True)
class Begun:
    """A lot that was made, and whose first step began, so many minutes after the day's begin."""

    made: float
    minutes: float
    route: int
    units: int


@dataclass(frozen=True)
class Paces:
    """By product and step; `waits` are sorted. `begun`: the lots that were begun on each day. `units`: good units that started each step."""

    until: datetime
    doings: dict[tuple[int, str], tuple[Doing, ...]]
    waits: dict[tuple[int, str], tuple[float, ...]]
    begun: dict[int, tuple[Begun, ...]]
    units: dict[tuple[int, str], int]
    taped: dict[int, int]  # units that were taped, by product

    @cached_property
    def works(self) -> dict[tuple[int, str], tuple[float, ...]]:
        """How long the step itself took, sorted."""
        return {key: tuple(sorted(one.work for one in found)) for key, found in self.doings.items()}

    @cached_property
    def times(self) -> dict[tuple[int, str], Times]:
        return {
            key: Times(*(np.array([getattr(one, name) for one in found]) for name in ("day", "wait", "work"))) for key, found in self.doings.items()
        }

    def waits_at(self, product: int, step: str) -> Sequence[float]:
        return self.waits.get((product, step), ())


def paces(session: Session, until: datetime) -> Paces:
    """Of the lines that began in the `DAYS` before a moment."""
    rows = session.execute(_LINES, {"begin": until - timedelta(days=DAYS), "end": until}).all()
    product_of = _products(session, {row.route for row in rows})
    by_step: defaultdict[tuple[int, str], list[Row[Any]]] = defaultdict(list)
    for row in rows:
        if row.route in product_of:
            by_step[product_of[row.route], row.step].append(row)
    chosen = {key: _spread(found) for key, found in by_step.items()}
    before = _before(session, [row.id for found in chosen.values() for row in found])
    doings = {key: tuple(_doing(row, before, until) for row in found if row.id in before) for key, found in chosen.items()}
    waits = {key: tuple(sorted(doing.wait for doing in found)) for key, found in doings.items()}
    units = {key: int(sum(row.units or 0 for row in found)) for key, found in by_step.items()}
    taped = {product: int(n) for product, n in session.execute(_TAPED, {"begin": until - timedelta(days=DAYS), "end": until})}
    return Paces(until, doings, waits, _begun(session, rows, until), units, taped)


def _products(session: Session, routes: set[int]) -> dict[int, int]:
    by_name = {one.name: one.id for one in catalogue.every(session, "product")}
    return {thing: by_name[one.body.product] for thing, one in catalogue.with_ids(session, sorted(routes)).items() if one.body.product in by_name}


def _begun(session: Session, found: Sequence[Row[Any]], until: datetime) -> dict[int, tuple[Begun, ...]]:
    first = {thing: one.body.steps[0].key for thing, one in catalogue.with_ids(session, sorted({row.route for row in found})).items()}
    starts = [row for row in found if row.step == first.get(row.route) and row.units]
    made_at = {lot: at for lot, at in ask(session, _MADE, lots=sorted({row.lot for row in starts if row.lot}))}
    begun: defaultdict[int, list[Begun]] = defaultdict(list)
    for row in starts:
        if (made := made_at.get(row.lot)) is not None and made < until:
            day = (until - made).days
            begins = until - timedelta(days=day + 1)
            begun[day].append(Begun(_minutes(made - begins), _minutes(row.started_at - begins), row.route, int(row.units)))
    return {day: tuple(lots) for day, lots in begun.items()}


def _spread(found: list[Row[Any]]) -> list[Row[Any]]:
    return found if len(found) <= _MOST else [found[i * len(found) // _MOST] for i in range(_MOST)]


def _doing(row: Row[Any], before: dict[int, datetime], until: datetime) -> Doing:
    return Doing((until - row.started_at).days, _minutes(row.started_at - before[row.id]), _minutes(row.ended_at - row.started_at))


def _minutes(span: timedelta) -> float:
    """A time told wrongly is no wait below nothing."""
    return max(0.0, span / timedelta(minutes=1))


def _before(session: Session, lines: list[int]) -> dict[int, datetime]:
    """When the thing of each line had last been worked on; at the first step, when its lot was made; of a pack before its bag, when it was closed."""
    return {row.id: row.before for row in ask(session, _BEFORE, lines=lines)}


# the first line of a run, lot and step: a lot on five stations waited once, and so did one that fills ten reels
_LINES = text("""
    select min(l.id) as id, l.lot, l.route, l.step, min(l.started_at) as started_at, max(l.ended_at) as ended_at,
        sum(l.units) as units
    from thing t cross join run r cross join line l
    where t.kind = 'station' and r.station = t.id and r.started_at >= :begin and r.started_at < :end and r.outcome = 'done'
      and l.run = r.id and l.ended_at < :end and l.step is not null and l.route is not null
      and not exists (select 1 from run_void v where v.run = r.id)
    group by l.route, l.step, l.lot, case when r.operation = 'tape' then 0 else r.id end
    order by min(l.id)
""").bindparams(bindparam("begin", type_=Moment()), bindparam("end", type_=Moment())).columns(started_at=Moment(), ended_at=Moment())
_TAPED = text("""
    select p.product, sum(f.units) from pack p cross join flow f
    where f.child = p.item and f.kind = 'fill' and p.item in (
        select l.item from thing t cross join run r cross join line l
        where t.kind = 'station' and r.station = t.id and r.started_at >= :begin and coalesce(r.ended_at, :end) < :end and r.operation = 'tape'
          and l.run = r.id
          and not exists (select 1 from run_void v where v.run = r.id)
    )
    group by p.product
""").bindparams(bindparam("begin", type_=Moment()), bindparam("end", type_=Moment()))
_MADE = listed("select o.item, e.happened_at from lot o join entry e on e.id = o.e where o.item in :lots", "lots").columns(happened_at=Moment())
# a pack that is made anew to be sealed again did not wait itself
_BEFORE = listed("""
    select x.id, coalesce(
        k.closed_at,
        case when x."set" is not null then (
            select max(p.ended_at) from member m cross join cover c cross join line p
            where m.panel = (select min(one.panel) from member one where one."set" = x."set")
              and c."set" = m."set" and c.done and p.id = c.line and p.id < x.id
        ) else (
            select max(p.ended_at) from line p where p.item = x.lot and p.id < x.id
        ) end,
        (select e.happened_at from lot o join entry e on e.id = o.e where o.item = x.lot)
    ) as before
    from line x left join pack k on k.item = x.item and x.lot is null and k.closed_e < x.e
    where x.id in :lines and (x.lot is not null or k.item is not null)
""", "lines").columns(before=Moment())
