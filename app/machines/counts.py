"""Counts that do not close over the API."""

from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Query
from pydantic import Field

from app import clock
from app.genealogy.unclosed_counts import sums_by_station, unclosed
from app.machines.bodies import Answer
from app.machines.call_router import call_router
from app.machines.calls import Calling

router = call_router("lists")


class CountRowOut(Answer):
    entry: int = Field(description="Of the journal.", examples=[812])
    at: datetime | None = Field(examples=["2026-03-01T06:30:00Z"])
    what: str = Field(examples=["counted 4,210 by weight; the book said 4,300: beyond counting"])
    units: int = Field(description="What it adds: the rows of one difference sum to it.", examples=[-90])
    u: float = Field(description="Standard uncertainty, units.", examples=[12.4])
    run: str = Field(examples=["R26-000212-5"])
    reason: str = Field(examples=[""])


class UnclosedOut(Answer):
    kind: str = Field(description="lot (or panel), batch, wafer, load.", examples=["lot"])
    code: str = Field(examples=["L26-000058-T"])
    words: str = Field(examples=["waits for a signature"])
    difference: int = Field(description="There less by the book.", examples=[-90])
    open: bool = Field(description="Nobody has signed for it.", examples=[True])
    rows: list[CountRowOut] = Field(description="The entries that make the difference.")


class MonthOut(Answer):
    month: str = Field(description="By UTC.", examples=["2026-03"])
    counts: int = Field(examples=[41])
    difference: int = Field(examples=[-12])
    running: int = Field(description="Sum since the first.", examples=[-57])
    u: float = Field(description="Standard uncertainty of the running sum.", examples=[21.3])


class StationSumOut(Answer):
    station: str = Field(description="Its name; a code elsewhere, which is `code` here.", examples=["Saw 1"])
    code: str = Field(description="Empty: counts that no run made.", examples=["S-0006-H"])
    drifts: bool = Field(description="Leans one way at 1 % over all tests made (Bonferroni).", examples=[False])
    counts: int = Field(examples=[120])
    total: int = Field(examples=[-57])
    u: float = Field(examples=[21.3])
    fewer: int = Field(examples=[71])
    more: int = Field(examples=[44])
    p_sum: float = Field(description="Of the sum against its uncertainty, two-sided.", examples=[0.0075])
    p_sign: float = Field(description="Of the sign test, two-sided.", examples=[0.0155])
    months: list[MonthOut]


class CountsThatDifferOut(Answer):
    unclosed: list[UnclosedOut] = Field(description="The newest 200 of each kind.")
    stations: list[StationSumOut]


@router.get("/counts", summary="Counts that do not close, and the differences of counts by station and month, tested for drift")
def counts(
    call: Calling, days: Annotated[int, Query(ge=1, le=3660, description="How far back it looks.")] = 365
) -> CountsThatDifferOut:
    since = clock.now() - timedelta(days=days)
    with call.house.reading() as session:
        found, sums = unclosed(session, since), sums_by_station(session, since)
    return CountsThatDifferOut(
        unclosed=[
            UnclosedOut(
                kind=one.kind, code=one.code, words=one.words, difference=one.difference, open=one.open,
                rows=[CountRowOut(**vars(row)) for row in one.rows],
            )
            for one in found
        ],
        stations=[
            StationSumOut(
                station=one.station, code=one.code, drifts=one.drifts, months=[MonthOut(**vars(month)) for month in one.months], **vars(one.drift)
            )
            for one in sums
        ],
    )  # fmt: skip
