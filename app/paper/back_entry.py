"""One thing that was done on paper, as a fact: recorded whatever it was, and held where a rule was broken."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.errors import Refused, bad_input, not_allowed, refuse
from app.final_test.singulate import singulate
from app.floor.change_overs import change_over, put_on
from app.floor.counting import count_units
from app.floor.ends import Said, Value, finish_run
from app.floor.groups import contents
from app.floor.own_ends import must_end_plainly
from app.floor.starts import start_run
from app.journal.act import Actor, Answer, By, Intent, act, rehearse
from app.journal.actions import ACTIONS
from app.ledger.runs import Claim, Run
from app.ledger.stops import Hold
from app.naming.resolve import code_of, resolve

_MOUNTED = ("wafer", "batch")
VERBS = {"start": "start_run", "finish": "finish_run", "singulate": "singulate", "mount": "mount", "change over": "change_over"}


@dataclass(frozen=True)
class Told:
    """A line of the paper: when, what, with which thing, at which station, by whom, with which values.

    `step`: that it stands beside on the sheet. `counted`: units as counted at the end, by which method, with what uncertainty.
    `shelf`: of the oven, where it has several.
    """

    at: datetime
    verb: str
    thing: str
    station: str
    person: str | None = None
    values: Sequence[Value] = ()
    step: str | None = None
    counted: tuple[int, str, float] | None = None
    shelf: str | None = None


def enter(house: House, actor: Actor, told: Told, key: str | None = None, *, signed: bool = False) -> Answer:
    """Records it as a fact. The action itself is in the journal, marked as told afterwards, with its true time."""
    intent = _intent(actor, told)
    return act(
        house, actor, intent.action, intent.arguments, intent.verb, key=key, happened_at=told.at, source="person", fact=True, signed=signed
    )  # fmt: skip


def rehearsed(house: House, actor: Actor, lines: Sequence[Told]) -> list[dict[str, Any] | Refused]:
    """What the lines would be answered, entered in this order, up to the first that would be refused. Nothing is entered."""
    return rehearse(house, actor, [_intent(actor, told) for told in lines], source="person", fact=True)


def _intent(actor: Actor, told: Told) -> Intent:
    known = ACTIONS["back_entry"]
    if not actor.duties & set(known.duties):
        raise not_allowed(actor.name, known.words, known.duties)
    if told.verb not in VERBS:
        raise bad_input("That can't be entered.", "verb", f"{told.verb!r} is not one of: {', '.join(VERBS)}.", "Choose one of them.")
    arguments: dict[str, Any] = {
        "thing": told.thing, "station": told.station, "person": told.person, "paper": True,
        "values": {value.name: value.value for value in told.values},
    }  # fmt: skip
    more = {"step": told.step, "counted": list(told.counted) if told.counted else None, "shelf": told.shelf}
    arguments |= {name: value for name, value in more.items() if value is not None}
    return Intent(VERBS[told.verb], arguments, lambda session, by: _recorded(session, by, told), told.at)


def _recorded(session: Session, by: By, told: Told) -> dict[str, Any]:
    """What was done, and the holds that it placed by itself."""
    body = _record(session, by, told)
    session.flush()
    placed = session.scalars(select(Hold).where(Hold.e == by.number.value).order_by(Hold.id)) if by.alone else ()
    return body | {"held": [hold.reason for hold in placed]}


def _record(session: Session, by: By, told: Told) -> dict[str, Any]:
    station = resolve(session, told.station, "station")
    person = resolve(session, told.person, "person").id if told.person else None
    thing = resolve(session, told.thing, *_MOUNTED) if told.verb in ("mount", "change over") else resolve(session, told.thing)
    if told.verb == "start":
        done = start_run(session, by, station.id, [thing], step=told.step, person=person, shelf=told.shelf, line_clear=True)
        return {"run": code_of(session, "run", done.run.id), "broken": [reason.why for reason in done.broken]}
    if told.verb == "mount":
        put_on(session, by, station.id, thing)
        return {"mounted": thing.code}
    if told.verb == "change over":
        change_over(session, by, station.id, thing, None, Said())
        return {"mounted": thing.code}
    run = _run_with(session, thing.kind, thing.id, station.id, told)
    if told.verb == "singulate":
        lot = singulate(session, by, run, told.values, person=person, counted=told.counted)
        return {"lot": code_of(session, "lot", lot.item)}
    must_end_plainly(session, run)
    finish_run(session, by, run, told.values, person=person)
    if told.counted is not None:
        count_units(session, by, resolve(session, told.thing, "lot").id, *told.counted, run=run.id, reason="counted on paper")
    return {"run": code_of(session, "run", run.id)}


def _run_with(session: Session, kind: str, item: int, station: int, told: Told) -> Run:
    """The open run at the station that has the thing."""
    named = resolve(session, told.thing)
    if kind == "run":
        run = session.get_one(Run, item)
    else:
        panels, items = contents(session, named)
        query = select(Run).join(Claim, Claim.run == Run.id).where(Claim.item.in_([*panels, *items])).order_by(Run.station != station, Run.id)
        runs = list(session.scalars(query))  # at several stations at once: the one that is told of, if it is among them
        if not runs:
            raise refuse("finished", f"Nothing runs on {named.code}.", "Its start is not entered.", "Enter the start first: lines go in order.")
        run = runs[0]
    if run.closed_e is not None or run.station != station:
        raise refuse(
            "not_here", f"{named.code} does not run at {told.station}.", "It runs elsewhere, or has ended.", "Check the station on the paper."
        )
    return run
