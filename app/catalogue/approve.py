"""A route revision's life: draft, active by a signature, retired. And lots that go on by another revision."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.changes import FieldChange, changes
from app.catalogue.check import path_text, problems
from app.catalogue.definitions import Catalogue, Route
from app.catalogue.models import Approval
from app.catalogue.queries import Defined, every, named, route_states, whole
from app.errors import Reason, Refused, refuse
from app.journal.act import By


@dataclass(frozen=True)
class Approved:
    """The revision that is active now, and the one that it takes the place of."""

    name: str
    retired: str | None


def approve_route(session: Session, by: By, product: str, revision: str, seen: int | None = None) -> Approved:
    """Makes a draft the active revision; the one before is retired, and its lots go on by it. `seen`: the definition that the signer read."""
    by.must_be_alone()
    route: Defined[Route] = named(session, "route", f"{product} rev {revision}")
    what = f"{route.name} was not approved."
    state = route_states(session).get(route.id, "draft")
    if state != "draft":
        raise refuse("finished", what, f"It is {state}: a revision is approved once.", "Load the route with a new revision.")
    if seen is not None and seen != route.definition:
        raise refuse("changed", what, "It was loaded anew since you read it.", "Read what changes now, then sign.")
    _must_hold(session, what, route.body)
    before = active_revision(session, product)
    if before is not None:
        _approval_of(session, before.id).closed_e = by.e
    session.add(Approval(e=by.e, route=route.id, definition=route.definition))
    session.flush()
    return Approved(route.name, before.name if before else None)


def retire_route(session: Session, by: By, product: str, revision: str) -> None:
    """No lot starts by this revision any more. Those that began by it go on."""
    by.must_be_alone()
    route: Defined[Route] = named(session, "route", f"{product} rev {revision}")
    state = route_states(session).get(route.id, "draft")
    if state != "active":
        raise refuse("revision_inactive", f"{route.name} was not retired.", f"It is {state}.", "Only an active revision can be retired.")
    _approval_of(session, route.id).closed_e = by.e
    session.flush()


def what_approval_changes(session: Session, route: Defined[Route]) -> tuple[Defined[Route] | None, tuple[FieldChange, ...]]:
    """The revision that is active now, and what the new one says otherwise: what the signer reads."""
    before = active_revision(session, route.body.product)
    return before, changes(before.body if before else None, route.body)


def active_revision(session: Session, product: str) -> Defined[Route] | None:
    states = route_states(session)
    return next((route for route in every(session, "route") if route.body.product == product and states.get(route.id) == "active"), None)


def _approval_of(session: Session, route: int) -> Approval:
    return session.scalars(select(Approval).where(Approval.route == route, Approval.closed_e.is_(None))).one()


def _must_hold(session: Session, what: str, route: Route) -> None:
    """Parts, recipes and the product may have changed since the route was loaded."""
    wrong = problems(Catalogue(routes=(route,)), whole(session))
    if wrong:
        raise Refused(what, *(Reason("revision_inactive", f"{path_text(one.path[2:])}: {one.why}", one.now) for one in wrong))
