"""Dies that can be inside a pack over the API: each wafer's numbers, and of one wafer every die."""

from dataclasses import asdict
from typing import Annotated

from fastapi import Query
from pydantic import Field

from app.genealogy.dies_inside import dies_inside, wafers_inside
from app.machines.bodies import Answer, PanelCode, WaferCode
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.naming.resolve import resolve

router = call_router("trace")


class WaferInsideOut(Answer):
    """By the logs, `can` counts the dies of `must` too; `least` and `greatest` are units of the pack."""

    wafer: WaferCode
    role: str = Field(examples=["red"])
    can: int = Field(description="Dies that can be inside.", examples=[4812])
    must: int = Field(description="Dies that must be inside.", examples=[0])
    least: int = Field(description="So many units of the pack must have a die of this wafer.", examples=[1204])
    greatest: int = Field(description="So many can.", examples=[4500])
    has_map: bool
    is_logged: bool = Field(description="No: no placement log tells of its dies, and none can be named.")


class DieInsideOut(Answer):
    wafer: WaferCode
    x: int = Field(description="As the wafer's map counts.", examples=[12])
    y: int = Field(examples=[40])
    panel: PanelCode
    row: int = Field(description="Of its cell, from 1.", examples=[2])
    column: int = Field(examples=[7])
    must: bool


class DiesInsideOut(Answer):
    pack: str = Field(examples=["K26-000096-9"])
    units: int = Field(examples=[4500])
    wafers: list[WaferInsideOut]
    dies: list[DieInsideOut] = Field(description="Of the wafer that was asked for.")


@router.get("/packs/{pack}/dies", summary="Which dies of which wafers can be inside a pack, and which must")
def dies_of_pack(
    pack: str, call: Calling, wafer: Annotated[str, Query(max_length=120, description="List the dies of this one.")] = ""
) -> DiesInsideOut:
    with call.house.walking() as session:
        named = resolve(session, pack, "pack")
        units, wafers = wafers_inside(session, named)
        dies = list(dies_inside(session, named, resolve(session, wafer, "wafer").id)) if wafer else []
    return DiesInsideOut(
        pack=named.code, units=units, wafers=[WaferInsideOut(**asdict(one)) for one in wafers], dies=[DieInsideOut(**asdict(one)) for one in dies]
    )
