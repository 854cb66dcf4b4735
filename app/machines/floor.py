"""What happens to panels and units on the floor, over the API: marks, scrap, samples, counts, at risk, dispositions, moves."""

from typing import Annotated, Any

from pydantic import Field
from sqlalchemy.orm import Session

from app.errors import bad_input
from app.floor.at_risk import go_on_at_risk
from app.floor.counting import correct_count, count_units, sign_difference
from app.floor.counts_at_finish import run_that_had
from app.floor.dispositions import dispose
from app.floor.groups import contents
from app.floor.marking import mark_cells, take_back_marks
from app.floor.moves import move_item
from app.floor.samples import sample_cells, sample_units
from app.floor.scrap import scrap_cells, scrap_panel, scrap_units, scrap_wafer
from app.journal.act import By
from app.ledger.items import Sample
from app.machines.bodies import (
    Answer,
    AThing,
    CellIn,
    CountIn,
    Disposition,
    DoneOut,
    InPath,
    Method,
    Name,
    Number,
    PanelCode,
    SampleCode,
    Signed,
    Text,
    Told,
    Uncertainty,
    Units,
    Words,
    shown,
)
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import inside, line_numbered, lot_in, run_named, things_of
from app.machines.placements import PlacementsJudgedOut
from app.naming.resolve import code_of, resolve
from app.packing.samples import sample_pockets

router = call_router("floor")


_AtRun = Annotated[
    Name | None, Field(examples=[None], description="The run at which it was found or spoiled. Empty: the one that it is in work at, if it is.")
]


class MarksIn(Told):
    cells: list[CellIn] = Field(min_length=1, max_length=1_000_000)
    reason: Words = Field(examples=["scratched"])
    run: _AtRun = None


class MarkOut(Answer):
    panel: PanelCode
    mark: Number
    cells: int = Field(examples=[1])


class ScrappedOut(DoneOut):
    count: Number | None = Field(None, description="Of units or a wafer: the number to take it back by.", examples=[412])
    mark: Number | None = Field(None, description="Of cells or a whole panel: the mark's number, to take it back by.", examples=[None])


class TakenBackOut(Answer):
    done: bool = True
    judgements: list[PlacementsJudgedOut] = Field(description="Of lines that are judged again for it.")
    packs: list[str] = Field(examples=[[]], description="Packs with something of the panel, where a line of it is open again.")


class ScrapIn(Told):
    """Cells of a panel, a whole panel, a number of units of a panel or loose lot, or a wafer with all that is left on it."""

    thing: Name = Field(description="A panel, a loose lot or the jar that it is alone in, or a wafer.", examples=["L26-000058-T"])
    reason: Words = Field(description="As the catalogue has them for scrap, or for wafers that are scrapped.", examples=["dropped"])
    cells: list[CellIn] | None = Field(None, max_length=1_000_000, examples=[None])
    units: Units | None = None
    method: Method = "hand"
    u: Uncertainty = 0.0
    run: _AtRun = None


class SampleIn(Told):
    model_config = shown(
        {"thing": "P26-000407-8", "purpose": "cross-section", "kept": False, "cells": [{"row": 2, "column": 7}]},
        {"thing": "L26-000058-T", "purpose": "solder test", "units": 5},
        {"thing": "K26-000096-9", "purpose": "retained", "pocket_from": 1, "pocket_to": 5},
    )

    thing: Name = Field(description="A panel (with cells), a loose lot (with units) or a pack (with pockets).", examples=["P26-000407-8"])
    purpose: Words = Field(examples=["cross-section"])
    kept: bool = Field(True, description="False: it is destroyed.")
    cells: list[CellIn] | None = Field(None, max_length=1_000_000)
    units: Units | None = Field(None, examples=[None])
    pocket_from: Units | None = Field(None, description="Of a pack: the first pocket, numbered from the hub.", examples=[None])
    pocket_to: Units | None = Field(None, description="The last pocket.", examples=[None])


class SampleOut(Answer):
    sample: SampleCode
    units: int = Field(examples=[1])
    kept: bool
    purpose: str = Field(examples=["cross-section"])


class CountedIn(Told, CountIn):
    thing: Name = Field(
        description="A panel, a loose lot or the jar that it is alone in, or a batch of lead frames: its first count opens its book.",
        examples=["L26-000058-T"],
    )
    run: Name | None = Field(
        None, examples=[None],
        description="The run that it was counted at. It answers what the run's step asks for where its method is the one that the step names.",
    )  # fmt: skip


class CountedOut(Answer):
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


class MoveIn(Told):
    thing: Name = Field(examples=["L26-000058-T"])
    kind: Name = Field(description="floor, stock or outside.", examples=["outside"])
    place: Text = Field("", description="The shelf, or the outside firm.", examples=["Tolland Slicing"])


def _at_run(session: Session, run: str | None, item: int) -> int | None:
    return run_that_had(session, run_named(session, run), item).id if run else None


@router.post("/panels/{panel}/marks", summary="Mark cells as no longer good")
def mark(panel: str, body: MarksIn, call: Calling) -> MarkOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, panel, "panel")
        row = mark_cells(s, by, one.id, _cells(body.cells), body.reason, _at_run(s, body.run, one.id))
        return {"panel": one.code, "mark": row.id, "cells": row.n}

    return MarkOut(**call.do("mark_cells", body, verb, path={"panel": panel}))


@router.post("/marks/{mark}/take_back", summary="Take back a mark that was wrong")
def take_back(mark: InPath, body: Told, call: Calling) -> TakenBackOut:
    """A cell that is good again needs a die: a line that conformed by its placement logs may be open again, and its panels wait."""

    def verb(s: Session, by: By) -> dict[str, Any]:
        left = take_back_marks(s, by, [mark])
        return {"done": True, "judgements": left.judgements, "packs": left.packs}

    return TakenBackOut(**call.do("correct_marks", body, verb, path={"mark": mark}))


@router.post("/scrap", summary="Scrap cells, a panel, units, or a wafer")
def scrap(body: ScrapIn, call: Calling) -> ScrappedOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = resolve(s, body.thing, "panel", "lot", "container", "wafer", "pack")
        if one.kind == "pack":
            now = "Take its units off the tape, and scrap the loose lot that they make."
            raise bad_input("A pack is not scrapped as it is.", "thing", f"{one.code} is a pack.", now)
        if one.kind == "wafer":
            if body.cells or body.units is not None or body.run:
                raise bad_input("A wafer is scrapped whole.", "thing", f"{one.code} is a wafer.", "Leave cells, units and run empty.")
            return {"done": True, "count": scrap_wafer(s, by, one.id, body.reason).id}
        if body.cells and one.kind != "panel":
            raise bad_input("Which panel?", "cells", f"{one.code} is a {one.kind}, and cells are those of a panel.", "Name the panel, or give units.")
        if body.cells:
            return {"done": True, "mark": scrap_cells(s, by, one.id, _cells(body.cells), body.reason, _at_run(s, body.run, one.id)).id}
        if body.units is not None:
            item = one.id if one.kind == "panel" else lot_in(s, one).id
            entry = scrap_units(s, by, item, body.units, body.reason, method=body.method, u=body.u, run=_at_run(s, body.run, item))
            return {"done": True, "count": entry.id}
        if one.kind == "panel":
            return {"done": True, "mark": scrap_panel(s, by, one.id, body.reason, _at_run(s, body.run, one.id)).id}
        raise bad_input("How many units?", "units", f"{one.code} is a {one.kind}.", "Give units.")

    return ScrappedOut(**call.do("scrap", body, verb))


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
                raise bad_input("How many units?", "units", f"{one.code} is a {one.kind}.", "Give units.")
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
        one = resolve(s, body.thing, "panel", "lot", "container", "batch")
        item = one.id if one.kind in ("panel", "batch") else lot_in(s, one).id
        found = count_units(s, by, item, body.units, body.method, body.u, run=_at_run(s, body.run, item))
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
        one = resolve(s, body.thing, "panel", "lot", "container", "batch")
        sign_difference(s, by, one.id if one.kind in ("panel", "batch") else lot_in(s, one).id, body.words)
        return {"done": True}

    return DoneOut(**call.do("sign_difference", body, verb))


@router.post("/at_risk", summary="Let panels go on at risk: while a judgement is open, up to the barrier")
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
        panels, items = contents(s, one) if one.kind == "container" else ([], [one.id])
        for item in [*panels, *items]:
            move_item(s, by, item, body.kind, body.place)
        return {"done": True}

    return DoneOut(**call.do("move_item", body, verb))


def _sample(session: Session, sample: Sample) -> dict[str, Any]:
    return {"sample": code_of(session, "sample", sample.item), "units": sample.units, "kept": sample.kept, "purpose": sample.purpose}


def _cells(cells: list[CellIn]) -> list[tuple[int, int]]:
    return [(cell.row, cell.column) for cell in cells]
