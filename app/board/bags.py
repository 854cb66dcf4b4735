"""Packs that wait for their bag: closed, here, and in none, or in one that was opened; their floor life runs, and no lot stands for them any more.

No index tells which packs wait, so the newest are looked at, however long the history is.
"""

from sqlalchemy import text
from sqlalchemy.orm import Session

from app.board.open_rows import OpenLot
from app.catalogue.definitions import Route
from app.catalogue.route_rules import steps_of_lot
from app.db import Moment
from app.floor.progress import Progress, Ways
from app.floor.windows import WindowState, windows_into
from app.ledger.sealed import stands

NEWEST = 1000  # packs that are looked at: what a plant of the yardstick's size closes in more than two days


def without_bag(session: Session) -> dict[int, OpenLot]:
    """Packs that are in no bag, as lots of form "pack" that are open since they were closed, or since their bag was opened."""
    return {row.item: OpenLot(*row) for row in session.execute(_WITHOUT_BAG, {"newest": NEWEST})}


def into_bag(route: Route, ways: Ways) -> tuple[WindowState, ...]:
    """The time windows to the bag that run for what was done to the units of a pack."""
    stand, limits = Progress(ways=ways), ("start", "end")
    return tuple(state for step in steps_of_lot(route, "pack") for until in limits for state in windows_into(route, stand, step.key, until))


_IN_BAG = f"""
    select 1 from dry_pack d where d.pack = p.item and {stands("d.pack")} and not exists (select 1 from flow f where f.parent = d.pack and f.e > d.e)
"""
_WITHOUT_BAG = text(f"""
    select p.item, c.code, 'pack' as form, p.product, p."order", p.bin, p.grade,
        (select r.route from lot_route r where r.lot = i.loose and r.closed_e is null) as route, coalesce(
        (
            select max(e.happened_at) from dry_pack d cross join flow f cross join entry e
            where d.pack = p.item and f.parent = d.pack and f.e > d.e and e.id = f.e
        ),
        p.closed_at
    ) as made_at
    from (select * from pack where closed_e is not null order by item desc limit :newest) p
        cross join pack_content i cross join code c
    where i.pack = p.item and i.closed_e is null and i.pocket_from = 1 and c.kind = 'pack' and c.thing = p.item and not exists ({_IN_BAG})
""").columns(made_at=Moment())
