"""Corrections over the API: of a mount, a container's content and a move; and the lists that give their numbers, wrong rows shown as such."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypeVar

from pydantic import Field
from sqlalchemy.orm import Session

from app.db import Base
from app.errors import bad_input, unknown
from app.floor.content_corrections import ContentRow, contents_told, correct_content
from app.floor.corrections import Corrected
from app.floor.groups import contents
from app.floor.mount_corrections import MountRow, correct_mount, mounts_told
from app.floor.move_corrections import MoveRow, To, correct_move, moved_with, moves_of
from app.journal.act import By
from app.ledger.places import Content, Mount, Move
from app.ledger.sets import panels_of
from app.machines.bodies import Answer, AThing, Container, InPath, Name, Number, PanelCode, Text, Told, Words
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import inside, station_of, things_of
from app.machines.paging import Before, Limit, Next, cut
from app.naming.resolve import resolve
from app.packing.over_shipments import tell_over_shipment

router = call_router("corrections")
_NEVER = Field(False, description="True: it was not done at all.")
Row = TypeVar("Row", bound=Base)


class CorrectionOut(Answer):
    """The row was entered wrongly. It stays on the record and counts for nothing."""

    right: int | None = Field(description="Number of the row that replaces it; empty: nothing of it was done.", examples=[58])
    reason: str = Field(examples=["the batch beside it was scanned"])
    who: str = Field(examples=["Mara Lind"])
    at: datetime = Field(examples=["2026-03-01T06:40:00Z"])


class ReplacedOut(Answer):
    wrong: Number
    right: int | None = Field(description="Number of the row that replaces it; empty: nothing of it was done.", examples=[58])


class ReplacedAllOut(Answer):
    """What replaces what. The lists show both, the wrong one as corrected."""

    replaced: list[ReplacedOut]


class MountOut(Answer):
    mount: Number
    place: str = Field(examples=["adhesive"])
    item: str = Field(description="The batch or wafer.", examples=["B26-000012-0"])
    on_at: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    off_at: datetime | None = Field(examples=[None])
    is_on: bool
    corrected: CorrectionOut | None = Field(description="Empty: it is as entered.")


class MountsOut(Answer):
    mounts: list[MountOut] = Field(description="The newest first.")
    next: Next


class MountCorrectionIn(Told):
    """What was on the place in truth, from when to when the wrong one was. Every run line of that time is told anew what it had."""

    item: Name | None = Field(None, description="The batch or wafer that was there. Empty: the same, on another place.", examples=["B26-000013-Y"])
    place: Name | None = Field(None, description="Where on the station, if not on the same place.", examples=[None])
    never: bool = _NEVER
    reason: Words = Field(examples=["the batch beside it was scanned"])


class ContentOut(Answer):
    content: Number
    panels: list[PanelCode]
    item: str | None = Field(description="Or the loose lot or sample.", examples=[None])
    since: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    until: datetime | None = Field(examples=[None])
    corrected: CorrectionOut | None = Field(description="Empty: it is as entered.")


class ContentsOut(Answer):
    contents: list[ContentOut] = Field(description="The newest first.")
    next: Next


class ContentCorrectionIn(Told):
    """What went into the container in truth. Runs over wrong panels are voided apart, for they name panels and not containers."""

    things: list[AThing] = Field([], max_length=100_000, description="Panels, a panel lot, or one loose lot or sample.", examples=[["P26-000407-8"]])
    container: Container | None = Field(None, description="The container, if it was another.", examples=[None])
    never: bool = _NEVER
    reason: Words = Field(examples=["two panels were left in the other magazine"])


class MoveOut(Answer):
    move: Number
    thing: str = Field(examples=["K26-000096-9"])
    kind: str = Field(description="floor, stock, outside, shipped or returned.", examples=["stock"])
    place: str = Field(examples=["shelf 4"])
    shipment: str | None = Field(examples=[None])
    moved_at: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    why_back: str = Field(description="Of what a customer gave back: why, if it was said.", examples=[""])
    corrected: CorrectionOut | None = Field(description="Empty: it is as entered.")


class MovesOut(Answer):
    moves: list[MoveOut] = Field(description="Of each thing in their order; the last that is not corrected says where it is.")


class MoveCorrectionIn(Told):
    """Where it went in truth. The right move takes the turn of the wrong one: later moves stay as they are."""

    kind: Name | None = Field(None, description="floor, stock or outside.", examples=["stock"])
    place: Text = Field("", description="The shelf, or the outside firm.", examples=["shelf 5"])
    shipment: Name | None = Field(None, description="Instead of a kind: the shipment that the pack went in.", examples=[None])
    never: bool = _NEVER
    together: bool = Field(False, description="Also what was moved there in the same entry: the panels of a lot, the packs of a shipment.")
    reason: Words = Field(
        examples=["the pack beside it was scanned"],
        description="Of a pack that went to another customer than it was filled for, it stands as the reason of that as well.",
    )  # fmt: skip


@router.get("/stations/{station}/mounts", summary="What was mounted on a station, with corrections")
def mounts(station: str, call: Calling, before: Before = None, limit: Limit = 100) -> MountsOut:
    with call.house.reading() as s:
        found, next_ = cut(mounts_told(s, station_of(s, station), limit + 1, before), limit, "mount")
        return MountsOut(mounts=[MountOut(**_mount(row)) for row in found], next=next_)


@router.post("/mounts/{mount}/correct", summary="Correct a mount: another batch or wafer, or none, was on the place")
def correct_a_mount(mount: InPath, body: MountCorrectionIn, call: Calling) -> ReplacedAllOut:
    if not body.never and body.item is None and body.place is None:
        raise bad_input("What was there in truth?", "item", "Neither item nor place is given.", "Name what was there, or say never.")

    def verb(s: Session, by: By) -> dict[str, Any]:
        row = _row(s, Mount, mount, "mount")
        item = None if body.never else resolve(s, body.item, "batch", "wafer").id if body.item else row.item
        return _replaced([(mount, correct_mount(s, by, row, item, body.place, body.reason))])

    return ReplacedAllOut(**call.do("correct_mount", body, verb, path={"mount": mount}))


@router.get("/containers/{container}/contents", summary="What was in a container, with corrections")
def all_contents(container: str, call: Calling, before: Before = None, limit: Limit = 100) -> ContentsOut:
    with call.house.reading() as s:
        found, next_ = cut(contents_told(s, resolve(s, container, "container").id, limit + 1, before), limit, "content")
        return ContentsOut(contents=[ContentOut(**_content(row)) for row in found], next=next_)


@router.post("/contents/{content}/correct", summary="Correct what is, or was, said to be in a container")
def correct_a_content(content: InPath, body: ContentCorrectionIn, call: Calling) -> ReplacedAllOut:
    if not body.never and not body.things and body.container is None:
        raise bad_input("What was in it in truth?", "things", "Neither things nor a container are given.", "Name what was in it, or say never.")

    def verb(s: Session, by: By) -> dict[str, Any]:
        row = _row(s, Content, content, "content")
        box = resolve(s, body.container, "container").id if body.container else None
        panels, items = inside(s, things_of(s, body.things)) if body.things or body.never else _same(s, row)
        if len(items) > 1:
            raise bad_input("One content is one thing.", "things", "Several loose lots or samples are named.", "Correct each content apart.")
        return _replaced([(content, correct_content(s, by, row, box, panels, items[0] if items else None, body.reason))])

    return ReplacedAllOut(**call.do("correct_content", body, verb, path={"content": content}))


@router.get("/things/{code}/moves", summary="Where a thing was moved, with corrections; of a panel lot its panels")
def moves(code: str, call: Calling) -> MovesOut:
    with call.house.reading() as s:
        named = resolve(s, code)
        panels, items = ([], [named.id]) if named.kind in ("wafer", "batch") else contents(s, named)
        return MovesOut(moves=[MoveOut(**_move(row)) for row in moves_of(s, [*panels, *items])])


@router.post("/moves/{move}/correct", summary="Correct a move: it went elsewhere, in another shipment, or nowhere")
def correct_a_move(move: InPath, body: MoveCorrectionIn, call: Calling) -> ReplacedAllOut:
    if not body.never and body.kind is None and body.shipment is None:
        raise bad_input("Where did it go in truth?", "kind", "Neither kind nor shipment is given.", "Say where it went, or say never.")

    def verb(s: Session, by: By) -> dict[str, Any]:
        row = _row(s, Move, move, "move")
        shipment = resolve(s, body.shipment, "shipment").id if body.shipment else None
        to = None if body.never else To(body.kind or "", body.place.strip(), shipment)
        rows = [row, *(moved_with(s, row) if body.together else [])]
        pairs = [(one.id, correct_move(s, by, one, to, body.reason)) for one in rows]
        if shipment is not None:
            tell_over_shipment(s, by, shipment, [right.item for _, right in pairs if right], body.reason)
        return _replaced(pairs)

    return ReplacedAllOut(**call.do("correct_move", body, verb, path={"move": move}))


def _row(session: Session, table: type[Row], number: int, what: str) -> Row:
    found = session.get(table, number)
    if found is None:
        raise unknown(str(number), f"the number of a {what}")
    return found


def _replaced(pairs: Sequence[tuple[int, Mount | Content | Move | None]]) -> dict[str, Any]:
    return {"replaced": [{"wrong": wrong, "right": right.id if right else None} for wrong, right in pairs]}


def _same(session: Session, row: Content) -> tuple[list[int], list[int]]:
    return (panels_of(session, row.set), []) if row.set else ([], [row.item] if row.item else [])


def _mount(row: MountRow) -> dict[str, Any]:
    return {
        "mount": row.mount, "place": row.place, "item": row.item, "on_at": row.on_at.isoformat(), "off_at": _time(row.off_at), "is_on": row.is_on,
        "corrected": _corrected(row.corrected),
    }  # fmt: skip


def _content(row: ContentRow) -> dict[str, Any]:
    return {
        "content": row.content, "panels": list(row.panels), "item": row.item, "since": row.since.isoformat(), "until": _time(row.until),
        "corrected": _corrected(row.corrected),
    }  # fmt: skip


def _move(row: MoveRow) -> dict[str, Any]:
    return {
        "move": row.move, "thing": row.thing, "kind": row.kind, "place": row.place, "shipment": row.shipment, "moved_at": row.moved_at.isoformat(),
        "why_back": row.why_back, "corrected": _corrected(row.corrected),
    }  # fmt: skip


def _corrected(one: Corrected | None) -> dict[str, Any] | None:
    return {"right": one.right, "reason": one.reason, "who": one.who, "at": one.at.isoformat()} if one else None


def _time(at: datetime | None) -> str | None:
    return at.isoformat() if at else None
