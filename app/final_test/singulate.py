"""From panels to loose units: a singulation, or outside work that mixes, makes one loose lot from the good cells of its panels."""

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route
from app.catalogue.route_rules import mixing_key
from app.errors import Reason, Refused, refuse
from app.floor.containers import content_of, panels_leave_containers, put_item
from app.floor.counting import count_units, opening
from app.floor.ends import Value, finish_run
from app.floor.exits import write_dead_origins
from app.floor.loose import merge_loose, new_loose_lot
from app.floor.loose_stock import settle
from app.floor.lots import panels_leave_lots
from app.floor.marks import good_units
from app.floor.moves import stays_where_it_was
from app.journal.act import By, lock
from app.ledger.flows import Flow
from app.ledger.items import Item, Lot
from app.ledger.runs import Line, Run
from app.ledger.sets import panels_of
from app.naming.resolve import code_of


def singulate(
    session: Session, by: By, run: Run, values: Sequence[Value] = (), *, person: int | None = None, container: int | None = None,
    counted: tuple[int, str, float] | None = None,
) -> Lot:  # fmt: skip
    """Ends the run and makes the loose lot. `counted`: units as counted afterwards, by which method, with what uncertainty."""
    lines = list(session.scalars(select(Line).where(Line.run == run.id, Line.set.is_not(None)).order_by(Line.id)))
    _must_make_loose(session, by, run, lines)
    _must_be_alike(session, lines)
    panels = sorted({panel for line in lines for panel in panels_of(session, line.set or 0)})
    lock(session, Item, panels)  # or what someone marks or samples just now would be counted as good
    finish_run(session, by, run, values, person=person)
    good = good_units(session, panels)
    first = session.get_one(Lot, lines[0].lot)
    loose = new_loose_lot(session, by, first.product, _order(session, lines), lines[0].route or 0)
    for panel in panels:
        if good[panel] > 0:
            session.add(Flow(e=by.e, child=loose.item, parent=panel, kind="cells", walked=True, run=run.id, units=good[panel]))
    session.flush()
    opening(session, by, loose.item, sum(good.values()), "cells", 0.0)
    settle(session, by, [loose.item])
    write_dead_origins(session, panels)
    panels_leave_lots(session, by, panels)
    panels_leave_containers(session, by, panels)
    if container is not None:
        loose = _into(session, by, container, loose)
    if run.operation == "outside work":
        stays_where_it_was(session, by, loose.item, panels)  # what an outside firm made loose is still there
    if counted is not None:
        count_units(session, by, loose.item, counted[0], counted[1], counted[2], run=run.id)
    return loose


def _into(session: Session, by: By, container: int, loose: Lot) -> Lot:
    """Into an empty jar; or poured onto the lot that is in it, which goes on as a new one where its phase asks for that (rule 4)."""
    there = content_of(session, container).loose
    if not there:
        put_item(session, by, container, loose.item)
        return loose
    return merge_loose(session, by, there[0], [loose.item])


def _must_make_loose(session: Session, by: By, run: Run, lines: list[Line]) -> None:
    """Only the step at which the route's units leave their cells: before it stands the barrier. A fact may tell of outside work that mixed sooner."""
    what = f"Nothing of run {code_of(session, 'run', run.id)} was made loose."
    if run.operation not in ("singulate", "outside work") or not lines:
        raise refuse("not_next_step", what, f"It is {run.operation}{'' if lines else ' of no panels'}.", "End it as what it is.")
    if lines[0].route is None or by.fact:
        return
    route: Route = catalogue.with_id(session, lines[0].route).body
    if lines[0].step != (key := mixing_key(route)):
        raise refuse("not_next_step", what, f"By its route units become loose at step {key}.", "End it, and let the panels come to that step.")


def _must_be_alike(session: Session, lines: list[Line]) -> None:
    """Units of different products or routes never mix."""
    lots = {lot.product for lot in session.scalars(select(Lot).where(Lot.item.in_([line.lot for line in lines])))}
    if len(lots) > 1 or len({line.route for line in lines}) > 1:
        raise Refused(
            "Nothing was made loose.", Reason("steps_differ", "The panels are of different products or route revisions.", "Singulate each alone.")
        )


def _order(session: Session, lines: list[Line]) -> int | None:
    orders = set(session.scalars(select(Lot.order).where(Lot.item.in_([line.lot for line in lines]))))
    return orders.pop() if len(orders) == 1 else None
