"""What a hold stops now, in units of packs, loose lots and panels; and how many of them a release frees: those that no other hold stops."""

from dataclasses import dataclass

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session

from app.floor.amounts import amounts
from app.floor.marks import good_units, singulated
from app.genealogy.reach import Reached, reach, reach_of_lines, reach_of_panels
from app.holds.stopped import stops_on
from app.ledger.items import Lot, Sample
from app.ledger.runs import Line, Run
from app.ledger.sets import panels_of
from app.ledger.stops import Hold
from app.ledger.used import mixed_from
from app.listed import among
from app.naming.resolve import Named


@dataclass(frozen=True)
class Stopped:
    """Packs, loose lots and panels that a hold stops, with their units now; and wafers, batches and kept samples, which no release counts.

    `elsewhere`: those that another hold stops too.
    """

    units: dict[int, int]
    elsewhere: frozenset[int]
    uncounted: frozenset[int] = frozenset()

    @property
    def freed(self) -> int:
        return sum(units for item, units in self.units.items() if item not in self.elsewhere)


NOTHING = Stopped({}, frozenset())


def units_freed(session: Session, hold: Hold, items: list[Named]) -> int:
    """Units now in packs, loose lots and panels that only this hold stops, among the items and all that comes of them (none named: all)."""
    return stopped_now(session, hold, items).freed


def stopped_now(session: Session, hold: Hold, items: list[Named] | None = None) -> Stopped:
    """Among the items and all that comes of them (none named: all). What holds nothing any more is left out."""
    reached = [reach(session, one) for one in items] if items else _reached(session, hold)
    here, apart = _still_there(session, reached), _uncounted(session, items or [Named(hold.kind, hold.subject, "")], reached)
    stops = {item: {stop.hold for stop in found} for item, found in stops_on(session, [*here, *apart]).items()}
    units = {item: units for item, units in here.items() if units and hold.id in stops.get(item, ())}
    uncounted = frozenset(item for item in apart if hold.id in stops.get(item, ()))
    return Stopped(units, frozenset(item for item in (*units, *uncounted) if len(stops[item]) > 1), uncounted)


def _reached(session: Session, hold: Hold) -> list[Reached]:
    """What may have something of what the hold names."""
    if hold.kind == "station":
        return []
    if hold.kind == "span":
        return [reach_of_lines(session, session.scalars(_lines_in(hold)))]
    if hold.kind == "set":
        return [reach_of_panels(session, panels_of(session, hold.subject))]
    return [reach(session, Named("lot" if hold.kind == "loose" else hold.kind, hold.subject, ""))]


def _lines_in(hold: Hold) -> Select[int]:
    """The lines that were open at the station in the span."""
    query = select(Line.id).join(Run, Run.id == Line.run).where(Run.station == hold.subject)
    if hold.span_from is not None:
        query = query.where(or_(Line.ended_at.is_(None), Line.ended_at >= hold.span_from))
    return query if hold.span_to is None else query.where(Line.started_at <= hold.span_to)


def _still_there(session: Session, found: list[Reached]) -> dict[int, int]:
    """Units by item: packs as they are, loose lots and panels what has not left them."""
    panels = {panel for one in found for panel in one.panels}
    panels.difference_update(singulated(session, panels))
    lots = session.scalars(select(Lot.item).where(among(Lot.item, [item for one in found for item in one.loose])))
    units = {pack: one.units.get(pack, 0) for one in found for pack in one.packs}
    units |= {lot: max(0, amount.book) for lot, amount in amounts(session, lots).items()}
    return units | good_units(session, panels)


def _uncounted(session: Session, named: list[Named], found: list[Reached]) -> set[int]:
    """Wafers and batches that are named, batches that were mixed from these, and samples that are kept."""
    batches = [one.id for one in named if one.kind == "batch"]
    material = {one.id for one in named if one.kind == "wafer"} | {*batches, *(mixed for batch in batches for mixed in mixed_from(session, batch))}
    items = [*(item for one in found for item in one.loose), *(one.id for one in named if one.kind == "sample")]
    return material | set(session.scalars(select(Sample.item).where(among(Sample.item, items), Sample.kept)))
