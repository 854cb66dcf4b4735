"""Suppliers' EPCIS documents over the API: in as evidence of origin, and out as what they say of a batch or wafer."""

from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

from fastapi import File, UploadFile
from pydantic import Field
from sqlalchemy.orm import Session

from app.journal.act import By
from app.machines.bodies import Answer, Number
from app.machines.call_router import call_router
from app.machines.calls import Calling, FormTold
from app.naming.resolve import codes_of_items, resolve
from app.receiving.origin_documents import import_origin_document, read_origin_file, told_of

router = call_router("receiving")


class LinkOut(Answer):
    item: str = Field(description="Our batch or wafer.", examples=["B26-000012-0"])
    name: str = Field(description="The URI by which the event names it.", examples=["urn:epc:class:lgtin:0614141.012345.HC-20881"])
    event: int = Field(description="Its number in the document, from 1.", examples=[3])
    role: str = Field(description="object, input or output.", examples=["output"])


class OriginDocumentOut(Answer):
    file: Number
    events: int = Field(examples=[12])
    links: list[LinkOut] = Field(description="One for each naming of a batch or wafer here.")
    of_nothing_here: list[int] = Field([], description="Numbers of the events that name no batch or wafer here; the file has them.", examples=[[3]])


class OriginOut(LinkOut):
    file: Number
    file_name: str = Field(examples=["harrow-lot-20881.jsonld"])
    kind: str = Field(examples=["TransformationEvent"])
    happened_at: datetime = Field(examples=["2026-02-14T08:00:00Z"])
    step: str = Field(description="Business step of the CBV, or a URI of theirs.", examples=["commissioning"])
    disposition: str = Field(examples=["in_progress"])
    place: str = Field(examples=["urn:epc:id:sgln:0614141.00001.0"])
    quantity: float | None = Field(examples=[25.0])
    uom: str = Field(examples=["KGM"])
    came_from: list[str] = Field(description="Inputs of the event that it is an output of.", examples=[["urn:epc:class:lgtin:0614141.054321.R-7"]])


class OriginsOut(Answer):
    origins: list[OriginOut]


@router.post("/origins", summary="Take in a supplier's EPCIS 2.0 document as evidence of origin of the batches and wafers that it names")
def take_in(
    call: Calling,
    told: FormTold,
    file: Annotated[UploadFile, File(description="EPCIS 2.0 in JSON-LD. What it names is found by our code or by a supplier's number.")],
) -> OriginDocumentOut:
    with call.files("import_origin_document", "origin_document", file):
        kept, events = read_origin_file(call.house, file.filename or "unnamed", file.file.read())

        def verb(s: Session, by: By) -> dict[str, Any]:
            links = import_origin_document(s, by, kept, events)
            codes = codes_of_items(s, [one.item for one in links])
            rows = [{"item": codes[one.item], "name": one.name, "event": one.event, "role": one.role} for one in links]
            others = sorted({event.number for event in events} - {one.event for one in links})
            return {"file": links[0].evidence, "events": len(events), "links": rows, "of_nothing_here": others}

        return OriginDocumentOut(**call.do("import_origin_document", told, verb, path={"file": [kept.name, kept.digest]}))


@router.get("/origins/{code}", summary="What suppliers' documents say of a batch or wafer")
def origins(code: str, call: Calling) -> OriginsOut:
    with call.house.reading() as session:
        return OriginsOut(origins=[OriginOut(**asdict(one)) for one in told_of(session, [resolve(session, code, "batch", "wafer").id])])
