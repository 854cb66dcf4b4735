"""Panel lots: start, split, merge. A lot is who travels together, so none of this changes any panel's history."""

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Product, Route
from app.catalogue.queries import Defined
from app.drawing.strip import ordinal
from app.errors import Reason, bad_input, few, refuse
from app.floor.containers import content_of
from app.floor.facts import refuse_or_hold
from app.floor.in_work import in_work_reasons
from app.floor.lot_families import differing_routes, first_lot, part_of_lot, route_of
from app.floor.marks import good_units, singulated
from app.floor.progress import progress
from app.holds.stopped import Stop, stops_on
from app.journal.act import By, lock
from app.ledger.items import Item, Lot, Panel
from app.ledger.places import Container
from app.ledger.sets import LotHolding, lots_of_panels, panels_of_lot, set_of
from app.naming.resolve import codes_of


def start_lot(
    session: Session, by: By, product: str, panels: Sequence[int] = (), containers: Sequence[int] = (), order: str | None = None
) -> Lot:
    """A lot of free panels, named themselves or as what is in containers, for a product by its part number, on its active route."""
    lock(session, Item, _meant(session, panels, containers))  # items before containers, as everywhere
    lock(session, Container, sorted(containers))
    ids = _meant(session, panels, containers)
    if not ids:
        raise bad_input("A lot needs panels.", "panels", "None is named, and the containers are empty.", "Scan panels, or a magazine with panels.")
    lock(session, Item, ids)  # those too that were put in while this waited
    defined = catalogue.product(session, product)
    route = catalogue.active_route(session, product)
    order_id, order_reasons = _order(session, order, product)
    reasons = order_reasons + _not_free(session, ids) + _wrong_frames(session, ids, defined)
    refuse_or_hold(session, by, f"No lot of {product} was started.", reasons, panels=ids)
    panels_leave_lots(session, by, ids)  # only a fact comes here with panels of other lots
    lot = first_lot(session, by, "panel", defined.id, order_id, route.id)
    _now_holds(session, by, lot.item, ids)
    return lot


def _meant(session: Session, panels: Sequence[int], containers: Sequence[int]) -> list[int]:
    return sorted({*panels, *(panel for container in containers for panel in content_of(session, container).panels)})


def split_lot(session: Session, by: By, lot: int, panels: Sequence[int]) -> Lot:
    """These panels leave the lot and get a code; the rest keeps code, label and paper."""
    leaving = sorted(set(panels))
    it = _panel_lot(session, lot)
    lock(session, Item, sorted({lot, it.root or lot, *leaving}))
    there = panels_of_lot(session, lot)
    name = _name(session, lot)
    if not leaving:
        raise bad_input("A split needs panels.", "panels", "None is named.", "Name the panels that leave.")
    missing = sorted(set(leaving) - set(there))
    if missing:
        raise refuse("not_here", f"Lot {name} was not split.", f"{_panels(session, missing)} not in it.", "Look at what is in the lot now.")
    if len(leaving) == len(there):
        raise bad_input(f"Lot {name} was not split.", "panels", "These are all its panels: nothing would stay.", "Name fewer panels.")
    refuse_or_hold(session, by, f"Lot {name} was not split.", in_work_reasons(session, leaving), panels=leaving)
    part = part_of_lot(session, by, it)
    _now_holds(session, by, lot, sorted(set(there) - set(leaving)))
    _now_holds(session, by, part.item, leaving)
    return part


def merge_lots(session: Session, by: By, into: int, others: Sequence[int]) -> Lot:
    """The panels of `others` join `into`, when all of them are at the same point of the same route."""
    ids = [into, *dict.fromkeys(others)]
    if len(ids) < 2 or into in others:
        raise bad_input("A merge needs two lots or more.", "others", "None other than the first is named.", "Scan the lots that join it.")
    lots = {lot: _panel_lot(session, lot) for lot in ids}
    before = {lot: panels_of_lot(session, lot) for lot in ids}
    lock(session, Item, sorted({*ids, *(panel for panels in before.values() for panel in panels)}))
    there = {lot: panels_of_lot(session, lot) for lot in ids}
    what = f"{_names(session, ids)} were not merged."
    _must_hold_panels(session, what, before, there)
    everything = sorted(panel for panels in there.values() for panel in panels)
    reasons = (
        in_work_reasons(session, everything)
        + _held_apart(session, there)
        + _made_for_others(session, list(lots.values()))
        + _stand_differently(session, there)
    )
    refuse_or_hold(session, by, what, reasons, panels=everything)
    for lot in ids[1:]:
        _now_holds(session, by, lot, [])
    _now_holds(session, by, into, everything)
    return lots[into]


def panels_leave_lots(session: Session, by: By, panels: Sequence[int]) -> None:
    """These panels are in no lot any more: their units have become loose. Nor are those that stay, where none of them has anything good."""
    lock(session, Item, sorted(set(lots_of_panels(session, list(panels)).values())))  # two saws may end over one lot at once
    for lot in sorted(set(lots_of_panels(session, list(panels)).values())):
        rest = sorted(set(panels_of_lot(session, lot)) - set(panels))
        _now_holds(session, by, lot, rest if any(good_units(session, rest).values()) else [])


def _now_holds(session: Session, by: By, lot: int, panels: list[int]) -> None:
    held = session.scalar(select(LotHolding).where(LotHolding.lot == lot, LotHolding.closed_e.is_(None)))
    if held is not None:
        held.closed_e = by.e
        session.flush()  # or the new row would meet the open one
    if panels:
        session.add(LotHolding(e=by.e, lot=lot, set=set_of(session, by, panels)))
    session.flush()


def _panel_lot(session: Session, lot: int) -> Lot:
    found = session.get_one(Lot, lot)
    if found.form != "panel":
        raise bad_input(f"Lot {_name(session, lot)} holds loose units.", "lot", "It has no panels.", "Split and merge it as a loose lot.")
    return found


def _order(session: Session, number: str | None, product: str) -> tuple[int | None, list[Reason]]:
    if number is None:
        return None, []
    order = catalogue.named(session, "order", number)
    if order.body.product == product:
        return order.id, []
    return order.id, [Reason("order_differs", f"Order {number} is for {order.body.product}, not for {product}.", "Choose an order for this product.")]


def _not_free(session: Session, panels: list[int]) -> list[Reason]:
    reasons = []
    held = lots_of_panels(session, panels)
    for lot in sorted(set(held.values())):
        which = [panel for panel in panels if held.get(panel) == lot]
        reasons.append(Reason("not_here", f"{_panels(session, which)} in lot {_name(session, lot)}.", "Split them off, or name free panels."))
    if gone := sorted(singulated(session, panels)):
        reasons.append(Reason("finished", f"The units of {_panels(session, gone, verb=False)} have become loose.", "Name panels that hold units."))
    return reasons


def _wrong_frames(session: Session, panels: list[int], product: Defined[Product]) -> list[Reason]:
    rows, columns = product.body.rows, product.body.columns
    query = select(Panel.item).where(Panel.item.in_(panels), (Panel.rows != rows) | (Panel.columns != columns))
    wrong = sorted(session.scalars(query))
    if not wrong:
        return []
    why = f"{product.name} has {rows} rows x {columns} columns; {_panels(session, wrong)} of another size."
    return [Reason("material_wrong", why, "Take panels of the product's lead frame.")]


def _must_hold_panels(session: Session, what: str, before: dict[int, list[int]], there: dict[int, list[int]]) -> None:
    if empty := [lot for lot, panels in there.items() if not panels]:
        raise refuse("not_here", what, f"{_names(session, empty)}: no panels are in it now.", "Leave it out.")
    if joined := [lot for lot in there if set(there[lot]) - set(before[lot])]:
        raise refuse("changed", what, f"{_names(session, joined)} took in panels at this very moment.", "Look at the lots and try again.")


def _held_apart(session: Session, there: dict[int, list[int]]) -> list[Reason]:
    """Held things and free things are not merged: every lot must be stopped by the same holds, and wholly."""
    stops = stops_on(session, [panel for panels in there.values() for panel in panels])
    by_panel = {panel: _holds(stops.get(panel, [])) for panels in there.values() for panel in panels}
    if len(set(by_panel.values())) == 1:
        return []
    held = [lot for lot, panels in there.items() if any(by_panel[panel] for panel in panels)]
    names = ", ".join(codes_of(session, "hold", sorted(set().union(*by_panel.values()))).values())
    why = f"{_names(session, held)} held ({names}), and not all of this alike."
    return [Reason("held", why, "Ask quality to release it, or merge what is free.")]


def _holds(stops: Sequence[Stop]) -> frozenset[int]:
    return frozenset(stop.hold for stop in stops)


def _made_for_others(session: Session, lots: list[Lot]) -> list[Reason]:
    reasons = []
    if len({lot.product for lot in lots}) > 1:
        reasons.append(Reason("steps_differ", "They are of different products, so no step of theirs is the same.", "Merge lots of the same product."))
    if len({lot.order for lot in lots}) > 1:
        reasons.append(Reason("order_differs", "They were started for different orders.", "Merge lots of the same order."))
    return reasons


def _stand_differently(session: Session, there: dict[int, list[int]]) -> list[Reason]:
    """Revision, next step and round must be equal for all panels that have good units."""
    if reasons := differing_routes(session, list(there)):
        return reasons
    panels = [panel for panels in there.values() for panel in panels]
    good = good_units(session, panels)
    stand = progress(session, panels)
    at = {lot: {(stand[panel].next_step, stand[panel].round) for panel in held if good[panel]} for lot, held in there.items()}
    if len(set().union(*at.values())) <= 1:
        return []
    route = route_of(session, next(iter(there)))  # all of them are on it
    body = catalogue.with_id(session, route).body if route else None
    told = "; ".join(f"{_name(session, lot)}: {_standing(body, steps)}" for lot, steps in at.items())
    return [Reason("steps_differ", f"They differ in the step that comes next. {told}.", "Bring them to the same step first.")]


def _standing(route: Route | None, steps: set[tuple[str | None, int]]) -> str:
    named = [(catalogue.step_name(route, step) if step else "nothing", round_) for step, round_ in sorted(steps, key=str)]
    told = [name + (f" ({ordinal(round_)} time)" if round_ > 1 else "") for name, round_ in named]
    return " and ".join(told) or "no good units"


def _name(session: Session, lot: int) -> str:
    return codes_of(session, "lot", [lot])[lot]


def _names(session: Session, lots: list[int]) -> str:
    return ", ".join(codes_of(session, "lot", lots).values())


def _panels(session: Session, panels: list[int], *, verb: bool = True) -> str:
    named = codes_of(session, "panel", panels)
    names = few(named[panel] for panel in panels)
    return f"{names} {'is' if len(panels) == 1 else 'are'}" if verb else names
