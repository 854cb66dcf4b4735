"""The probe before the walk: which holds in force may concern what is above some things. One statement, whatever is on hold.

It may name a hold that stops nothing (its panels were released, a line came later), never leave one out: the walk decides.
"""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from app.listed import listed


def holds_near(session: Session, panels: Sequence[int], material: Sequence[int], mixed: Sequence[int] = ()) -> set[int]:
    """Ids of holds in force on the panels, on lines that touched them, or on what was used for them or lies on the station.

    `mixed`: loose lots, samples and packs, themselves; what is above them is for the caller to name.
    """
    return set(session.scalars(_NEAR, {"panels": panels, "material": material, "mixed": mixed}))


# `or ... = -1`, which never is: see `ledger/walk.py`
_NEAR = listed(
    """
    with recursive
    travelled(id) as (select distinct "set" from member where panel in :panels),
    covered(id) as (
        select c.line from travelled cross join cover c where c."set" = travelled.id
        union
        select l.id from travelled cross join line l where l."set" = travelled.id and (l.closed_e is null or travelled.id = -1)
        union
        select l.id from line l where l.item in :mixed
    ),
    origin(id) as (
        select u.item from covered cross join use u where u.line = covered.id
        union
        select f.parent from flow f where f.child in :panels
        union
        select p.wafer from placement p where p.panel in :panels
        union
        select i.id from item i where i.id in :material
        union
        select f.parent from origin cross join flow f where f.child = origin.id and (f.kind = 'mix' or origin.id = -1)
    )
    select h.id from hold h
    where h.closed_e is null and (
        (h.kind in ('wafer', 'batch') and h.subject in (select id from origin))
        or (h.kind = 'panel' and h.subject in :panels)
        or (h.kind in ('loose', 'sample', 'pack') and h.subject in :mixed)
        or (h.kind = 'set' and h.subject in (select id from travelled))
        or (h.kind = 'line' and h.subject in (select id from covered))
        or (h.kind = 'run' and h.subject in (select l.run from covered cross join line l where l.id = covered.id))
        or (h.kind = 'span' and exists (
            select 1 from covered cross join line l cross join run r
            where l.id = covered.id and r.id = l.run and (r.station = h.subject or covered.id = -1)
              and (h.span_to is null or l.started_at <= h.span_to or covered.id = -1)
              and (h.span_from is null or l.ended_at is null or l.ended_at >= h.span_from or covered.id = -1)
        ))
    )
    """,
    "panels",
    "material",
    "mixed",
)
