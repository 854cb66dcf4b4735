"""Reels or lots side by side over the API."""

from typing import Annotated

from fastapi import Query
from pydantic import Field

from app.genealogy.differs import COMPARED, KINDS, MOST, differs
from app.machines.bodies import Answer
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.naming.resolve import resolve

router = call_router("trace")


class SideOut(Answer):
    code: str = Field(examples=["K26-000096-9"])
    kind: str = Field(examples=["pack"])
    units: int | None = Field(examples=[4500])


class HowManyOut(Answer):
    code: str = Field(description="Of the thing that shares the factor.", examples=["K26-000096-9"])
    least: int = Field(description="So many of its units must share it.", examples=[0])
    greatest: int = Field(description="So many can.", examples=[4500])


class FactorOut(Answer):
    kind: str = Field(description=f"{', '.join(KINDS)}.", examples=["wafer"])
    code: str = Field(description="Empty for a person.", examples=["W26-000031-8"])
    words: str = Field(examples=["red WR"])
    shared: bool = Field(description="Every one of the things has it.", examples=[False])
    has_it: list[HowManyOut] = Field(description="The things that have it; the others have nothing of it.")


class DiffersOut(Answer):
    things: list[SideOut]
    factors: list[FactorOut] = Field(description="By kind; what most of them have comes first.")


@router.get("/differs", summary="Reels or lots side by side: the origins, runs, stations and people that all share, and that only some have")
def side_by_side(
    call: Calling, code: Annotated[list[str], Query(description=f"Codes of 2 to {MOST} packs, lots, samples or panels.", max_length=100)]
) -> DiffersOut:
    with call.house.walking() as session:
        found = differs(session, [resolve(session, one, *COMPARED) for one in code])
    return DiffersOut(
        things=[SideOut(code=side.code, kind=side.kind, units=side.units) for side in found.sides],
        factors=[
            FactorOut(
                kind=one.kind, code=one.code, words=one.words, shared=one.is_shared,
                has_it=[
                    HowManyOut(code=side.code, least=share.least, greatest=share.greatest)
                    for side, share in zip(found.sides, one.shares, strict=True)
                    if share is not None
                ],
            )
            for one in found.factors
        ],
    )  # fmt: skip
