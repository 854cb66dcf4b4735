"""Holds over the API: place, release, and what stops a thing."""

from collections.abc import Sequence
from typing import Any

from pydantic import Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input
from app.floor.groups import contents
from app.genealogy.freed import units_freed
from app.holds.place import place_hold
from app.holds.release import named_to_release, release_hold
from app.holds.stopped import station_stops, stops_on
from app.holds.words import on_what
from app.journal.act import By
from app.ledger.runs import Line
from app.ledger.sets import panels_of
from app.ledger.stops import Hold
from app.machines.bodies import Answer, Disposition, HoldCode, Moment, Name, Number, Signed, Told, Words
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import line_numbered, run_named
from app.machines.paging import Before, Limit, Next, page
from app.naming.resolve import Named, code_of, codes_of, resolve

router = call_router("holds")
STOPPED = ("wafer", "batch", "panel", "lot", "container", "sample", "pack", "run", "load", "station")


class HoldIn(Told):
    """`subject`: a wafer, batch, panel, lot, container, sample, pack, run or station; or a run's `line`; or a station from when to when."""

    subject: Name | None = Field(None, examples=["B26-000012-0"])
    line: Number | None = Field(None, description="Instead of a subject: the number of a run line.")
    reason: Words = Field(examples=["wrong alloy"])
    span_from: Moment | None = Field(None, description="With a station: every line open from here ...")
    span_to: Moment | None = Field(None, description="... to here is held; empty: until it is released.")


class HoldOut(Answer):
    hold: HoldCode
    kind: str = Field(description="wafer, batch, panel, loose, pack, sample, set, run, line, station or span.", examples=["batch"])
    subject: str = Field(description="What was named: a code, or the number of a line.", examples=["B26-000012-0"])
    reason: str = Field(examples=["wrong alloy"])
    automatic: bool = Field(description="It was placed by the program.", examples=[False])
    in_force: bool


class HoldsOut(Answer):
    holds: list[HoldOut]
    next: Next


class HoldSeenOut(HoldOut):
    would_free: int = Field(description="Units that a release of everything would free.", examples=[9000])


class ReleaseIn(Signed):
    items: list[Name] = Field(
        default=[], max_length=100_000, examples=[["K26-000096-9"]],
        description="Only these and what comes of them. Empty: everything, and the hold ends.",
    )  # fmt: skip
    disposition: Disposition
    words: Words = Field(examples=["pull tested, within limits"])


class ReleaseOut(Answer):
    hold: HoldCode
    units_freed: int = Field(examples=[4500])
    in_force: bool


class StopsOut(Answer):
    """What stops a thing: for a lot or container, each of what is in it; for a run, of what it was over; for a station, holds on itself."""

    thing: str = Field(examples=["K26-000096-9"])
    stopped: bool
    holds: list[HoldOut]


@router.post("/holds", summary="Place a hold")
def place(body: HoldIn, call: Calling) -> HoldOut:
    if (body.subject is None) == (body.line is None):
        raise bad_input("What is held?", "subject", "Name a subject or a line: one of them.", "Leave the other out.")
    if body.span_to and not body.span_from:
        raise bad_input("A span of time has a begin.", "span_from", "Only its end is given.", "Give both; or leave the end out too.")
    span = (body.span_from, body.span_to) if body.span_from else None

    def verb(s: Session, by: By) -> dict[str, Any]:
        if body.line is not None:
            line_numbered(s, body.line)
            return _hold(s, place_hold(s, by, Named("line", body.line, str(body.line)), body.reason))
        return _hold(s, place_hold(s, by, resolve(s, body.subject or ""), body.reason, span=span))

    return HoldOut(**call.do("place_hold", body, verb))


@router.post("/holds/{hold}/release", summary="Release a hold, signed")
def release(hold: str, body: ReleaseIn, call: Calling) -> ReleaseOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = s.get_one(Hold, resolve(s, hold, "hold").id)
        items = named_to_release(s, body.items)
        freed = units_freed(s, one, items)
        release_hold(s, by, one, items, body.disposition, body.words, units_freed=freed)
        return {"hold": code_of(s, "hold", one.id), "units_freed": freed, "in_force": one.closed_e is None}

    return ReleaseOut(**call.do("release_hold", body, verb, path={"hold": hold}))


@router.get("/holds", summary="Holds: those in force, or all of them; the newest first")
def every(call: Calling, in_force: bool = True, before: Before = None, limit: Limit = 100) -> HoldsOut:
    query = select(Hold).order_by(Hold.id.desc())
    query = query.where(Hold.closed_e.is_(None)) if in_force else query
    with call.house.reading() as s:
        found, next_ = page(s, query, Hold.id, before, limit)
        return HoldsOut(holds=[HoldOut(**one) for one in _holds(s, found)], next=next_)


@router.get("/holds/{hold}", summary="A hold, and how many units its release would free")
def see_hold(hold: str, call: Calling) -> HoldSeenOut:
    with call.house.reading() as s:
        one = s.get_one(Hold, resolve(s, hold, "hold").id)
        return HoldSeenOut(**_hold(s, one), would_free=units_freed(s, one, []) if one.closed_e is None else 0)


@router.get("/stops/{thing}", summary="Is a thing stopped, and by which holds?")
def stops(thing: str, call: Calling) -> StopsOut:
    with call.house.reading() as s:
        one = resolve(s, thing, *STOPPED)
        stopping = station_stops(s, one.id) if one.kind == "station" else [stop for some in stops_on(s, _inside(s, one)).values() for stop in some]
        found = {stop.hold for stop in stopping}
        holds = list(s.scalars(select(Hold).where(Hold.id.in_(found)).order_by(Hold.id)))
        return StopsOut(thing=one.code, stopped=bool(holds), holds=[HoldOut(**one) for one in _holds(s, holds)])


def _inside(session: Session, thing: Named) -> list[int]:
    """The items that are meant by a thing."""
    if thing.kind in ("wafer", "batch"):
        return [thing.id]
    if thing.kind in ("run", "load"):
        lines = list(session.scalars(select(Line).where(Line.run == run_named(session, thing.code).id)))
        sets = [panel for line in lines if line.set is not None for panel in panels_of(session, line.set)]
        return [*sets, *(line.item for line in lines if line.item is not None)]
    panels, items = contents(session, thing)
    return [*panels, *items]


def _hold(session: Session, hold: Hold) -> dict[str, Any]:
    return _holds(session, [hold])[0]


def _holds(session: Session, holds: Sequence[Hold]) -> list[dict[str, Any]]:
    """As many statements for one as for a page of them."""
    codes, named = codes_of(session, "hold", [hold.id for hold in holds]), on_what(session, holds)
    return [
        {
            "hold": codes[hold.id], "kind": hold.kind, "subject": _subject(hold, named[hold.id]), "reason": hold.reason,
            "automatic": hold.automatic, "in_force": hold.closed_e is None,
        }
        for hold in holds
    ]  # fmt: skip


def _subject(hold: Hold, named: Sequence[tuple[str, str]]) -> str:
    return str(hold.subject) if hold.kind == "line" else ", ".join(sorted(code for _, code in named))
