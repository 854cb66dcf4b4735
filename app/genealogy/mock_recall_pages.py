"""The pages of mock recalls: past ones, one to run, and the report of one, which prints on one sheet."""

from typing import Annotated

from fastapi import Path, Query, Request
from fastapi.responses import Response

from app.errors import Refused, bad_input
from app.evidence.keep import read_kept
from app.genealogy.mock_recall import mock_recall, past_recall, past_recalls
from app.journal.actions import ACTIONS
from app.people.callers import Caller, Calling, page_router
from app.web.downloads import attached, csv_file
from app.web.fields import Line
from app.web.installation import house_of
from app.web.rendering import redirect, render

router = page_router()
Number = Annotated[int, Path(ge=1, le=2**63 - 1)]
Before = Annotated[int | None, Query(ge=1, le=2**63 - 1)]
_PAGE = 50
_HEAD = ("number", "read_at", "by", "pack", "seed", "out_of", "seconds", "units_in", "not_accounted", "recovery", "packs", "missing_evidence")


@router.get("/mock-recalls")
def mock_recalls(request: Request, who: Calling, before: Before = None, pack: Annotated[str, Query(max_length=80)] = "") -> Response:
    return _page(request, who, before, pack=pack)


@router.get("/mock-recalls.csv")
def mock_recalls_as_csv(request: Request, who: Calling, before: Before = None) -> Response:
    with house_of(request).reading() as session:
        past = past_recalls(session, before, 1000)
    rows = (
        (
            one.row.id, one.entry.recorded_at.isoformat(), one.entry.actor_name, one.pack, one.row.seed, one.row.out_of, one.row.took_seconds,
            one.row.units_in, one.row.difference, one.recovery, one.row.packs, one.row.missing,
        )
        for one in past
    )  # fmt: skip
    return csv_file("mock-recalls", _HEAD, rows)


@router.post("/mock-recalls")
def mock_recall_now(request: Request, who: Calling, pack: Line = "", seed: Line = "", key: Line = "") -> Response:
    try:
        number = mock_recall(house_of(request), who.actor, pack.strip(), _seed(seed.strip()), key=key or None)
    except Refused as refusal:  # what was typed stays, to be put right
        return _page(request, who, pack=pack, seed=seed, refusal=refusal)
    return redirect(request, "mock_recall_page", number=number, said="Rehearsed, and the report is kept.")


def _seed(text: str) -> int | None:
    if text and not (text.isascii() and text.isdigit() and len(text) <= 16):
        raise bad_input("That is not a seed.", "seed", f"It is {text[:40]!r}.", "Give a whole number from 0 up, or leave it empty.")
    return int(text) if text else None


def _page(
    request: Request, who: Caller, before: int | None = None, *, pack: str = "", seed: str = "", refusal: Refused | None = None
) -> Response:
    with house_of(request).reading() as session:
        past = past_recalls(session, before, _PAGE + 1)
    may = bool(who.actor.duties & set(ACTIONS["mock_recall"].duties))
    following = past[_PAGE - 1].row.id if len(past) > _PAGE else None
    return render(
        request, "genealogy/mock_recalls.html", status=refusal.status if refusal else 200, refusal=refusal, past=past[:_PAGE], following=following,
        may=may, pack=pack, seed=seed,
    )  # fmt: skip


@router.get("/mock-recalls/{number}")
def mock_recall_page(request: Request, who: Calling, number: Number) -> Response:
    house = house_of(request)
    with house.reading() as session:
        past, report, evidence = past_recall(session, house, number)
    return render(request, "genealogy/mock_recall.html", past=past, report=report, evidence=evidence)


@router.get("/mock-recalls/{number}/report.json")
def mock_recall_report(request: Request, who: Calling, number: Number) -> Response:
    """The report as it was kept, byte by byte."""
    house = house_of(request)
    with house.reading() as session:
        _, _, evidence = past_recall(session, house, number)
    return Response(read_kept(house, evidence.digest), media_type="application/json", headers=attached(evidence.name))
