"""Traces over the API."""

from datetime import datetime
from typing import Any, Literal

from fastapi.responses import Response
from pydantic import Field
from pydantic_core import to_json

from app.genealogy.tables import HEAD, trace_csv
from app.genealogy.trace import Trace, trace_back, trace_forward
from app.genealogy.traced import subject_of
from app.machines.bodies import Answer, InPath, LotCode, Number, Round, RunCode, StationCode
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import line_numbered
from app.naming.resolve import Named
from app.web.downloads import csv_of

router = call_router("trace")


CSV: dict[int | str, dict[str, Any]] = {
    200: {"description": "CSV with a header", "content": {"text/csv": {"schema": {"type": "string"}, "example": ",".join(HEAD) + "\r\n"}}}
}


class TraceItem(Answer):
    """An item of a trace. `least` and `greatest`: units that must and can be of it (back), or of the subject in it (forward).

    Forward, panels and lots of panels are counted by the good cells that they have or had, also where those have become loose units since.
    """

    kind: str = Field(examples=["batch"])
    code: str = Field(examples=["B26-000012-0"])
    words: str = Field(examples=["adhesive GLUE-7"])
    least: int = Field(examples=[4500])
    greatest: int = Field(examples=[4500])
    must: bool = Field(description="It is surely in it: `least` is above zero.")
    units: int | None = Field(description="All units of the item, where they are counted.", examples=[None])
    numbers: list[str] = Field(description="Other people's numbers for it.", examples=[["HC-20881"]])
    where: str = Field(examples=["floor"])
    customer: str | None = Field(examples=[None])
    order: str | None = Field(examples=[None])
    shipment: str | None = Field(examples=[None])
    stopped_by: list[str] = Field(description="Holds.", examples=[[]])
    expires_at: datetime | None = Field(description="Of a batch.", examples=["2026-09-01T00:00:00Z"])
    opened_at: datetime | None = Field(examples=[None])
    pot_life_ends_at: datetime | None = Field(examples=[None])


class TraceReading(Answer):
    name: str = Field(examples=["pull"])
    value: float = Field(examples=[5.1])
    unit: str = Field(examples=["gf"])
    within: bool
    low: float | None = Field(description="The least that was allowed.", examples=[3.0])
    high: float | None = Field(examples=[None])


class TraceLine(Answer):
    """A run line that touched the subject."""

    line: Number
    step: str | None = Field(examples=["bond"])
    round: Round
    shelf: str | None = Field(examples=[None])
    lot: LotCode | None
    extent: str = Field(description="Back: whole; either, where it is on one side of a change-over; open, where it goes on.", examples=["whole"])
    least: int = Field(description="Back: units of the subject that surely had it.", examples=[4500])
    greatest: int = Field(examples=[4500])
    materials: list[str] = Field(description="Batches and wafers that it had.", examples=[["B26-000012-0"]])
    verdict: str | None = Field(description="conforms, does_not_conform or cannot_tell.", examples=["conforms"])
    reasons: list[str] = Field(examples=[[]])
    disposition: str | None = Field(examples=[None])
    at_risk: bool


class TraceRun(Answer):
    run: RunCode
    operation: str = Field(examples=["wire bond"])
    station: str = Field(description="Its name; a code elsewhere, which is `station_code` here.", examples=["Bonder 3"])
    station_code: StationCode
    person: str | None = Field(examples=["Mara Lind"])
    recipe: str | None = Field(examples=[None])
    started_at: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    ended_at: datetime | None = Field(examples=["2026-03-01T07:10:00Z"])
    outcome: str | None = Field(examples=["done"])
    lines: list[TraceLine]
    readings: list[TraceReading]
    by_bin: dict[str, int] = Field(description="Of a test run: units by bin, where the tester's file was imported.", examples=[{"P1": 9214}])
    by_failure: dict[str, int] = Field(examples=[{"E07": 12}])


class TraceOut(Answer):
    direction: str = Field(examples=["back"])
    subject: TraceItem
    wafers: list[TraceItem] = Field(description="Back only.")
    batches: list[TraceItem] = Field(description="Back only.")
    panels: list[TraceItem]
    lots: list[TraceItem]
    samples: list[TraceItem]
    packs: list[TraceItem]
    runs: list[TraceRun]
    customers: dict[str, int] = Field(
        description="Customer -> packs there that can hold something of the subject.", examples=[{"Quillmere Lighting": 2}]
    )


@router.get(
    "/trace/{code}", summary="Trace an item, run or batch back to its origins, or forward to packs and customers", response_model=TraceOut
)
def trace(code: str, call: Calling, direction: Literal["back", "forward"] = "back") -> Response:
    with call.house.walking() as session:
        return _answer((trace_back if direction == "back" else trace_forward)(session, subject_of(session, code)))


@router.get("/trace/line/{line}", summary="Trace a run line", response_model=TraceOut)
def trace_line(line: InPath, call: Calling, direction: Literal["back", "forward"] = "forward") -> Response:
    with call.house.walking() as session:
        line_numbered(session, line)
        return _answer((trace_back if direction == "back" else trace_forward)(session, Named("line", line, str(line))))


@router.get("/trace/{code}/csv", summary="The same trace as CSV, one row per item or run line", response_class=Response, responses=CSV)
def as_csv(code: str, call: Calling, direction: Literal["back", "forward"] = "back") -> Response:
    with call.house.walking() as session:
        found = (trace_back if direction == "back" else trace_forward)(session, subject_of(session, code))
    return csv_of(trace_csv(found))


def _answer(found: Trace) -> Response:
    """What `TraceOut` describes, written at once: checking our own rows against it would take longer than finding them."""
    values = found.as_json()
    del values["ways"]
    return Response(to_json(values), media_type="application/json")
