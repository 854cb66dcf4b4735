"""Traces over the API."""

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends
from fastapi.responses import Response
from pydantic import BaseModel, Field

from app.genealogy.tables import trace_csv
from app.genealogy.trace import trace_back, trace_forward
from app.ledger.runs import Line
from app.machines.calls import PROBLEMS, Call, calling
from app.naming.resolve import Named, resolve

router = APIRouter(prefix="/api/v1", tags=["trace"], responses=PROBLEMS)
Calling = Annotated[Call, Depends(calling)]


class TraceItem(BaseModel):
    """An item of a trace. `least` and `most`: units that must and can be of it (back), or of the subject in it (forward)."""

    kind: str
    code: str
    words: str
    least: int
    most: int
    must: bool
    units: int | None
    numbers: list[str]
    where: str
    customer: str | None
    order: str | None
    shipment: str | None
    stopped_by: list[str]


class TraceOut(BaseModel):
    direction: str = Field(examples=["back"])
    subject: TraceItem
    wafers: list[TraceItem]
    batches: list[TraceItem]
    panels: list[TraceItem]
    lots: list[TraceItem]
    samples: list[TraceItem]
    packs: list[TraceItem]
    runs: list[dict[str, Any]]
    customers: dict[str, int] = Field(description="Customer -> packs there that can hold something of the subject.")


@router.get("/trace/{code}", summary="Trace an item, run or batch back to its origins, or forward to packs and customers")
def trace(code: str, call: Calling, direction: Literal["back", "forward"] = "back") -> TraceOut:
    with call.house.reading() as session:
        subject = resolve(session, code, "wafer", "batch", "panel", "lot", "sample", "pack", "run")
        return _out((trace_back if direction == "back" else trace_forward)(session, subject))


@router.get("/trace/line/{line}", summary="Trace a run line")
def trace_line(line: int, call: Calling, direction: Literal["back", "forward"] = "forward") -> TraceOut:
    with call.house.reading() as session:
        session.get_one(Line, line)
        return _out((trace_back if direction == "back" else trace_forward)(session, Named("line", line, str(line))))


@router.get("/trace/{code}/csv", summary="The same trace as CSV, one row an item or run line", response_class=Response)
def as_csv(code: str, call: Calling, direction: Literal["back", "forward"] = "back") -> Response:
    with call.house.reading() as session:
        subject = resolve(session, code)
        found = (trace_back if direction == "back" else trace_forward)(session, subject)
    return Response(trace_csv(found), media_type="text/csv; charset=utf-8")


def _out(found: Any) -> TraceOut:
    values = asdict(found)
    for name in ("wafers", "batches", "panels", "lots", "samples", "packs"):
        for row in values[name]:
            row["must"] = row["least"] > 0
    values["subject"]["must"] = False
    return TraceOut(**values)
