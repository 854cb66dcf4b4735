"""New lots: one that begins a family, and the parts that leave it, whose codes begin with the root's."""

from collections.abc import Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app import codes
from app.catalogue import queries as catalogue
from app.errors import Reason
from app.journal.act import By, lock
from app.ledger.items import Item, Lot, LotRoute
from app.naming.resolve import code_of, codes_of, give_code, take_code


def first_lot(session: Session, by: By, form: str, product: int, order: int | None, route: int) -> Lot:
    """A lot with a code of its own, on a route's revision. It is its own root."""
    item = _new_item(session, by)
    lot = Lot(e=by.e, item=item, form=form, product=product, order=order, bin=None, grade=None, root=item)
    session.add(lot)
    session.flush()
    session.add(LotRoute(e=by.e, lot=item, route=route))
    give_code(session, by, "lot", item)
    session.flush()
    return lot


def part_of_lot(
    session: Session, by: By, lot: Lot, *, form: str | None = None, bin: str | None = None, grade: str | None = None, untested: bool = False
) -> Lot:
    """A lot that leaves `lot` (or goes on from it): same product, order and route; the root's code with a serial.

    It keeps bin and grade unless others are given, or it is `untested`: to be tested again, and in none until then.
    """
    root = lot.root or lot.item
    lock(session, Item, [root])  # or two parts would draw the same serial
    item = _new_item(session, by)
    part = Lot(
        e=by.e, item=item, form=form or lot.form, product=lot.product, order=lot.order, bin=None if untested else bin or lot.bin,
        grade=None if untested else grade or lot.grade, root=root,
    )  # fmt: skip
    session.add(part)
    session.flush()
    route = route_of(session, lot.item)
    if route is not None:
        session.add(LotRoute(e=by.e, lot=item, route=route))
    serial = (session.scalar(select(func.count()).where(Lot.root == root)) or 0) - 1
    take_code(session, by, "lot", item, codes.part_of(code_of(session, "lot", root), serial))
    session.flush()
    return part


def route_of(session: Session, lot: int) -> int | None:
    """The route revision that a lot is on now."""
    return session.scalar(select(LotRoute.route).where(LotRoute.lot == lot, LotRoute.closed_e.is_(None)))


def differing_routes(session: Session, lots: Sequence[int]) -> list[Reason]:
    """Lots that go on together are on one revision: else a step that only one of them asks for would be left out."""
    routes = {lot: route_of(session, lot) for lot in lots}
    if len(set(routes.values())) < 2:
        return []
    names = catalogue.with_ids(session, [route for route in routes.values() if route])
    codes = codes_of(session, "lot", list(routes))
    told = "; ".join(f"{codes[lot]} is on {names[route].name}" for lot, route in routes.items() if route)
    return [Reason("steps_differ", f"They are on different route revisions: {told}.", "Ask an engineer to move one to the other's revision.")]


def _new_item(session: Session, by: By) -> int:
    item = Item(e=by.e, kind="lot")
    session.add(item)
    session.flush()
    return item.id
