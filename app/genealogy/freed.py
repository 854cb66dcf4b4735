"""How many units a release frees: those of packs and lots that the hold stops now and would not stop any more."""

from sqlalchemy.orm import Session

from app.floor.amounts import amounts
from app.floor.marks import good_units, singulated
from app.genealogy.reach import Reached, reach
from app.holds.stopped import stops_on
from app.ledger.items import Lot
from app.ledger.sets import panels_of
from app.ledger.stops import Hold
from app.naming.resolve import Named


def units_freed(session: Session, hold: Hold, items: list[Named]) -> int:
    """Units now in packs, loose lots and panels that only this hold stops, among the items and all that comes of them (none named: all)."""
    found = [reach(session, one) for one in (items or subjects_of(session, hold))]
    here = _still_there(session, found)
    stops = stops_on(session, here)
    return sum(units for item, units in here.items() if {stop.hold for stop in stops.get(item, [])} == {hold.id})


def subjects_of(session: Session, hold: Hold) -> list[Named]:
    """The things that a hold names, as things that can be traced."""
    if hold.kind in ("station", "span"):
        return []
    if hold.kind == "set":
        return [Named("panel", panel, "") for panel in panels_of(session, hold.subject)]
    kind = {"loose": "lot"}.get(hold.kind, hold.kind)
    return [Named(kind, hold.subject, "")]


def _still_there(session: Session, found: list[Reached]) -> dict[int, int]:
    """Units by item: packs as they are, loose lots and panels what has not left them."""
    panels = {panel for one in found for panel in one.panels}
    panels.difference_update(singulated(session, panels))
    lots = [item for one in found for item in one.loose if session.get(Lot, item) is not None]
    units = {pack: one.units.get(pack, 0) for one in found for pack in one.packs}
    units |= {lot: max(0, amount.book) for lot, amount in amounts(session, lots).items()}
    return units | good_units(session, panels)
