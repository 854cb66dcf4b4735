"""Holds over the API: place, release, and what stops a thing."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends
from pydantic import AwareDatetime, BaseModel, Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input
from app.floor.groups import contents
from app.genealogy.freed import units_freed
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.holds.stopped import stops_on
from app.journal.act import By
from app.ledger.runs import Line
from app.ledger.stops import Hold
from app.machines.bodies import Name, Signed, Told, Words
from app.machines.calls import PROBLEMS, Call, calling
from app.machines.names import things_of
from app.naming.resolve import Named, code_of, codes_of, resolve

router = APIRouter(prefix="/api/v1", tags=["holds"], responses=PROBLEMS)
Calling = Annotated[Call, Depends(calling)]


class HoldIn(Told):
    """`subject`: a wafer, batch, panel, lot, container, sample, pack, run or station; or a run's `line`; or a station from when to when."""

    subject: Name | None = None
    line: int | None = Field(None, description="Instead of a subject: the number of a run line.")
    reason: Words
    span_from: AwareDatetime | None = Field(None, description="With a station: every line open from here ...")
    span_to: AwareDatetime | None = Field(None, description="... to here is held; empty: until it is released.")


class HoldOut(BaseModel):
    hold: str
    kind: str
    reason: str
    in_force: bool


class ReleaseIn(Signed):
    items: list[Name] = Field(default=[], description="Only these and what comes of them. Empty: everything, and the hold ends.")
    disposition: Name = Field(description="ISO 9000: concession, rework, repair, regrade, scrap, return to supplier.")
    words: Words


class ReleaseOut(BaseModel):
    hold: str
    units_freed: int
    in_force: bool


class StopsOut(BaseModel):
    """What stops a thing: for a lot or container, each of what is in it."""

    thing: str
    stopped: bool
    holds: list[HoldOut]


@router.post("/holds", summary="Place a hold")
def place(body: HoldIn, call: Calling) -> HoldOut:
    if (body.subject is None) == (body.line is None):
        raise bad_input("What is held?", "subject", "Name a subject or a line: one of them.", "Leave the other out.")
    span = (body.span_from, body.span_to) if body.span_from else None

    def verb(s: Session, by: By) -> dict[str, Any]:
        if body.line is not None:
            s.get_one(Line, body.line)
            return _hold(s, place_hold(s, by, Named("line", body.line, str(body.line)), body.reason))
        return _hold(s, place_hold(s, by, resolve(s, body.subject or ""), body.reason, span=span))

    return HoldOut(**call.do("place_hold", body, verb))


@router.post("/holds/{hold}/release", summary="Release a hold, signed")
def release(hold: str, body: ReleaseIn, call: Calling) -> ReleaseOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = s.get_one(Hold, resolve(s, hold, "hold").id)
        items = things_of(s, body.items)
        freed = units_freed(s, one, items)
        release_hold(s, by, one, items, body.disposition, body.words, units_freed=freed)
        return {"hold": code_of(s, "hold", one.id), "units_freed": freed, "in_force": one.closed_e is None}

    return ReleaseOut(**call.do("release_hold", body, verb, path={"hold": hold}))


@router.get("/holds", summary="Holds in force")
def every(call: Calling) -> list[HoldOut]:
    with call.house.reading() as s:
        return [HoldOut(**_hold(s, hold)) for hold in s.scalars(select(Hold).where(Hold.closed_e.is_(None)).order_by(Hold.id))]


@router.get("/stops/{thing}", summary="Is a thing stopped, and by which holds?")
def stops(thing: str, call: Calling) -> StopsOut:
    with call.house.reading() as s:
        one = resolve(s, thing)
        panels, items = contents(s, one) if one.kind in ("lot", "container", "panel", "pack", "sample") else ([], [one.id])
        found = {stop.hold for stops in stops_on(s, [*panels, *items]).values() for stop in stops}
        holds = list(s.scalars(select(Hold).where(Hold.id.in_(found)).order_by(Hold.id)))
        return StopsOut(thing=one.code, stopped=bool(holds), holds=[HoldOut(**_hold(s, hold)) for hold in holds])


def _hold(session: Session, hold: Hold) -> dict[str, Any]:
    return {"hold": codes_of(session, "hold", [hold.id])[hold.id], "kind": hold.kind, "reason": hold.reason, "in_force": hold.closed_e is None}
