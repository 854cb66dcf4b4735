"""Receiving over the API: material batches, panels, wafers with their maps."""

from collections import defaultdict
from datetime import datetime
from typing import Annotated, Any

from fastapi import File, Form, UploadFile
from pydantic import Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.floor.map_corrections import correct_map as judge_by_map
from app.floor.mounts import part_of
from app.holds.stopped import stops_on
from app.journal.act import By
from app.ledger.flows import Flow
from app.ledger.items import Batch, Opening
from app.ledger.places import Mount
from app.machines.bodies import (
    ABatch,
    Answer,
    BatchCode,
    HoldCode,
    Moment,
    Name,
    PanelCode,
    PartNumber,
    StationCode,
    Text,
    Told,
    WaferCode,
)
from app.machines.call_router import call_router
from app.machines.calls import Calling, FormTold, as_stated
from app.machines.paging import Before, Limit, Next, page
from app.machines.placements import PlacementsJudgedOut
from app.naming.models import Alias
from app.naming.resolve import codes_of, resolve
from app.receiving.batches import mix_batches, open_batch, receive_batch
from app.receiving.die_map import Stated
from app.receiving.map_notes import null_code
from app.receiving.panels import marks_between, receive_panels
from app.receiving.wafers import map_of, read_map_files, receive_wafers

router = call_router("receiving")


class MountedOut(Answer):
    station: StationCode
    place: str = Field(examples=["adhesive"])


class BatchIn(Told):
    part: PartNumber
    supplier: Text = Field("", examples=["Harrow Chemicals"])
    supplier_batch: Text | None = Field(None, description="The supplier's own batch number; kept as another's number.", examples=["HC-20881"])
    expires_at: Moment | None = Field(None, description="Empty: the part's shelf life, if it has one.")


class BatchOut(Answer):
    batch: BatchCode


class BatchRow(BatchOut):
    part: str = Field(examples=["GLUE-7"])
    kind: str = Field(description="Of the material.", examples=["adhesive"])
    supplier: str = Field(examples=["Harrow Chemicals"])
    numbers: list[str] = Field(description="Other people's numbers for it.", examples=[["HC-20881"]])
    expires_at: datetime | None = Field(examples=["2026-09-01T00:00:00Z"])
    opened_at: datetime | None = Field(examples=[None])
    pot_life_ends_at: datetime | None = Field(examples=[None])


class BatchSeen(BatchRow):
    mounted: list[MountedOut] = Field(description="Where it is on a station now.")
    mixed_from: list[BatchCode] = Field(description="The batches that went into it, where it was mixed here.", examples=[[]])
    stopped_by: list[HoldCode] = Field(description="Holds that stop it.", examples=[[]])


class BatchesOut(Answer):
    batches: list[BatchRow]
    next: Next


class MixIn(Told):
    part: PartNumber
    parents: list[ABatch] = Field(min_length=1, max_length=100)
    expires_at: Moment | None = None


class PanelsIn(Told):
    """Panels of one lead-frame batch: by the marks on the frames, by first and last of a range of them, or by a count."""

    frames: ABatch = Field(description="The lead-frame batch.")
    marks: list[Name] | None = Field(None, max_length=5000, description="What stands on the frames.", examples=[["N000001", "N000002"]])
    first: Name | None = Field(None, description="Instead of marks: the first of a range of them, such as N000001.")
    last: Name | None = Field(None, description="The last of that range, such as N000024.")
    count: Annotated[int, Field(ge=1, le=5000)] | None = Field(None, description="Instead of marks: so many, where nothing stands on the frames.")
    rows: Annotated[int, Field(ge=1, le=1000)] | None = Field(None, description="Empty: as the lead-frame part says.")
    columns: Annotated[int, Field(ge=1, le=1000)] | None = None


class PanelsOut(Answer):
    panels: list[PanelCode] = Field(description="In the order given.")


class WaferOut(Answer):
    wafer: WaferCode
    wafer_id: str = Field(description="The supplier's number.", examples=["RD0417-03"])
    gross: int = Field(description="Dies on the map.", examples=[200])
    passing: int = Field(examples=[196])
    failing: int = Field(examples=[4])


class CorrectedMapOut(WaferOut):
    """What the logs told of the wafer's dies is judged by the corrected map: cells are marked, or their marks taken back."""

    holds: list[str] = Field(description="Holds that were placed.", examples=[["H26-000003-K"]])
    judgements: list[PlacementsJudgedOut] = Field(description="Of lines that placed its dies.")
    packs: list[str] = Field(examples=[[]], description="Packs with something of what was held, or with dies that do not pass.")


class WafersOut(Answer):
    wafers: list[WaferOut]


@router.post("/batches", summary="Receive a material batch")
def receive(body: BatchIn, call: Calling) -> BatchOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        return {"batch": receive_batch(s, by, body.part, supplier=body.supplier, supplier_batch=body.supplier_batch, expires_at=body.expires_at).code}

    return BatchOut(**call.do("receive_batch", body, verb))


@router.get("/batches", summary="Material batches, the newest first")
def batches(call: Calling, before: Before = None, limit: Limit = 100) -> BatchesOut:
    with call.house.reading() as s:
        found, next_ = page(s, select(Batch).order_by(Batch.item.desc()), Batch.item, before, limit)
        return BatchesOut(batches=[BatchRow(**one) for one in _batch_rows(s, found)], next=next_)


@router.get("/batches/{batch}", summary="A batch: part, dates, where it is mounted, what it was mixed from, what stops it")
def see_batch(batch: str, call: Calling) -> BatchSeen:
    with call.house.reading() as s:
        named = resolve(s, batch, "batch")
        mounted = s.execute(select(Mount.station, Mount.place).where(Mount.item == named.id, Mount.closed_e.is_(None))).all()
        stations = codes_of(s, "station", [station for station, _ in mounted])
        parents = list(s.scalars(select(Flow.parent).where(Flow.child == named.id, Flow.kind == "mix")))
        holds = [stop.hold for stop in stops_on(s, [named.id]).get(named.id, [])]
        return BatchSeen(
            **_batch_rows(s, [s.get_one(Batch, named.id)])[0], mounted=[MountedOut(station=stations[at], place=place) for at, place in mounted],
            mixed_from=sorted(codes_of(s, "batch", parents).values()), stopped_by=sorted(codes_of(s, "hold", holds).values()),
        )  # fmt: skip


@router.post("/batches/mix", summary="Mix a batch here from others")
def mix(body: MixIn, call: Calling) -> BatchOut:
    answer = call.do(
        "mix_batches", body,
        lambda s, by: {"batch": mix_batches(s, by, body.part, [resolve(s, p, "batch") for p in body.parents], expires_at=body.expires_at).code},
    )  # fmt: skip
    return BatchOut(**answer)


@router.post("/batches/{batch}/open", summary="Open a batch: its pot life runs from here")
def open_it(batch: str, body: Told, call: Calling) -> BatchOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        named = resolve(s, batch, "batch")
        open_batch(s, by, named)
        return {"batch": named.code}

    return BatchOut(**call.do("open_batch", body, verb, path={"batch": batch}))


@router.post("/panels", summary="Receive panels from a lead-frame batch")
def receive_some_panels(body: PanelsIn, call: Calling) -> PanelsOut:
    if sum(x is not None for x in (body.marks, body.first, body.count)) != 1:
        raise bad_input("Which panels?", "marks", "Give marks, or first and last, or a count: one of them.", "Leave the others out.")
    if (body.first is None) != (body.last is None):
        raise bad_input("That is not a range.", "last", "A range has a first and a last.", "Give both.")
    marks = marks_between(body.first, body.last) if body.first and body.last else body.marks

    def verb(s: Session, by: By) -> dict[str, Any]:
        frames = resolve(s, body.frames, "batch")
        return {"panels": [p.code for p in receive_panels(s, by, frames, marks=marks, count=body.count, rows=body.rows, columns=body.columns)]}

    return PanelsOut(**call.do("receive_panels", body, verb))


@router.post("/wafers", summary="Receive wafers with their die maps, from one file or many: all or nothing")
def receive_some_wafers(
    call: Calling,
    told: FormTold,
    files: Annotated[list[UploadFile], File(description="SEMI E142 XML, SEMI G85 XML, a text grid or CSV; the content tells which.")],
    part: Annotated[str, Form(description="The wafer part.", examples=["RED-4"])],
    supplier: Annotated[str, Form(examples=["Harrow Optics"])] = "",
    origin: Annotated[str | None, Form(description="Where the file is silent: UpperLeft, LowerRight, ...")] = None,
    axis: Annotated[str | None, Form(description="DownRight, UpRight, DownLeft, UpLeft")] = None,
    orientation: Annotated[str | None, Form(description="Degrees of the notch, in quarter turns")] = None,
    null: Annotated[str | None, Form(description="The code that means no die; none: every position is a die; space: a blank")] = None,
    passing: Annotated[str | None, Form(description="Passing die bins, separated by commas")] = None,
    wafer: Annotated[str | None, Form(description="The wafer's identity, where the file has none")] = None,
) -> WafersOut:
    stated = Stated(origin=origin, axis=axis, orientation=orientation, null=null_code(null), passing=_listed(passing), wafer=wafer)
    with call.house.reading() as session:
        found = catalogue.part(session, part).body
    with call.files("receive_wafers", "die_map", *files):
        kept = read_map_files(call.house, [(file.filename or "unnamed", file.file.read()) for file in files], found, stated)

        def verb(s: Session, by: By) -> dict[str, Any]:
            wafers = receive_wafers(s, by, kept, part, supplier=supplier)
            maps = [one for file in kept for one in file.maps]
            return {
                "wafers": [
                    {"wafer": named.code, "wafer_id": one.wafer, "gross": one.gross, "passing": one.passing, "failing": one.failing}
                    for named, one in zip(wafers, maps, strict=True)
                ]
            }

        arguments = {"part": part, "supplier": supplier, "files": [[one.kept.name, one.kept.digest] for one in kept]} | as_stated(stated)
        return WafersOut(**call.do("receive_wafers", told, verb, path=arguments))


@router.post("/wafers/{wafer}/map", summary="Correct a wafer's die map, in the open")
def correct_map(
    wafer: str,
    call: Calling,
    told: FormTold,
    file: Annotated[UploadFile, File(description="The right map, in any of the four formats.")],
    origin: Annotated[str | None, Form(description="Where the file is silent: UpperLeft, LowerRight, ...")] = None,
    axis: Annotated[str | None, Form(description="DownRight, UpRight, DownLeft, UpLeft")] = None,
    orientation: Annotated[str | None, Form(description="Degrees of the notch, in quarter turns")] = None,
    null: Annotated[str | None, Form(description="The code that means no die; none: every position is a die; space: a blank")] = None,
    passing: Annotated[str | None, Form(description="Passing die bins, separated by commas")] = None,
) -> CorrectedMapOut:
    stated = Stated(origin=origin, axis=axis, orientation=orientation, null=null_code(null), passing=_listed(passing), wafer=None)
    with call.house.reading() as session:
        named = resolve(session, wafer, "wafer")
        part = part_of(session, named.id).body
    with call.files("correct_die_map", "die_map", file):
        kept = read_map_files(call.house, [(file.filename or "unnamed", file.file.read())], part, stated)[0]

        def verb(s: Session, by: By) -> dict[str, Any]:
            found = judge_by_map(s, by, named, kept)
            one = map_of(s, named.id)
            counts = {"gross": one.gross, "passing": one.passing, "failing": one.failing}
            follows = {"holds": found.holds, "judgements": found.judgements, "packs": found.packs}
            return {"wafer": named.code, "wafer_id": one.wafer or "", **counts, **follows}

        return CorrectedMapOut(**call.do("correct_die_map", told, verb, path={"wafer": wafer, "file": kept.kept.digest} | as_stated(stated)))


def _batch_rows(session: Session, found: list[Batch]) -> list[dict[str, Any]]:
    ids = [row.item for row in found]
    codes, parts = codes_of(session, "batch", ids), catalogue.with_ids(session, list({row.part for row in found}))
    opened = {row.batch: row for row in session.scalars(select(Opening).where(Opening.batch.in_(ids)))}
    numbers: defaultdict[int, list[str]] = defaultdict(list)
    known = select(Alias.thing, Alias.value).where(Alias.kind == "batch", Alias.thing.in_(ids), Alias.closed_e.is_(None)).order_by(Alias.id)
    for item, value in session.execute(known):
        numbers[item].append(value)
    return [
        {
            "batch": codes[row.item], "part": parts[row.part].name, "kind": parts[row.part].body.kind, "supplier": row.supplier,
            "numbers": numbers[row.item], "expires_at": row.expires_at,
            "opened_at": opened[row.item].opened_at if row.item in opened else None,
            "pot_life_ends_at": opened[row.item].pot_life_ends_at if row.item in opened else None,
        }
        for row in found
    ]  # fmt: skip


def _listed(text: str | None) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip()) if text else ()
