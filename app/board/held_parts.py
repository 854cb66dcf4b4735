"""What holds in force stop of what is open."""

from collections import defaultdict
from typing import Any

from sqlalchemy import Row, select, text
from sqlalchemy.orm import Session

from app.board.open_rows import Past, sets_of
from app.holds.stopped import Stop, stops_on
from app.ledger.stops import Hold


def held_parts(
    session: Session, past: Past | None, spent: set[int]
) -> tuple[dict[tuple[int, frozenset[int]], dict[tuple[Stop, ...], int]], dict[int, list[Stop]]]:
    """What holds in force stop of what is open: panels counted by lot and sets, and loose lots. First who may be, then `stops_on` of those."""
    near: list[Row[Any]] = [row for row in session.execute(_NEAR) if row.id not in spent]
    stops = stops_on(session, [row.id for row in near])
    if past:
        then = {hold for hold, e in session.execute(select(Hold.id, Hold.e).where(Hold.closed_e.is_(None))) if e <= past.e}
        stops = {item: kept for item, found in stops.items() if (kept := [stop for stop in found if stop.hold in then])}
    lot_of = {row.id: row.lot for row in near}
    panels = [row.id for row in near if row.kind == "panel" and row.id in stops]
    sets = sets_of(session, panels)
    counted: defaultdict[tuple[int, frozenset[int]], dict[tuple[Stop, ...], int]] = defaultdict(dict)
    for panel in panels:
        by_stops = counted[lot_of[panel], sets[panel]]
        by_stops[tuple(stops[panel])] = by_stops.get(tuple(stops[panel]), 0) + 1
    return dict(counted), {row.id: stops[row.id] for row in near if row.kind == "loose" and row.id in stops}


# everything open that a hold in force may reach: may name too much, never too little; `stops_on` decides
_NEAR = text("""
    with recursive
    material(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind in ('wafer', 'batch')
        union
        select f.child from material cross join flow f where f.parent = material.id and f.kind = 'mix'
    ),
    held_line(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind = 'line'
        union
        select l.id from hold h cross join line l where h.closed_e is null and h.kind = 'run' and l.run = h.subject
        union
        select u.line from material cross join use u where u.item = material.id
        union
        select l.id from hold h cross join run r cross join line l
        where h.closed_e is null and h.kind = 'span' and r.station = h.subject and l.run = r.id
          and (h.span_to is null or l.started_at <= h.span_to)
          and (h.span_from is null or l.ended_at is null or l.ended_at >= h.span_from)
    ),
    held_panel(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind = 'panel'
        union
        select m.panel from hold h cross join member m where h.closed_e is null and h.kind = 'set' and m."set" = h.subject
        union
        select m.panel from held_line cross join cover c cross join member m where c.line = held_line.id and m."set" = c."set"
        union
        select m.panel from held_line cross join line l cross join member m where l.id = held_line.id and m."set" = l."set"
        union
        select p.panel from material cross join placement p where p.wafer = material.id
        union
        select f.child from material cross join flow f where f.parent = material.id and f.kind = 'frame'
    ),
    held_loose(id) as (
        select h.subject from hold h where h.closed_e is null and h.kind in ('loose', 'pack')
        union
        select l.item from held_line cross join line l where l.id = held_line.id and l.item is not null
        union
        select f.child from held_panel cross join flow f where f.parent = held_panel.id and f.kind = 'cells'
        union
        select f.child from held_loose cross join flow f
        where f.parent = held_loose.id and f.kind in ('merge', 'split', 'carry', 'bin', 'fill', 'repack', 'untape', 'through')
    )
    select held_panel.id, h.lot, 'panel' as kind
    from held_panel cross join member m cross join lot_holding h
    where m.panel = held_panel.id and h."set" = m."set" and h.closed_e is null
    union all
    select s.lot, s.lot, 'loose' from held_loose cross join loose_stock s where s.lot = held_loose.id and s.emptied_e is null
""")
