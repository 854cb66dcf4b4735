"""Exposure over the API: how many units of what and where share a suspect origin."""

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import Depends, Query
from fastapi.responses import Response
from pydantic import Field
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.genealogy.exposure import ExposedRow, Exposure, exposure
from app.genealogy.exposure_question import Question, suspects_of
from app.genealogy.exposure_table import HEAD, exposure_csv
from app.machines.bodies import Answer
from app.machines.call_router import call_router
from app.machines.calls import Call, Calling, calling
from app.web.downloads import csv_of

router = call_router("trace", dependencies=[Depends(calling)])  # who asks, before what is asked
CSV: dict[int | str, dict[str, Any]] = {
    200: {"description": "CSV with a header", "content": {"text/csv": {"schema": {"type": "string"}, "example": ",".join(HEAD) + "\r\n"}}}
}


class ExposedOut(Answer):
    """One thing, or a group of them as one set. `expected_low` and `expected_high` differ from `expected` only behind a colour sort."""

    kind: str = Field(description="panel, lot, sample, pack, shipment, customer, place, all.", examples=["pack"])
    code: str = Field(examples=["K26-000212-Z"])
    words: str = Field(examples=["reel LF-C20 A1"])
    where: str = Field(examples=["shipped"])
    members: int = Field(description="Of a group: how many of its things can hold suspects. The others are not counted.", examples=[1])
    units: int = Field(description="All units of these.", examples=[4500])
    least: int = Field(description="At least so many are of the suspects, however units mixed.", examples=[0])
    expected: float = Field(description="Under even mixing.", examples=[211.4])
    expected_low: float = Field(description="For odds of 1/10 that a suspect unit falls into this bin.", examples=[23.9])
    expected_high: float = Field(description="For odds of 10.", examples=[1204.0])
    greatest: int = Field(description="At most.", examples=[4500])
    by_colour: float | None = Field(None, description="A second expectation, where colours tell whose dies the bins have.", examples=[None])
    by_colour_sd: float = Field(0.0, description="Its standard deviation: what colours leave open, and the draw from the bin.", examples=[0.0])
    chance: float = Field(description="Of at least one.", examples=[1.0])
    chance_how: str = Field(description="exact or simulated.", examples=["exact"])
    chance_error: float = Field(description="Standard error where it is simulated.", examples=[0.0])


class ExposureOut(Answer):
    total: ExposedOut
    places: list[ExposedOut] = Field(description="On the floor, in stock, shipped, returned, outside, scrapped, samples, differences.")
    customers: list[ExposedOut] = Field(description="One flow for the set of a customer's packs, never a sum.")
    shipments: list[ExposedOut]
    packs: list[ExposedOut]
    lots: list[ExposedOut] = Field(description="Panel lots by their cells, loose lots and samples by what is in them now.")
    panels: list[ExposedOut] = Field(description="All suspect cells, good or not.")
    assumes: list[str] = Field(examples=[["Least and greatest hold however units mixed: maximum flow along the recorded draws."]])


def question(
    suspect: Annotated[
        list[str] | None,
        Query(
            description="Codes of wafers, batches, runs, loads, stations, persons, panels, lots or packs; of work in a span of its own: CODE@from/to."
            " Another's number with blanks or commas stands in double quotes."
            " Of a person: the runs that they began or ended."
        ),
    ] = None,
    join: Annotated[Literal["any", "all"], Query(description="Any of several suspects, or all of them.")] = "any",
    since: Annotated[
        str,
        Query(
            max_length=40,
            description="Work from then on. Stations, persons, and short heat without a suspect need it; it narrows batches and runs. ISO 8601;"
            " without a zone the site's.",
        ),
    ] = "",
    until: Annotated[str, Query(max_length=40, description="To then. A day without a time is that day's beginning. Empty: until now.")] = "",
    operation: Annotated[str, Query(max_length=40, description="Of a person or station: only this operation.")] = "",
    shelf: Annotated[list[str] | None, Query(description="Of an oven run: only these shelves.")] = None,
    line: Annotated[list[str] | None, Query(description="Only these run lines.")] = None,
    rectangle: Annotated[str, Query(max_length=80, description="Of a wafer's map: x from, y from, x to, y to.")] = "",
    ring: Annotated[str, Query(max_length=80, description="Of a wafer's map: centre x, centre y, inner and outer radius, in dies.")] = "",
    lasso: Annotated[str, Query(max_length=8000, description="Of a wafer's map: corners x,y x,y x,y.")] = "",
    bin: Annotated[list[str] | None, Query(description="Of a wafer's map: dies of these die bins.")] = None,
    heat: Annotated[
        Literal["", "short"],
        Query(description="short: only panels of the suspects whose heat ledger is short; without a suspect, of every cure in the span."),
    ] = "",
) -> Question:
    if not suspect and not heat:
        raise bad_input("A suspect is missing.", "suspect", "None was named.", "Name one, or ask for heat that is short in a span.")
    return Question(
        tuple(suspect or ()), join, since, until, operation, tuple(shelf or ()), tuple(line or ()), rectangle, ring, lasso, tuple(bin or ()), heat
    )


Asked = Annotated[Question, Depends(question)]


@router.get("/exposure", summary="How many units of each pack, lot, customer and place share a suspect origin: least, expected, greatest")
def exposed(asked: Asked, call: Calling) -> ExposureOut:
    with call.house.walking() as session:
        return _out(_answer(call, session, asked))


@router.get("/exposure/csv", summary="The same as CSV, one row per thing or group", response_class=Response, responses=CSV)
def exposed_as_csv(asked: Asked, call: Calling) -> Response:
    with call.house.walking() as session:
        return csv_of(exposure_csv(_answer(call, session, asked)))


def _answer(call: Call, session: Session, asked: Question) -> Exposure:
    return exposure(session, suspects_of(session, asked, catalogue.site(session).zone), asked.join, call.house)


def _out(found: Exposure) -> ExposureOut:
    lists = {name: [_row(row) for row in getattr(found, name)] for name in ("places", "customers", "shipments", "packs", "lots", "panels")}
    return ExposureOut(total=_row(found.total), assumes=list(found.assumes), **lists)


def _row(row: ExposedRow) -> ExposedOut:
    one = asdict(row.exposed)
    chance = one.pop("chance")
    one.pop("past_bin")
    return ExposedOut(
        kind=row.kind, code=row.code, words=row.words, where=row.where, members=row.members, chance=chance.value, chance_how=chance.how,
        chance_error=chance.error, **one,
    )  # fmt: skip
