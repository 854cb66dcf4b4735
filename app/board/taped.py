"""Today: what was taped so far and what will be taped by the day's end; and how yesterday's forecast came out.

A forecast is stored nowhere. The record only grows, so what was known when yesterday began can be read again, and the forecast is reckoned
anew from it with the same seed: it cannot have been changed since, and any past day can be scored, also one on which nobody looked.
"""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache, partial
from typing import Any, NamedTuple

from sqlalchemy import bindparam, text
from sqlalchemy.orm import Session

from app.board.forecast import Forecast, Job, Line, forecast
from app.board.marks import quantile
from app.board.open_rows import Past
from app.board.paces import Paces
from app.board.parts import Part, Parts
from app.board.production_day import Span
from app.catalogue.definitions import Route, Site
from app.catalogue.route_rules import mixing_key
from app.db import Moment
from app.floor.station_spells import unworked_between
from app.journal.since import first_since

_QUICK = 0.02  # a lot that even the quickest doings would not bring to the tapers in time is left out


def taped(session: Session, begin: datetime, end: datetime) -> int:
    """Units in packs whose taping ended in a span."""
    return int(session.scalar(_TAPED, {"begin": begin, "end": end}) or 0)


def past_at(session: Session, at: datetime) -> Past:
    """What was known at a moment: the entries that were recorded before. What was told late is no part of it.

    A record that was entered afterwards (the demo's is) has none of then: of it as many as tell most of what had happened, and least of what had not.
    """
    first = first_since(session, at)
    best = session.execute(_BEST, {"first": first, "at": at}).first()
    return Past(best.id if best and best.score > 0 else first - 1, at)


@dataclass(frozen=True)
class Today:
    """A day's forecast from one moment on. `held`: units on hold, which no draw tapes; `overdue`: units that wait longer than anything did.

    `per_hour`: of the tapers that are not down; None where one of them has no rate in the catalogue.
    """

    day: Span
    forecast: Forecast
    held: int
    overdue: int
    per_hour: float | None


def ahead(parts: Parts, paces: Paces, site: Site, day: Span, now: datetime, so_far: int, per_hour: float | None) -> Today:
    """The forecast for the end of `day` as it stands `now`. The seed is the day's number: the same moment gives the same band."""
    free = [part for part in parts.parts if not part.stops and not parts.is_to_scrap(part) and part.step is not None and not part.is_in_stock]
    held = sum(part.units for part in parts.parts if part.stops and part.lot.form != "pack")
    minutes = max(0.0, (day.end - now) / timedelta(minutes=1))
    way = cache(partial(_way, parts, paces))
    jobs = _jobs(free, way, now, minutes)
    overdue = [job for job in jobs if not job.is_running and (waits := paces.waits.get(job.steps[0])) and job.spent >= waits[-1]]
    again = _begun_again(parts, paces, way, (now - day.begin) / timedelta(minutes=1), minutes)
    line = Line(paces.times, minutes, per_hour, again, _idle(site, now, day.end), _standard(parts))
    return Today(day, forecast(jobs, line, so_far, seed=day.day.toordinal()), held, round(sum(job.units for job in overdue)), per_hour)


def _standard(parts: Parts) -> dict[tuple[int, str], float]:
    """Minutes that routes give their steps: all that a new plant, or a new step, has to go by."""
    routes = {(part.lot.product, part.lot.route) for part in parts.parts if part.lot.route in parts.routes}
    return {(product, step.key): step.standard_minutes for product, route in routes if route for step in parts.routes[route].steps}


def _idle(site: Site, now: datetime, end: datetime) -> list[tuple[float, float]]:
    """Minutes from now between which no shift works."""
    spans = unworked_between(site, now, end) if now < end else []
    return [((begin - now) / timedelta(minutes=1), (until - now) / timedelta(minutes=1)) for begin, until in spans]


class _Way(NamedTuple):
    """The steps from one to the next taping, which share of the good units gets there, and the minutes that even the quickest doings take."""

    steps: tuple[tuple[int, str], ...]
    share: float
    quickest: float


def _jobs(free: Sequence[Part], way: Callable[..., _Way | None], now: datetime, minutes: float) -> list[Job]:
    """What may come to the tapers in time. What stands alike in a lot goes on together, though its panels came by different ways."""
    alike: defaultdict[tuple[int, str | None, datetime, bool], list[Part]] = defaultdict(list)
    for part in free:
        alike[part.lot.item, part.step, part.since, part.running is not None].append(part)
    jobs = []
    for some in alike.values():
        part, units = some[0], sum(part.units for part in some)
        going = way(part.lot.route, part.lot.product, part.step, part.lot.form)
        if going and going.quickest <= minutes:
            jobs.append(Job(units * going.share, going.steps, max(0.0, (now - part.since) / timedelta(minutes=1)), part.running is not None))
    return jobs


def _begun_again(
    parts: Parts, paces: Paces, way: Callable[..., _Way | None], into_day: float, minutes: float
) -> dict[int, Sequence[tuple[float, Job]]]:
    """The lots that past days began after this time of day, with minutes from now: a short route tapes them on the same day."""
    product_of = {part.lot.route: part.lot.product for part in parts.parts if part.lot.route in parts.routes}
    found: dict[int, Sequence[tuple[float, Job]]] = {}
    for past_day, lots in paces.begun.items():
        later = [(lot, way(lot.route, product_of[lot.route], None, "panel")) for lot in lots if lot.route in product_of and lot.made >= into_day]
        found[past_day] = [
            (lot.minutes - into_day, Job(lot.units * going.share, going.steps, is_running=True))
            for lot, going in later
            if going and going.quickest <= minutes - (lot.minutes - into_day)
        ]
    return found


def _way(parts: Parts, paces: Paces, route: int | None, product: int, step: str | None, form: str) -> _Way | None:
    """From a step (None: the first) of a route; None where no taping comes."""
    if route not in parts.routes:
        return None
    body = parts.routes[route]
    steps = tuple((product, key) for key in _to_tape(body, step or body.steps[0].key))
    share = taped_share(paces, body, product) if form == "panel" else 1.0
    return _Way(steps, share, _quickest(paces, steps)) if steps else None


def taped_share(paces: Paces, route: Route, product: int) -> float:
    """The share of a product's good units that gets taped, by 30 days: units taped a unit that came to the step where units mix."""
    mixed = paces.units.get((product, mixing_key(route)), 0)
    return min(1.0, paces.taped.get(product, 0) / mixed) if mixed else 1.0


def _to_tape(route: Route, key: str) -> tuple[str, ...]:
    """The keys from a step to the next taping; empty where none comes."""
    keys = [step.key for step in route.steps]
    if key not in keys:
        return ()
    begin = keys.index(key)
    tape = next((i for i, step in enumerate(route.steps) if i >= begin and step.operation == "tape"), None)
    return tuple(keys[begin : tape + 1]) if tape is not None else ()


def _quickest(paces: Paces, steps: tuple[Any, ...]) -> float:
    """Minutes that even the quickest doings take along some steps."""
    known = [key for key in steps[1:] if key in paces.waits]
    waits = sum(quantile(paces.waits[key], _QUICK) for key in known)
    return waits + sum(quantile(paces.works[key], _QUICK) for key in known if key != steps[-1])


# of all entries since `first` the one up to which most had happened by then, and fewest had not
_BEST = text("""
    select id, score from (
        select id, sum(case when happened_at < :at then 1 else -1 end) over (order by id) as score from entry where id >= :first
    ) counted order by score desc, id limit 1
""").bindparams(bindparam("at", type_=Moment()))
_TAPED = text("""
    select sum(f.units) from flow f where f.kind = 'fill' and f.child in (
        select distinct l.item from thing t cross join run r cross join line l
        where t.kind = 'station' and r.station = t.id
          and r.operation = 'tape' and r.ended_at >= :begin and r.ended_at < :end and l.run = r.id and l.item is not null
          and not exists (select 1 from run_void v where v.run = r.id)
    )
""").bindparams(*(bindparam(name, type_=Moment()) for name in ("begin", "end")))
