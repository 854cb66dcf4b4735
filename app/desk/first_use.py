"""What an installation still needs before the first lot can be started, in order, each ticked when it is done."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue.models import Approval, Thing
from app.ledger.items import Batch, Lot, Panel
from app.people.models import Secret, Terminal


@dataclass(frozen=True)
class FirstStep:
    """`page`: the route where it is done; `call`: of an action without a page of its own, the one whose form it is."""

    what: str
    why: str
    page: str
    is_done: bool
    call: str = ""


def first_steps(session: Session) -> list[FirstStep]:
    """Empty once a lot was started: from then on the factory knows."""
    if _any(session, Lot.item):
        return []
    return [
        FirstStep(
            "Say what is built, how and where", "Load your catalogue's file, or the example to look around.", "catalogue_load_page",
            _any(session, Thing.id, Thing.kind == "product"),
        ),
        FirstStep("Approve a route", "Lots start only by a revision that an engineer has signed.", "catalogue_home", _any(session, Approval.id)),
        FirstStep(
            "Add the people who work here", "Each with a badge, duties and a password or PIN; certificates where steps ask for them.", "people",
            _how_many_can_sign_in(session) > 1,
        ),
        FirstStep(
            "Enrol a floor terminal", "At the terminal itself: there a badge and a PIN are enough from then on.", "terminals",
            _any(session, Terminal.id, Terminal.closed_e.is_(None)),
        ),
        FirstStep("Receive material", "Lead frames first: panels come from their batch.", "form", _any(session, Batch.item), "/batches"),
        FirstStep("Receive panels", "By the marks on the frames, or a number of them.", "form", _any(session, Panel.item), "/panels"),
        FirstStep(
            "Start the first lot", "From panels, for a product; then print its code and its station's, each from its page, and scan them.", "form",
            False, "/lots",
        ),
    ]  # fmt: skip


def _how_many_can_sign_in(session: Session) -> int:
    """People of the catalogue's file have a badge and no secret: until they get one the floor stays shut to them."""
    return session.scalar(select(func.count(Secret.person.distinct())).where(Secret.closed_e.is_(None))) or 0


def _any(session: Session, column: Any, *where: Any) -> bool:
    return session.scalar(select(column).where(*where).limit(1)) is not None
