"""Stations over the API: material on them, change-overs, states by SEMI E10, who attends them."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import Query
from pydantic import Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.floor import mounts
from app.floor.attendance import attend, hand_over, leave
from app.floor.change_overs import change_over, put_on
from app.floor.station_states import set_state, spells, states_now
from app.journal.act import By
from app.ledger.runs import Run
from app.machines.bodies import (
    Answer,
    APerson,
    ByPerson,
    DoneOut,
    Moment,
    Name,
    Panels,
    RunCode,
    StationCode,
    Told,
    Words,
)
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import doer_of, person_of, said, station_of
from app.naming.resolve import codes_of, resolve

router = call_router("floor")
_MOST_DAYS = 92  # a quarter in one answer
_LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


class MountIn(Told):
    item: Name = Field(description="A material batch or a wafer.", examples=["B26-000012-0"])
    place: Name | None = Field(
        None, description="Where on the station; empty: the one place for it there, or one that is free. Taken off: every place that it is on."
    )


class ChangeOverIn(MountIn):
    """What was in work is closed with what was there before, and goes on with `item`. Panels not said may be on either side.

    With both lists a panel in neither was surely not reached yet: `panels_in_work` empty says that the change came between two panels.
    """

    panels_done: Panels | None = Field(None, description="Surely done with what was there before.")
    panels_in_work: Panels | None = Field(None, description="Begun and not done. Without `panels_done` it says nothing.")


class LoadedOut(Answer):
    place: str = Field(examples=["adhesive"])
    item: str = Field(examples=["B26-000012-0"])
    kind: str = Field(description="Of the material.", examples=["adhesive"])
    part: str = Field(examples=["GLUE-7"])


class StationOut(Answer):
    station: StationCode
    name: str = Field(examples=["Attach 1"])
    area: str = Field(examples=["attach"])
    operations: list[str] = Field(examples=[["die attach"]])
    places: list[str] = Field(description="Where material is put; empty: one place for each kind of material.", examples=[[]])
    shelves: list[str] = Field(description="Of an oven.", examples=[[]])
    state: str = Field(description="SEMI E10: as it was said, or as what runs there says.", examples=["unscheduled_down"])
    reason: str = Field(description="Empty where nobody said one.", examples=["the pick-up tool is worn"])
    calibration_due: datetime | None = Field(examples=["2026-09-01T00:00:00Z"])
    runs: list[RunCode] = Field(description="That are open here.")
    loaded: list[LoadedOut] = []


class SpellOut(Answer):
    state: str = Field(examples=["unscheduled_down"])
    reason: str = Field(examples=["the pick-up tool is worn"])
    begin: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    end: datetime = Field(examples=["2026-03-01T06:52:00Z"])


class SpellsOut(Answer):
    station: StationCode
    spells: list[SpellOut]


class StateIn(Told):
    state: Name = Field(
        description="productive, standby, engineering, scheduled_down, unscheduled_down, non_scheduled (SEMI E10).", examples=["unscheduled_down"]
    )
    reason: Words = Field(examples=["the pick-up tool is worn"])


class AttendIn(ByPerson):
    here: bool = Field(True, description="False: the person leaves the station.")


class HandOverIn(Told):
    from_person: APerson
    to_person: APerson


@router.post("/stations/{station}/mount", summary="Put a batch or wafer on a station")
def mount(station: str, body: MountIn, call: Calling) -> StationOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        put_on(s, by, station_of(s, station), resolve(s, body.item, "batch", "wafer"), body.place)
        return _station(s, station)

    return StationOut(**call.do("mount", body, verb, path={"station": station}))


@router.post("/stations/{station}/unmount", summary="Take a batch or wafer off a station")
def unmount(station: str, body: MountIn, call: Calling) -> StationOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        mounts.unmount(s, by, station_of(s, station), resolve(s, body.item, "batch", "wafer").id, body.place)
        return _station(s, station)

    return StationOut(**call.do("unmount", body, verb, path={"station": station}))


@router.post("/stations/{station}/change_over", summary="Change material over, in mid-run or not")
def change(station: str, body: ChangeOverIn, call: Calling) -> StationOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        item = resolve(s, body.item, "batch", "wafer")
        change_over(s, by, station_of(s, station), item, body.place, said(s, body.panels_done, body.panels_in_work))
        return _station(s, station)

    return StationOut(**call.do("change_over", body, verb, path={"station": station}))


@router.post("/stations/{station}/state", summary="Set a station's state (SEMI E10)")
def state(station: str, body: StateIn, call: Calling) -> StationOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        set_state(s, by, station_of(s, station), body.state, body.reason)
        return _station(s, station)

    return StationOut(**call.do("set_station_state", body, verb, path={"station": station}))


@router.get("/stations/{station}/states", summary="What a station was, from when to when (SEMI E10)")
def states(
    station: str,
    call: Calling,
    begin: Annotated[Moment | None, Query(description="Empty: a day before `end`.")] = None,
    end: Annotated[Moment | None, Query(description="Empty: now.")] = None,
) -> SpellsOut:
    end = min(end or clock.now(), clock.now())
    begin = begin or max(end, _LONG_AGO) - timedelta(days=1)
    if not begin < end or end - begin > timedelta(days=_MOST_DAYS):
        raise bad_input("That is not a span of time.", "begin", f"It must lie before the end, by at most {_MOST_DAYS} days.", "Ask in parts.")
    with call.house.reading() as s:
        one = resolve(s, station, "station")
        found = spells(s, [one.id], begin, end)[one.id]
    return SpellsOut(station=one.code, spells=[SpellOut(**vars(spell)) for spell in found])


@router.get("/stations/{station}", summary="What is on a station")
def see_station(station: str, call: Calling) -> StationOut:
    with call.house.reading() as s:
        return StationOut(**_station(s, station))


@router.post("/stations/{station}/attend", summary="A person attends a station, or leaves it")
def attend_station(station: str, body: AttendIn, call: Calling) -> StationOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        who = doer_of(s, by, body.person, call.person) if body.here else person_of(s, body.person, call.person)
        if who is None:
            raise bad_input("Who?", "person", "A machine can't attend a station.", "Name the person.")
        (attend if body.here else leave)(s, by, who, station_of(s, station))
        return _station(s, station)

    return StationOut(**call.do("attend_station", body, verb, path={"station": station}))


@router.post("/hand_over", summary="One person's stations go to the next")
def hand(body: HandOverIn, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        hand_over(s, by, resolve(s, body.from_person, "person").id, resolve(s, body.to_person, "person").id)
        return {"done": True}

    return DoneOut(**call.do("hand_over", body, verb))


def _station(session: Session, name: str) -> dict[str, Any]:
    one = resolve(session, name, "station")
    return station_as_json(session, one.id, one.code)


def station_as_json(session: Session, station: int, code: str) -> dict[str, Any]:
    session.flush()
    body, state = catalogue.station(session, station), states_now(session, [station])[station]
    loaded = [{"place": x.place, "item": x.code, "kind": x.kind, "part": x.part} for x in mounts.loaded(session, station)]
    runs = session.scalars(select(Run.id).where(Run.station == station, Run.closed_e.is_(None)).order_by(Run.id))
    return {
        "station": code, "name": body.name, "area": body.body.area, "operations": list(body.body.operations), "places": list(body.body.places),
        "shelves": list(body.body.shelves), "state": state.state, "reason": state.reason,
        "calibration_due": body.body.calibration_due.isoformat() if body.body.calibration_due else None,
        "runs": sorted(codes_of(session, "run", list(runs)).values()), "loaded": loaded,
    }  # fmt: skip
