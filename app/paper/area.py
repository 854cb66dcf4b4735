"""Which lots are in an area now: those that come next to an operation of one of its stations, or that run on one of them."""

from collections.abc import Iterable, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.floor.progress import Progress, loose_progress, progress
from app.ledger.items import Lot
from app.ledger.loose_stock import LooseStock
from app.ledger.runs import Line, Run
from app.ledger.sets import LotHolding, Member

_AT_ONCE = 400  # lots whose panels are asked for in one statement


def lots_in_area(session: Session, area: str) -> list[Lot]:
    """In order of their codes' birth."""
    stations = [station for station in catalogue.every(session, "station") if station.body.area == area]
    operations = {operation for station in stations for operation in station.body.operations}
    found = _running_at(session, [station.id for station in stations])
    candidates = _panel_lots(session)
    for i in range(0, len(candidates), _AT_ONCE):
        found |= _coming(session, _stand_of_panels(session, candidates[i : i + _AT_ONCE]), operations)
    loose = _loose_lots(session)
    found |= _coming(session, ((lot, one) for lot, one in loose_progress(session, loose).items()), operations)
    return list(session.scalars(select(Lot).where(Lot.item.in_(found)).order_by(Lot.item)))


def _running_at(session: Session, stations: list[int]) -> set[int]:
    query = select(Line.lot).join(Run, Run.id == Line.run).where(Run.station.in_(stations), Run.closed_e.is_(None), Line.closed_e.is_(None))
    return {lot for lot in session.scalars(query) if lot is not None}


def _panel_lots(session: Session) -> list[int]:
    return list(session.scalars(select(LotHolding.lot).where(LotHolding.closed_e.is_(None)).order_by(LotHolding.lot)))


def _stand_of_panels(session: Session, lots: Sequence[int]) -> Iterable[tuple[int, Progress]]:
    query = select(Member.panel).join(LotHolding, LotHolding.set == Member.set)
    panels = list(session.scalars(query.where(LotHolding.lot.in_(lots), LotHolding.closed_e.is_(None))))
    return [(one.lot, one) for one in progress(session, panels).values() if one.lot is not None]


def _loose_lots(session: Session) -> list[int]:
    return list(session.scalars(select(LooseStock.lot).where(LooseStock.emptied_e.is_(None)).order_by(LooseStock.lot)))


def _coming(session: Session, stand: Iterable[tuple[int, Progress]], operations: set[str]) -> set[int]:
    """The lots that something of comes next to one of the operations."""
    rows = [(lot, one) for lot, one in stand if one.route is not None and one.next_step is not None]
    routes = catalogue.with_ids(session, list({one.route for _, one in rows if one.route is not None}))
    wanted = {(route, step.key) for route, known in routes.items() for step in known.body.steps if step.operation in operations}
    return {lot for lot, one in rows if (one.route, one.next_step) in wanted}

