"""Label data over the API."""

import base64

from pydantic import Field

from app.labels.pack_label import pack_label
from app.machines.bodies import Answer, PackCode
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.naming.resolve import resolve

router = call_router("packing")


class LabelFieldOut(Answer):
    identifier: str = Field(description="ISO/IEC 15418 data identifier.", examples=["1P"])
    words: str = Field(examples=["Part number"])
    value: str = Field(examples=["P1"])


class LabelOut(Answer):
    pack: PackCode
    fields: list[LabelFieldOut]
    message: str = Field(
        examples=["Wyk+HjA2HTFQUDEeBA=="], description="The ISO/IEC 15434 message for the symbol, base64: it holds control characters."
    )
    caution: str | None = Field(examples=[None])
    unsaid: list[str] = Field(description="Words of the fields that the message leaves out: it takes ASCII only.", examples=[[]])


@router.get("/packs/{pack}/label", summary="What stands on a closed pack's label")
def label(pack: str, call: Calling) -> LabelOut:
    with call.house.reading() as session:
        found = pack_label(session, resolve(session, pack, "pack"))
    fields = [LabelFieldOut(identifier=one.identifier, words=one.words, value=one.value) for one in found.fields]
    message = base64.b64encode(found.message).decode()
    return LabelOut(pack=found.pack, fields=fields, message=message, caution=found.caution, unsaid=list(found.unsaid))
