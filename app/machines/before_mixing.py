"""Before mixing, over the API: what a merge or an order of fills would do to the reach of one bad origin."""

from dataclasses import asdict
from typing import Annotated

from fastapi import Query
from pydantic import Field

from app.genealogy.before_mixing import MOST, Coming, before_fill, before_mixing
from app.ledger.items import Pack
from app.machines.bodies import Answer, LotCode
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import lot_named
from app.naming.resolve import resolve

router = call_router("trace")


class AtHandOut(Answer):
    code: LotCode
    units: int = Field(examples=[5120])
    wafers: int = Field(description="That can be in it.", examples=[6])
    lots: int = Field(description="Panel lots in it.", examples=[1])
    runs: int = Field(description="Oven runs that touched it.", examples=[6])
    customer: str | None = Field(examples=["Quillmere Lighting"])


class WorstReachOut(Answer):
    """Of one kind of origin, the packs that the worst one would reach."""

    kind: str = Field(examples=["wafer"])
    words: str = Field(examples=["one bad wafer"])
    apart: int = Field(description="Each lot fills packs of its own.", examples=[3])
    as_given: int = Field(description="The lots are filled one after the other, in the order given.", examples=[4])
    in_order: int = Field(description="In `order`.", examples=[3])
    merged: int = Field(description="They are merged first.", examples=[12])
    customers_before: int = Field(examples=[1])
    customers_merged: int = Field(examples=[2])
    worst: str = Field(description="The one that reaches the most when merged.", examples=["W26-000012-E"])


class BeforeMixingOut(Answer):
    lots: list[AtHandOut]
    size: int = Field(description="Units of a full pack.", examples=[4500])
    order: list[LotCode] = Field(description="Of fills, which keeps the mean reach of one bad origin least.")
    is_best: bool = Field(description="Every order was tried; else the order is good, not surely the best.")
    mean_as_given: float = Field(description="Packs that one bad origin reaches, over all origins.", examples=[2.4])
    mean_in_order: float = Field(examples=[1.9])
    reach: list[WorstReachOut]


class FillReachOut(Answer):
    """Of one kind of origin, the packs that the worst one would reach before and after a fill."""

    kind: str = Field(examples=["wafer"])
    words: str = Field(examples=["one bad wafer"])
    before: int = Field(description="The lots fill packs of their own; the pack stays as it is.", examples=[1])
    after: int = Field(description="The pack has taken in these units; what is left fills packs of its own lot.", examples=[2])
    customers_before: int = Field(examples=[1])
    customers_after: int = Field(examples=[2])
    worst: str = Field(description="The one that reaches the most after it.", examples=["W26-000012-E"])


class BeforeFillOut(Answer):
    reach: list[FillReachOut] = Field(description="Empty where only units of one loose lot come together.")


@router.get("/before_mixing", summary="How far one bad wafer, lot or oven run would reach before and after a merge, and the best order of fills")
def reach_before_mixing(
    lot: Annotated[list[str], Query(description="Loose lots at hand, in the order in which they would be filled.", max_length=MOST)],
    call: Calling,
    size: Annotated[int | None, Query(ge=1, le=10_000_000, description="Units of a pack, where not the product's.")] = None,
) -> BeforeMixingOut:
    with call.house.walking() as session:
        return BeforeMixingOut.model_validate(asdict(before_mixing(session, [resolve(session, one, "lot") for one in lot], size)))


@router.get("/packs/{pack}/before_fill", summary="How far one bad wafer, lot or oven run would reach before and after a fill of an open pack")
def reach_before_fill(
    pack: str,
    lot: Annotated[str, Query(description="A loose lot, or the jar that it is alone in.", max_length=120)],
    call: Calling,
    units: Annotated[int | None, Query(ge=1, le=1_000_000_000, description="Empty: what it has and the pack has room for.")] = None,
) -> BeforeFillOut:
    with call.house.walking() as session:
        one = session.get_one(Pack, resolve(session, pack, "pack").id)
        found = before_fill(session, [Coming(lot_named(session, lot), units)], one)
    return BeforeFillOut(reach=[FillReachOut.model_validate(asdict(row)) for row in found])
