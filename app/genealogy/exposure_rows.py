"""What an exposure asks of the record: flows and counts of loose lots below a suspicion, and what lies in packs."""

from app.ledger.counts import CORRECTED_RESULTS
from app.listed import listed

# how a count is read, and of corrected results of a test the lot that was tested, where the count is of one of its bins
_IS_CORRECTED = f"c.kind = 'difference' and c.reason = '{CORRECTED_RESULTS}'"
_CORRECTED = f"""
    case when {_IS_CORRECTED} then 'corrected' else 'counted' end,
    case when {_IS_CORRECTED} then (select min(f.parent) from flow f where f.child = c.item and f.kind = 'bin' and f.run = c.run) else 0 end
    """
# what came into and went out of these, and was counted out of them; what came off panels by moment. Last, what came off a tape
_POSTINGS = f"""
    select 'out', f.child, f.parent, f.kind, f.units, f.e, f.walked, null, 0.0 from below cross join flow f where f.parent = below.id
    union all
    select {_CORRECTED}, c.item, c.kind, c.units, c.e, false, null, c.u
    from below cross join count_entry c
    where c.item = below.id and (c.closed_e is null and c.kind <> 'counted' and (c.kind <> 'opening' or c.u > 0) or below.id = -1)
    union all
    select 'in', f.child, case when f.kind = 'cells' then 0 else f.parent end, f.kind, cast(sum(f.units) as bigint), f.e, f.walked,
        case when f.kind = 'through' then (select i.kind from item i where i.id = f.child) end, 0.0
    from below cross join flow f where f.child = below.id
    group by f.child, case when f.kind = 'cells' then 0 else f.parent end, f.kind, f.e, f.walked
    """
BELOW = listed(
    f"""
    with recursive below(id) as (
        select id from item where id in :seeds
        union
        select f.child from below cross join flow f where f.parent = below.id and (f.walked or below.id = -1)
    )
    {_POSTINGS}
    """,
    "seeds",
)
# the same of the seeds alone, and how what left them was counted
BESIDE = listed(
    f"""
    with below(id) as (select id from item where id in :seeds)
    {_POSTINGS}
    union all
    select 'counted', 0, c.item, c.kind, c.units, c.e, false, null, c.u
    from below cross join flow f cross join count_entry c
    where f.parent = below.id and c.item = f.child and c.e = f.e and (c.kind = 'opening' and c.closed_e is null or below.id = -1)
    """,
    "seeds",
)
# all that is in packs which hold units of these lots
CONTENTS = listed(
    """
    with these(pack) as (
        select distinct c.pack from lot l cross join pack_content c where l.item in :loose and c.loose = l.item and c.closed_e is null
    )
    select c.pack, c.pocket_from, c.pocket_to, c.loose, c.was_in
    from these cross join pack_content c where c.pack = these.pack and (c.closed_e is null or these.pack = -1)
    """,
    "loose",
)
