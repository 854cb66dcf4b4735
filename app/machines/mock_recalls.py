"""Mock recalls over the API: rehearse one, list past ones, read a report."""

from datetime import datetime
from typing import Annotated, Any

from pydantic import Field

from app.genealogy.mock_recall import MOST_SEED, PastRecall, past_recall, past_recalls, record_recall, rehearsed
from app.machines.bodies import Answer, APack, InPath, PackCode, Told
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.paging import Before, Limit, Next, cut

router = call_router("trace")


class RecallIn(Told):
    pack: APack | None = Field(None, description="A pack by name. Empty: one is picked at random among those closed or shipped.", examples=[None])
    seed: Annotated[int, Field(ge=0, lt=MOST_SEED)] | None = Field(
        None, description="Of the picking: on an unchanged record the same seed picks the same pack.", examples=[7]
    )


class RecallOut(Answer):
    mock_recall: int = Field(description="The number of its report.", examples=[3])
    pack: PackCode
    who: str = Field(examples=["Mara"])
    recorded_at: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    seed: int | None = Field(description="Empty: the pack was named.", examples=[7])
    out_of: int | None = Field(description="Among so many packs it was picked.", examples=[412])
    took_seconds: float = Field(examples=[0.21])
    units_in: int = Field(description="Of the lots of origin, with what was merged into them.", examples=[19200])
    difference: int = Field(description="Units that are not accounted for; negative: more than came in.", examples=[0])
    within: bool = Field(description="The difference is inside what counting can tell.", examples=[True])
    recovery: float | None = Field(description="What is accounted for over what came in; above 1 it stands as it is.", examples=[1.0])
    packs: int = Field(description="Packs with units of these lots.", examples=[7])
    missing: int = Field(description="Records that should stand behind it and do not.", examples=[2])


class RecallsOut(Answer):
    mock_recalls: list[RecallOut]
    next: Next


class ReportOut(Answer):
    mock_recall: RecallOut
    report: dict[str, Any] = Field(description="As it was kept that day.", examples=[{"pack": "K26-000096-9"}])
    digest: str = Field(description="SHA-256 of the kept file.", examples=["9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"])


@router.post("/mock_recalls", summary="Rehearse a recall: trace a reel back and forward, account for every unit of its lots, list missing evidence")
def rehearse(body: RecallIn, call: Calling) -> RecallOut:
    call.may("mock_recall")
    found, kept = rehearsed(call.house, body.pack or "", body.seed)
    number = call.do("mock_recall", body, lambda s, by: {"mock_recall": record_recall(s, by, found, kept).id})["mock_recall"]
    with call.house.reading() as session:
        return _out(past_recall(session, call.house, number)[0])


@router.get("/mock_recalls", summary="Past mock recalls, the newest first")
def past(call: Calling, before: Before = None, limit: Limit = 50) -> RecallsOut:
    with call.house.reading() as session:
        found, next_ = cut(past_recalls(session, before, limit + 1), limit, "row.id")
    return RecallsOut(mock_recalls=[_out(one) for one in found], next=next_)


@router.get("/mock_recalls/{number}", summary="The report of one mock recall, as it was kept")
def one(number: InPath, call: Calling) -> ReportOut:
    with call.house.reading() as session:
        found, report, evidence = past_recall(session, call.house, number)
    return ReportOut(mock_recall=_out(found), report=report, digest=evidence.digest)


def _out(one: PastRecall) -> RecallOut:
    row = one.row
    return RecallOut(
        mock_recall=row.id, pack=one.pack, who=one.entry.actor_name, recorded_at=one.entry.recorded_at, seed=row.seed, out_of=row.out_of,
        took_seconds=row.took_seconds, units_in=row.units_in, difference=row.difference, within=row.within, recovery=one.recovery, packs=row.packs,
        missing=row.missing,
    )  # fmt: skip
