"""The board over the API: lots by step with their marks, the day's forecast, effectiveness, the shift report."""

from datetime import date, datetime
from typing import Annotated, Literal

from fastapi import Query, Request
from pydantic import Field

from app import clock
from app.board.effectiveness import Effectiveness
from app.board.made import Made, operations_made, stations_made
from app.board.pages import memory_of, shift_asked, span_asked
from app.board.shift_report import shift_report
from app.board.taped import Today
from app.board.whole import board
from app.catalogue import queries as catalogue
from app.machines.bodies import Answer, LotCode
from app.machines.call_router import call_router
from app.machines.calls import Calling

router = call_router("board")
On = Annotated[date | None, Query(description="A production day; empty: today.")]


class LateOrStuckOut(Answer):
    kind: str = Field(description="late or stuck.", examples=["stuck"])
    reason: str = Field(examples=["waits 3 h 05 min; its limit: 2 h 00 min"])


class LotAtOut(Answer):
    """Panels of a lot that stand alike, or a loose lot; at a dry pack a pack that waits for its bag."""

    lot: LotCode = Field(description="Of the lot, or of the pack that waits for its bag.")
    order: str = Field(examples=["4711"])
    due: date | None = Field(examples=["2026-03-06"])
    panels: int = Field(examples=[24])
    units: int = Field(examples=[9600])
    state: str = Field(description="waiting, running, at risk or held.", examples=["waiting"])
    since: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    where: str = Field(examples=["waits 45 min"])
    marks: list[LateOrStuckOut]


class RowOut(Answer):
    """The lots at one step of a route."""

    route: str = Field(examples=["P1 rev A"])
    step: str | None = Field(description="Key of the step; empty: every step is done.", examples=["bond"])
    name: str = Field(examples=["wire bond"])
    waiting: int = Field(examples=[3])
    running: int = Field(examples=[2])
    at_risk: int = Field(examples=[0])
    held: int = Field(examples=[0])
    lots: list[LotAtOut]


class WindowOut(Answer):
    lot: LotCode = Field(description="Of the lot, or of the pack that waits for its bag.")
    to_step: str = Field(examples=["wire bond"])
    ends_at: datetime = Field(examples=["2026-03-01T10:30:00Z"])
    units_ahead: int = Field(description="Of windows into the same operation that end earlier.", examples=[9600])
    stations_up: int = Field(examples=[34])
    stations: int = Field(examples=[36])


class ForecastOut(Answer):
    """Units taped by the end of a production day: what 10, 50 and 90 % of the draws stay below."""

    day: date = Field(examples=["2026-03-01"])
    so_far: int = Field(examples=[450000])
    low: int = Field(examples=[1700000])
    middle: int = Field(examples=[1850000])
    high: int = Field(examples=[1950000])
    taped: int | None = Field(description="What came true, of a day that is over.", examples=[None])


class BoardOut(Answer):
    now: datetime = Field(examples=["2026-03-01T09:30:00Z"])
    rows: list[RowOut]
    windows: list[WindowOut] = Field(description="Those that run out first.")
    today: ForecastOut
    yesterday: ForecastOut = Field(description="As the day began, reckoned again from the record.")


class TermOut(Answer):
    name: str = Field(examples=["availability efficiency"])
    over: str = Field(examples=["uptime h"])
    under: str = Field(examples=["total time h"])
    part: float = Field(examples=[21.0])
    whole: float = Field(examples=[24.0])


class IndexOut(Answer):
    """The product of its terms; empty where one divides by nothing."""

    standard: str = Field(examples=["SEMI E79"])
    value: float | None = Field(examples=[0.68056])
    terms: list[TermOut]


class EffectivenessOut(Answer):
    name: str = Field(description="A station, or an operation with all its stations.", examples=["Bonder 3"])
    operation: str = Field(examples=["wire bond"])
    made: int = Field(examples=[50400])
    good: int = Field(examples=[49000])
    hours: dict[str, float] = Field(description="By SEMI E10's six states.", examples=[{"productive": 18.0}])
    indices: list[IndexOut]


class ShiftOut(Answer):
    """What a shift did. `seal` and `digest`: the journal's newest, as they were when this was read."""

    shift: str = Field(examples=["early"])
    begin: datetime = Field(examples=["2026-03-01T05:00:00Z"])
    end: datetime = Field(examples=["2026-03-01T13:00:00Z"])
    lots_started: int = Field(examples=[68])
    runs_started: int = Field(examples=[1000])
    taped: int = Field(examples=[660000])
    finished: dict[str, int] = Field(description="Runs that ended as done, by step.", examples=[{"wire bond": 340}])
    scrapped: dict[str, int] = Field(description="Units by reason.", examples=[{"dropped": 12}])
    wafers_scrapped: dict[str, int] = Field(description="Wafers by reason.", examples=[{"broken in handling": 1}])
    marked: dict[str, int] = Field(description="Cells by reason.", examples=[{"lifted wire": 40}])
    holds_placed: list[str] = Field(examples=[["H26-000003-K"]])
    releases: int = Field(examples=[1])
    seal: int | None = Field(examples=[2873])
    digest: str | None = Field(examples=["8f6cd6910551be35"])


@router.get("/board", summary="Lots by step with what is late and stuck, time windows, the day's forecast and yesterday's score")
def see_board(request: Request, call: Calling) -> BoardOut:
    with call.house.walking() as s:
        found = board(s, memory_of(request), clock.now())
    rows = [
        RowOut(
            route=row.route_name, step=row.key, name=row.step, waiting=row.counts["waiting"], running=row.counts["running"],
            at_risk=row.counts["at risk"], held=row.counts["held"],
            lots=[
                LotAtOut(
                    lot=lot.code, order=lot.order, due=lot.due, panels=lot.panels, units=lot.units, state=lot.state, since=lot.since,
                    where=lot.where, marks=[LateOrStuckOut(kind=mark.kind, reason=mark.reason) for mark in lot.marks],
                )
                for lot in row.lots
            ],
        )
        for row in found.rows
    ]  # fmt: skip
    windows = [
        WindowOut(lot=one.lot, to_step=one.to_step, ends_at=one.ends_at, units_ahead=one.ahead, stations_up=one.up, stations=one.of)
        for one in found.windows
    ]
    yesterday = _forecast(found.yesterday.today, found.yesterday.truth)
    return BoardOut(now=found.now, rows=rows, windows=windows, today=_forecast(found.today, None), yesterday=yesterday)


@router.get("/effectiveness", summary="Effectiveness of stations and operations by SEMI E79 and by ISO 22400-2, each with its terms")
def effectiveness(call: Calling, of: Literal["day", "week"] = "day", on: On = None) -> list[EffectivenessOut]:
    with call.house.reading() as s:
        span, now = span_asked(catalogue.site(s), of, on), clock.now()
        made = stations_made(s, span.begin, min(span.end, max(span.begin, now)))
    return [_effectiveness(one) for one in [*operations_made(made), *made]]


@router.get("/shift_report", summary="What a shift did, with the journal's newest digest")
def see_shift(call: Calling, on: On = None, shift: Annotated[str | None, Query(description="Its name; empty: the last.")] = None) -> ShiftOut:
    with call.house.reading() as s:
        found = shift_report(s, shift_asked(catalogue.site(s), on, shift), clock.now())
    return ShiftOut(
        shift=found.span.name, begin=found.span.begin, end=found.span.end, lots_started=found.lots_started, runs_started=found.runs_started,
        taped=found.taped, finished={one.step: one.runs for one in found.finished}, scrapped=dict(found.scrapped),
        wafers_scrapped=dict(found.wafers_scrapped), marked=dict(found.marked),
        holds_placed=[one.code for one in found.placed], releases=found.released, seal=found.seal[0] if found.seal else None,
        digest=found.seal[1] if found.seal else None,
    )  # fmt: skip


def _forecast(today: Today, truth: int | None) -> ForecastOut:
    one = today.forecast
    return ForecastOut(day=today.day.day, so_far=one.so_far, low=one.low, middle=one.middle, high=one.high, taped=truth)


def _effectiveness(made: Made) -> EffectivenessOut:
    return EffectivenessOut(
        name=made.name, operation=made.operation, made=made.output.made, good=made.output.good, hours=vars(made.hours),
        indices=[_index(made.e79), _index(made.iso)],
    )  # fmt: skip


def _index(one: Effectiveness) -> IndexOut:
    terms = [TermOut(name=term.name, over=term.over, under=term.under, part=term.part, whole=term.whole) for term in one.terms]
    return IndexOut(standard=one.standard, value=one.value, terms=terms)
