"""One thing that was done on paper, as a fact: recorded whatever it was, and held where a rule was broken."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from app.db import House
from app.errors import bad_input, not_allowed, refuse
from app.final_test.singulate import singulate
from app.floor.ends import Said, Value, change_over, finish_run
from app.floor.groups import contents
from app.floor.mounts import mount
from app.floor.starts import start_run
from app.journal.act import Actor, Answer, By, act
from app.journal.actions import ACTIONS
from app.ledger.runs import Claim, Run
from app.naming.resolve import code_of, resolve

VERBS = {"start": "start_run", "finish": "finish_run", "singulate": "singulate", "mount": "mount", "change over": "change_over"}


@dataclass(frozen=True)
class Told:
    """A line of the paper: when, what, with which thing, at which station, by whom, with which values."""

    at: datetime
    verb: str
    thing: str
    station: str
    person: str | None = None
    values: Sequence[Value] = ()


def enter(house: House, actor: Actor, told: Told, key: str | None = None) -> Answer:
    """Records it as a fact. The action itself is in the journal, marked as told afterwards, with its true time."""
    known = ACTIONS["back_entry"]
    if not actor.duties & set(known.duties):
        raise not_allowed(actor.name, known.words, known.duties)
    if told.verb not in VERBS:
        raise bad_input("That is nothing to enter.", "verb", f"{told.verb!r} is not one of: {', '.join(VERBS)}.", "Choose one of them.")
    arguments = {
        "thing": told.thing, "station": told.station, "person": told.person, "paper": True,
        "values": {value.name: value.value for value in told.values},
    }  # fmt: skip
    return act(
        house, actor, VERBS[told.verb], arguments, lambda s, by: _record(s, by, told), key=key, happened_at=told.at, source="person", fact=True
    )  # fmt: skip


def _record(session: Session, by: By, told: Told) -> dict[str, Any]:
    if told.at > by.now:
        raise bad_input("That time is still to come.", "at", f"{told.at.isoformat()} is after now.", "Enter the time of the paper.")
    station = resolve(session, told.station, "station")
    person = resolve(session, told.person, "person").id if told.person else None
    thing = resolve(session, told.thing)
    if told.verb == "start":
        done = start_run(session, by, station.id, [thing], person=person, line_clear=True)
        return {"run": code_of(session, "run", done.run.id), "broken": [reason.why for reason in done.broken]}
    if told.verb == "mount":
        mount(session, by, station.id, thing.id)
        return {"mounted": thing.code}
    if told.verb == "change over":
        change_over(session, by, station.id, thing, None, Said())
        return {"mounted": thing.code}
    run = _run_with(session, thing.kind, thing.id, station.id, told)
    if told.verb == "singulate":
        lot = singulate(session, by, run, told.values, person=person)
        return {"lot": code_of(session, "lot", lot.item)}
    finish_run(session, by, run, told.values, person=person)
    return {"run": code_of(session, "run", run.id)}


def _run_with(session: Session, kind: str, item: int, station: int, told: Told) -> Run:
    """The open run at the station that has the thing."""
    named = resolve(session, told.thing)
    if kind == "run":
        run = session.get_one(Run, item)
    else:
        panels, items = contents(session, named)
        claims = [claim for one in [*panels, *items] if (claim := session.get(Claim, one))]
        if not claims:
            raise refuse("finished", f"Nothing runs on {named.code}.", "Its start is not entered.", "Enter the start first: lines go in order.")
        run = session.get_one(Run, claims[0].run)
    if run.closed_e is not None or run.station != station:
        raise refuse(
            "not_here", f"{named.code} does not run at {told.station}.", "It runs elsewhere, or has ended.", "Check the station on the paper."
        )
    return run
