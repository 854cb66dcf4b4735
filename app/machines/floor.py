"""The floor over the API: containers, lots, material on stations, marks, samples, scrap, counts, moves."""

from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.floor import containers, lots, mounts
from app.floor.at_risk import go_on_at_risk
from app.floor.attendance import attend, hand_over, leave
from app.floor.counting import correct_count, count_units, sign_difference
from app.floor.dispositions import dispose
from app.floor.ends import change_over
from app.floor.groups import contents
from app.floor.loose import merge_loose, split_loose
from app.floor.marks import mark_cells, take_back_marks
from app.floor.moves import move_item
from app.floor.samples import sample_cells, sample_units
from app.floor.scrap import scrap_cells, scrap_panel, scrap_units
from app.floor.station_states import set_state, spells, states_now
from app.journal.act import By
from app.ledger.items import Lot, Sample
from app.ledger.places import Container as Box
from app.ledger.runs import Run
from app.machines.bodies import (
    ALot,
    AnOrder,
    APerson,
    AThing,
    Before,
    ByPerson,
    CellIn,
    Container,
    ContainerCode,
    CountIn,
    Disposition,
    InPath,
    Limit,
    LotCode,
    Method,
    Moment,
    Name,
    Number,
    PanelCode,
    Panels,
    RunCode,
    SampleCode,
    Signed,
    StationCode,
    Text,
    Told,
    Uncertainty,
    Units,
    Words,
)
from app.machines.calls import PROBLEMS, Call, calling
from app.machines.names import inside, line_numbered, lot_code, lot_in, lot_named, order_number, panel_codes, panels_of, said, station_of, things_of
from app.naming.resolve import Named, candidates, code_of, codes_of, resolve
from app.packing.samples import sample_pockets

router = APIRouter(prefix="/api/v1", tags=["floor"], responses=PROBLEMS)
Calling = Annotated[Call, Depends(calling)]
_MOST_DAYS = 92  # a quarter in one answer


class ContainerIn(Told):
    kind: Name = Field(description="magazine, tray or jar.", examples=["magazine"])
    name: Name = Field(examples=["Magazine 118"])


class ContainerOut(BaseModel):
    container: ContainerCode
    kind: str = Field(examples=["magazine"])
    name: str = Field(examples=["Magazine 118"])
    panels: list[PanelCode] = []
    items: list[str] = Field([], description="Loose lots and samples.", examples=[[]])


class ContainerRow(BaseModel):
    container: ContainerCode
    kind: str = Field(examples=["magazine"])
    name: str = Field(examples=["Magazine 118"])
    panels: int = Field(description="How many lie in it.", examples=[24])
    items: int = Field(description="Loose lots and samples in it.", examples=[0])


class ContainersOut(BaseModel):
    containers: list[ContainerRow]
    next: int | None = Field(description="Send it as `before` for the next page; empty: that was the last.", examples=[None])


class ThingsIn(Told):
    things: list[AThing] = Field(
        default=[], max_length=100_000, description="Panels, panel lots, loose lots or samples. Empty, when taking out: everything."
    )


class PourIn(ThingsIn):
    into: Container = Field(description="The container that it goes into.", examples=["C-0119-U"])


class LotIn(Told):
    product: Name = Field(description="Part number.", examples=["P1"])
    panels: Panels | None = None
    containers: list[Container] | None = Field(None, max_length=1000, description="Instead of panels: what is in these.")
    order: AnOrder | None = Field(None, description="The customer order that it is started for.")


class LotOut(BaseModel):
    lot: LotCode
    panels: list[PanelCode] = []


class SplitIn(Told):
    """Panels leave a panel lot; a number of units leaves a loose lot."""

    panels: Panels | None = None
    units: Units | None = Field(None, examples=[None])
    method: Method = "hand"
    u: Uncertainty = 0.0


class MergeIn(Told):
    others: list[ALot] = Field(min_length=1, max_length=1000)


class MountIn(Told):
    item: Name = Field(description="A material batch or a wafer.", examples=["B26-000012-0"])
    place: Name | None = Field(None, description="Where on the station; empty: the station's one place for it.")


class ChangeOverIn(MountIn):
    """What was in work is closed with what was there before, and goes on with `item`. Panels not said may be on either side."""

    panels_done: Panels | None = None
    panels_in_work: Panels | None = None


class LoadedOut(BaseModel):
    place: str = Field(examples=["adhesive"])
    item: str = Field(examples=["B26-000012-0"])
    kind: str = Field(description="Of the material.", examples=["adhesive"])
    part: str = Field(examples=["GLUE-7"])


class StationOut(BaseModel):
    station: StationCode
    name: str = Field(examples=["Attach 1"])
    area: str = Field(examples=["attach"])
    operations: list[str] = Field(examples=[["die attach"]])
    places: list[str] = Field(description="Where material is put; empty: one place a material kind.", examples=[[]])
    shelves: list[str] = Field(description="Of an oven.", examples=[[]])
    state: str = Field(description="SEMI E10: as it was said, or as what runs there says.", examples=["unscheduled_down"])
    reason: str = Field(description="Empty where nobody said one.", examples=["the pick-up tool is worn"])
    calibration_due: datetime | None = Field(examples=["2026-09-01T00:00:00Z"])
    runs: list[RunCode] = Field(description="That are open here.")
    loaded: list[LoadedOut] = []


class SpellOut(BaseModel):
    state: str = Field(examples=["unscheduled_down"])
    reason: str = Field(examples=["the pick-up tool is worn"])
    begin: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    end: datetime = Field(examples=["2026-03-01T06:52:00Z"])


class SpellsOut(BaseModel):
    station: StationCode
    spells: list[SpellOut]


class StateIn(Told):
    state: Name = Field(
        description="productive, standby, engineering, scheduled_down, unscheduled_down, non_scheduled (SEMI E10).", examples=["unscheduled_down"]
    )
    reason: Words = Field(examples=["the pick-up tool is worn"])


class MarksIn(Told):
    cells: list[CellIn] = Field(min_length=1, max_length=1_000_000)
    reason: Words = Field(examples=["scratched"])


class MarkOut(BaseModel):
    panel: PanelCode
    mark: Number
    cells: int = Field(examples=[1])


class ScrapIn(Told):
    """Cells of a panel, a whole panel, or a number of units of a panel or loose lot."""

    thing: Name = Field(description="A panel, a loose lot, or the jar that it is alone in.", examples=["L26-000058-T"])
    reason: Words = Field(examples=["dropped"])
    cells: list[CellIn] | None = Field(None, max_length=1_000_000, examples=[None])
    units: Units | None = None
    method: Method = "hand"
    u: Uncertainty = 0.0


class SampleIn(Told):
    thing: Name = Field(description="A panel (with cells), a loose lot (with units) or a pack (with pockets).", examples=["P26-000407-8"])
    purpose: Words = Field(examples=["cross-section"])
    kept: bool = Field(True, description="False: it is destroyed.")
    cells: list[CellIn] | None = Field(None, max_length=1_000_000)
    units: Units | None = Field(None, examples=[None])
    pocket_from: Units | None = Field(None, description="Of a pack: the first pocket, numbered from the hub.", examples=[None])
    pocket_to: Units | None = Field(None, description="The last pocket.", examples=[None])


class SampleOut(BaseModel):
    sample: SampleCode
    units: int = Field(examples=[1])
    kept: bool
    purpose: str = Field(examples=["cross-section"])


class CountedIn(Told, CountIn):
    thing: Name = Field(description="A panel, a loose lot, or the jar that it is alone in.", examples=["L26-000058-T"])


class CountedOut(BaseModel):
    count: Number
    thing: str = Field(examples=["L26-000058-T"])
    book: int | None = Field(examples=[4500])
    units: int = Field(examples=[4480])
    difference: int = Field(examples=[-20])
    within: bool = Field(description="Inside twice the combined uncertainty: nothing more to do. Otherwise it must be signed for.")


class SignDifferenceIn(Signed):
    thing: Name = Field(examples=["L26-000058-T"])
    words: Words = Field(examples=["spilled at the sieve, swept up"])


class AtRiskIn(Signed):
    things: list[AThing] = Field(min_length=1, max_length=100_000, description="Containers, lots or panels.")
    reason: Words = Field(examples=["the logger's file comes tomorrow"])


class DisposeIn(Signed):
    what: Disposition
    words: Words = Field(examples=["the curve was looked at"])


class DoneOut(BaseModel):
    done: bool = True


class MoveIn(Told):
    thing: Name = Field(examples=["L26-000058-T"])
    kind: Name = Field(description="floor, stock or outside.", examples=["outside"])
    place: Text = Field("", description="The shelf, or the outside firm.", examples=["Tolland Slicing"])


class AttendIn(ByPerson):
    here: bool = Field(True, description="False: the person leaves the station.")


class HandOverIn(Told):
    from_person: APerson
    to_person: APerson


@router.post("/containers", summary="Add a container")
def add_container(body: ContainerIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        made = containers.add_container(s, by, body.kind, body.name)
        return _content(s, Named("container", made.id, code_of(s, "container", made.id)))

    return ContainerOut(**call.do("add_container", body, verb))


@router.post("/containers/{container}/put", summary="Put panels, lots or samples into a container")
def put_in(container: str, body: ThingsIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        into = resolve(s, container, "container")
        panels, items = inside(s, things_of(s, body.things))
        if panels:
            containers.put_panels(s, by, into.id, panels)
        for item in items:
            containers.put_item(s, by, into.id, item)
        return _content(s, into)

    return ContainerOut(**call.do("fill_container", body, verb, path={"container": container}))


@router.post("/containers/{container}/take_out", summary="Take things out of a container, or all of it")
def take_out(container: str, body: ThingsIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        source = resolve(s, container, "container")
        panels, items = inside(s, things_of(s, body.things))
        containers.take_out(s, by, source.id, [*panels, *items] or None)
        return _content(s, source)

    return ContainerOut(**call.do("empty_container", body, verb, path={"container": container}))


@router.post("/containers/{container}/pour", summary="What is in a container, or some of it, goes into another")
def pour(container: str, body: PourIn, call: Calling) -> ContainerOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        source, into = resolve(s, container, "container"), resolve(s, body.into, "container")
        panels, items = inside(s, things_of(s, body.things))
        containers.move_content(s, by, source.id, into.id, [*panels, *items] or None)
        return _content(s, into)

    return ContainerOut(**call.do("fill_container", body, verb, path={"container": container}))


@router.get("/containers", summary="Containers, the newest first, and how much is in them")
def all_containers(call: Calling, before: Before = None, limit: Limit = 100) -> ContainersOut:
    query = select(Box).order_by(Box.id.desc()).limit(limit)
    with call.house.reading() as s:
        found = list(s.scalars(query.where(Box.id < before) if before else query))
        ids = [one.id for one in found]
        codes, inside_now = codes_of(s, "container", ids), containers.how_much_is_in(s, ids)
        rows = [
            ContainerRow(container=codes[one.id], kind=one.kind, name=one.name, panels=inside_now[one.id][0], items=inside_now[one.id][1])
            for one in found
        ]
        return ContainersOut(containers=rows, next=found[-1].id if len(found) == limit else None)


@router.get("/containers/{container}", summary="What is in a container")
def see_container(container: str, call: Calling) -> ContainerOut:
    with call.house.reading() as s:
        return ContainerOut(**_content(s, resolve(s, container, "container")))


@router.post("/lots", summary="Start a lot of panels")
def start_lot(body: LotIn, call: Calling) -> LotOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        boxes = [resolve(s, name, "container").id for name in body.containers] if body.containers else []
        lot = lots.start_lot(s, by, body.product, panels_of(s, body.panels) or [], containers=boxes, order=order_number(s, body.order))
        return _lot(s, lot.item)

    return LotOut(**call.do("start_lot", body, verb))


@router.post("/lots/{lot}/split", summary="A part of a lot leaves under a code of its own")
def split(lot: str, body: SplitIn, call: Calling) -> LotOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, lot, "lot", "container")
        item = lot_in(s, one).id
        if s.get_one(Lot, item).form == "loose":
            if body.units is None:
                raise bad_input("How many units leave?", "units", f"{one.code} is a loose lot.", "Give units.")
            return _lot(s, split_loose(s, by, item, body.units, body.method, body.u).item)
        if not body.panels:
            raise bad_input("Which panels leave?", "panels", f"{one.code} is a panel lot.", "Name the panels that leave.")
        return _lot(s, lots.split_lot(s, by, item, panels_of(s, body.panels) or []).item)

    return LotOut(**call.do(_of_form(call, lot, "split_lot", "split_loose"), body, verb, path={"lot": lot}))


@router.post("/lots/{lot}/merge", summary="Other lots join this one; a loose lot may go on under a new code")
def merge(lot: str, body: MergeIn, call: Calling) -> LotOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        into = lot_named(s, lot).id
        others = [lot_named(s, name).id for name in body.others]
        joined = merge_loose(s, by, into, others) if s.get_one(Lot, into).form == "loose" else lots.merge_lots(s, by, into, others)
        return _lot(s, joined.item)

    return LotOut(**call.do(_of_form(call, lot, "merge_lots", "merge_loose"), body, verb, path={"lot": lot}))


@router.post("/stations/{station}/mount", summary="Put a batch or wafer on a station")
def mount(station: str, body: MountIn, call: Calling) -> StationOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        mounts.mount(s, by, station_of(s, station), resolve(s, body.item, "batch", "wafer").id, body.place)
        return _station(s, station)

    return StationOut(**call.do("mount", body, verb, path={"station": station}))


@router.post("/stations/{station}/unmount", summary="Take a batch or wafer off a station")
def unmount(station: str, body: MountIn, call: Calling) -> StationOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        mounts.unmount(s, by, station_of(s, station), resolve(s, body.item, "batch", "wafer").id)
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
    begin = begin or end - timedelta(days=1)
    if not end - timedelta(days=_MOST_DAYS) <= begin < end:
        raise bad_input("That is no span of time.", "begin", f"It must lie before the end, by at most {_MOST_DAYS} days.", "Ask in parts.")
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
        who = resolve(s, body.person, "person").id if body.person else call.person
        if who is None:
            raise bad_input("Who?", "person", "A machine attends no station.", "Name the person.")
        (attend if body.here else leave)(s, by, who, station_of(s, station))
        return _station(s, station)

    return StationOut(**call.do("attend_station", body, verb, path={"station": station}))


@router.post("/hand_over", summary="One person's stations go to the next")
def hand(body: HandOverIn, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        hand_over(s, by, resolve(s, body.from_person, "person").id, resolve(s, body.to_person, "person").id)
        return {"done": True}

    return DoneOut(**call.do("hand_over", body, verb))


@router.post("/panels/{panel}/marks", summary="Mark cells as no longer good")
def mark(panel: str, body: MarksIn, call: Calling) -> MarkOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, panel, "panel")
        row = mark_cells(s, by, one.id, _cells(body.cells), body.reason)
        return {"panel": one.code, "mark": row.id, "cells": row.n}

    return MarkOut(**call.do("mark_cells", body, verb, path={"panel": panel}))


@router.post("/marks/{mark}/take_back", summary="Take back a mark that was wrong")
def take_back(mark: InPath, body: Told, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        take_back_marks(s, by, [mark])
        return {"done": True}

    return DoneOut(**call.do("correct_marks", body, verb, path={"mark": mark}))


@router.post("/scrap", summary="Scrap cells, a panel, or units")
def scrap(body: ScrapIn, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, body.thing, "panel", "lot", "container")
        if body.cells:
            scrap_cells(s, by, one.id, _cells(body.cells), body.reason)
        elif body.units is not None:
            scrap_units(s, by, one.id if one.kind == "panel" else lot_in(s, one).id, body.units, body.reason, method=body.method, u=body.u)
        elif one.kind == "panel":
            scrap_panel(s, by, one.id, body.reason)
        else:
            raise bad_input("How many units?", "units", f"{one.code} is a lot.", "Give units.")
        return {"done": True}

    return DoneOut(**call.do("scrap", body, verb))


@router.post("/samples", summary="Take a sample of cells or of loose units, to keep or to destroy")
def sample(body: SampleIn, call: Calling) -> SampleOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, body.thing, "panel", "lot", "container", "pack")
        if one.kind == "pack":
            if body.pocket_from is None or body.pocket_to is None:
                raise bad_input("Which pockets?", "pocket_from", f"{one.code} is a pack.", "Give pocket_from and pocket_to.")
            taken = sample_pockets(s, by, one, body.pocket_from, body.pocket_to, body.purpose, kept=body.kept)
        elif one.kind == "panel":
            if not body.cells:
                raise bad_input("Which cells?", "cells", f"{one.code} is a panel.", "Name the cells.")
            taken = sample_cells(s, by, one.id, _cells(body.cells), body.purpose, kept=body.kept)
        else:
            if body.units is None:
                raise bad_input("How many units?", "units", f"{one.code} is a lot.", "Give units.")
            taken = sample_units(s, by, lot_in(s, one).id, body.units, body.purpose, kept=body.kept)
        return _sample(s, taken)

    return SampleOut(**call.do("take_sample", body, verb))


@router.get("/samples/{sample}", summary="A sample")
def see_sample(sample: str, call: Calling) -> SampleOut:
    with call.house.reading() as s:
        return SampleOut(**_sample(s, s.get_one(Sample, resolve(s, sample, "sample").id)))


@router.post("/counts", summary="Enter a count; it is compared with the book")
def count(body: CountedIn, call: Calling) -> CountedOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, body.thing, "panel", "lot", "container")
        found = count_units(s, by, one.id if one.kind == "panel" else lot_in(s, one).id, body.units, body.method, body.u)
        return {
            "count": found.entry.id, "thing": one.code, "book": found.entry.book, "units": body.units,
            "difference": body.units - (found.entry.book or 0), "within": found.difference.within,
        }  # fmt: skip

    return CountedOut(**call.do("count_units", body, verb))


@router.post("/counts/{count}/take_back", summary="Take back a count or scrap that was entered wrongly; the right one is entered anew")
def take_back_count(count: InPath, body: Told, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        correct_count(s, by, count)
        return {"done": True}

    return DoneOut(**call.do("correct_count", body, verb, path={"count": count}))


@router.post("/counts/sign", summary="Sign for a difference that is beyond counting")
def sign(body: SignDifferenceIn, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, body.thing, "panel", "lot", "container")
        sign_difference(s, by, one.id if one.kind == "panel" else lot_in(s, one).id, body.words)
        return {"done": True}

    return DoneOut(**call.do("sign_difference", body, verb))


@router.post("/at_risk", summary="Let panels go on while a judgement is open, up to the barrier")
def at_risk(body: AtRiskIn, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        panels, _ = inside(s, things_of(s, body.things))
        go_on_at_risk(s, by, panels, body.reason)
        return {"done": True}

    return DoneOut(**call.do("go_on_at_risk", body, verb))


@router.post("/lines/{line}/disposition", summary="Sign a disposition of a line whose judgement is open")
def sign_disposition(line: InPath, body: DisposeIn, call: Calling) -> DoneOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        dispose(s, by, line_numbered(s, line).id, body.what, body.words)
        return {"done": True}

    return DoneOut(**call.do("dispose", body, verb, path={"line": line}))


@router.post("/moves", summary="Move a thing to stock, to an outside firm, or back to the floor")
def move(body: MoveIn, call: Calling) -> DoneOut:
    """Outside work is a sequence: move the panels `outside`, with the firm as `place`; start a run at the station that stands for the firm; end it
    by `/runs/{run}/singulate` where the firm mixes the units (the loose lot that it makes is at the firm still), else by `/runs/{run}/finish`; move
    that loose lot, or the panels, back to the `floor`; and enter what was counted on its return as a count."""

    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, body.thing, "panel", "lot", "container", "pack", "sample", "wafer", "batch")
        items = contents(s, one)
        for item in [*items[0], *items[1]] if one.kind == "container" else [one.id]:
            move_item(s, by, item, body.kind, body.place)
        return {"done": True}

    return DoneOut(**call.do("move_item", body, verb))


def _of_form(call: Call, lot: str, of_panels: str, of_loose: str) -> str:
    """The action by what never changes, so that a repeat is the same: the form of the lot, or the kind of the container that it lies in."""
    with call.house.reading() as s:
        found = candidates(s, lot, "lot", "container")
        if len(found) != 1:
            return of_panels
        one = found[0]
        loose = s.get_one(Lot, one.id).form == "loose" if one.kind == "lot" else s.get_one(Box, one.id).kind != "magazine"
    return of_loose if loose else of_panels


def _lot(session: Session, item: int) -> dict[str, Any]:
    panels, _ = contents(session, Named("lot", item, "")) if session.get_one(Lot, item).form == "panel" else ([], [])
    return {"lot": lot_code(session, item), "panels": panel_codes(session, panels)}


def _content(session: Session, container: Named) -> dict[str, Any]:
    one, inside = session.get_one(Box, container.id), containers.content_of(session, container.id)
    items = [code_of(session, "lot", lot) for lot in inside.loose] + [code_of(session, "sample", one) for one in inside.samples]
    return {"container": container.code, "kind": one.kind, "name": one.name, "panels": panel_codes(session, inside.panels), "items": items}


def _sample(session: Session, sample: Sample) -> dict[str, Any]:
    return {"sample": code_of(session, "sample", sample.item), "units": sample.units, "kept": sample.kept, "purpose": sample.purpose}


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


def _cells(cells: list[CellIn]) -> list[tuple[int, int]]:
    return [(cell.row, cell.column) for cell in cells]
