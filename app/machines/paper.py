"""Back entry over the API: a lead enters, in order, what was done on paper while the server was down."""

from typing import Literal

from pydantic import Field

from app.machines import bodies
from app.machines.bodies import Answer, AStation, Moment, Name, Number, ValueIn
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import values_of
from app.paper.back_entry import Told, enter

router = call_router("paper")
Verb = Literal["start", "finish", "singulate", "mount", "change over"]


class LineIn(bodies.Told):
    """One line of the paper. Lines go in the order in which things were done; what is told after later work by its time is held."""

    happened_at: Moment = Field(description="The time on the paper. ISO 8601 with a zone.")
    fact: Literal[True] = Field(True, description="What is on the paper has been done.")
    verb: Verb = Field(examples=["start"])
    thing: Name = Field(description="The container, lot, run, batch or wafer.", examples=["C-0118-W"])
    station: AStation
    person: Name | None = Field(None, description="Badge code of who did it.", examples=["E-0004-P"])
    shelf: Name | None = Field(None, description="Of a start at an oven with several.", examples=[None])
    values: list[ValueIn] = Field([], max_length=1000, description="Of a finish: what the step records.")


class EnteredOut(Answer):
    """What was made of the line. It is in the journal as the action that it was, marked as told afterwards."""

    entry: Number
    run: str | None = Field(None, examples=["R26-000212-5"])
    lot: str | None = Field(None, description="The loose lot that a singulation made.", examples=[None])
    mounted: str | None = Field(None, examples=[None])
    held: list[str] = Field([], description="Why something is held now.", examples=[[]])
    broken: list[str] = Field([], description="Rules that a start broke: what it started is held.", examples=[[]])


@router.post("/back_entry", summary="Enter what was done on paper: recorded as a fact, and held where a rule was broken")
def enter_line(body: LineIn, call: Calling) -> EnteredOut:
    call.may("back_entry")
    call.must_state_facts()
    told = Told(body.happened_at, body.verb, body.thing, body.station, body.person, values_of(body.values), shelf=body.shelf)
    answer = enter(call.house, call.who.actor, told, call.key)
    return EnteredOut(entry=answer.entry, **answer.body)
