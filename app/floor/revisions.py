"""Move a lot to another revision of its product's route, by signature. What it has done stays done; what comes next is by the new one."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route, Step
from app.catalogue.queries import Defined
from app.errors import Reason, Refused
from app.floor.in_work import in_work_reasons
from app.floor.progress import Progress, loose_progress, progress
from app.journal.act import By, lock
from app.ledger.items import Item, Lot, LotRoute
from app.ledger.sets import panels_of_lot
from app.naming.resolve import code_of


def move_to_revision(session: Session, by: By, lot: int, route: int) -> LotRoute:
    """`route`: an active revision of the lot's own product that has every step that the lot has done."""
    lock(session, Item, sorted({lot, *panels_of_lot(session, lot)}))
    it = session.get_one(Lot, lot)
    now = session.scalars(select(LotRoute).where(LotRoute.lot == lot, LotRoute.closed_e.is_(None))).one_or_none()
    to: Defined[Route] = catalogue.route(session, route)
    if now is not None and now.route == route:
        return now
    panels = panels_of_lot(session, lot) if it.form == "panel" else []
    stands = progress(session, panels) if panels else loose_progress(session, [lot])
    reasons = _not_its_own(session, it, to) + in_work_reasons(session, panels or [lot])
    if now is not None:
        reasons += _steps_missing(catalogue.route(session, now.route), to, list(stands.values()))
    if reasons:
        raise Refused(f"Lot {code_of(session, 'lot', lot)} was not moved to {to.name}.", *reasons)
    if now is not None:
        now.closed_e = by.e
        session.flush()  # or the new row would meet the open one
    new = LotRoute(e=by.e, lot=lot, route=route)
    session.add(new)
    session.flush()
    return new


def _not_its_own(session: Session, lot: Lot, to: Defined[Route]) -> list[Reason]:
    product = catalogue.with_id(session, lot.product).name
    found = []
    if to.body.product != product:
        found.append(Reason("steps_differ", f"It is a lot of {product}; {to.name} is for {to.body.product}.", "Name a revision of its own product."))
    state = catalogue.route_state(session, to.id)
    if state != "active":
        found.append(Reason("revision_inactive", f"{to.name} is {state}.", "Approve it first, or name the active revision."))
    return found


def _steps_missing(was: Defined[Route], to: Defined[Route], stands: list[Progress]) -> list[Reason]:
    """Steps that were done and that the new revision lacks, or has as other work."""
    done = {doing.step for stand in stands for doing in stand.doings}
    kept = {step.key: step for step in to.body.steps}
    now = f"Finish the lot on {was.name}, or give {to.name} a successor that has them."
    gone = [step for step in was.body.steps if step.key in done and step.key not in kept]
    other = [step for step in was.body.steps if step.key in done and step.key in kept and not _same_work(step, kept[step.key])]
    found = []
    if gone:
        found.append(Reason("steps_differ", f"It has done {_names(gone)}, which {to.name} does not have.", now))
    if other:
        found.append(Reason("steps_differ", f"It has done {_names(other)}, which is other work in {to.name}.", now))
    return found


def _same_work(one: Step, other: Step) -> bool:
    return one.operation == other.operation and one.role == other.role


def _names(steps: list[Step]) -> str:
    return ", ".join(f"{step.name} ({step.key})" for step in steps)
