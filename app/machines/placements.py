"""Placement logs over the API; where a wafer's dies went, from a die to its cells, from a cell to its dies, and a panel."""

from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import File, Form, Path, UploadFile
from pydantic import Field
from sqlalchemy.orm import Session

from app.floor.panel_picture import cell_list, panel_picture
from app.floor.placements import import_placements, read_log
from app.floor.wafer_account import cell_story, die_story, panel_story, wafer_account
from app.floor.wafer_picture import STATES, wafer_picture
from app.journal.act import By
from app.machines.bodies import Answer, Number, PanelCode, RunCode, WaferCode
from app.machines.call_router import call_router
from app.machines.calls import Calling, FormTold
from app.machines.names import evidence_numbers, station_of
from app.naming.resolve import resolve

router = call_router("placements")
Coordinate = Annotated[int, Path(ge=-(2**31), le=2**31 - 1, description="As the wafer's map counts.", examples=[12])]
RowOrColumn = Annotated[int, Path(ge=1, le=1000, description="From 1.", examples=[2])]


class PlacementsJudgedOut(Answer):
    line: Number
    run: str = Field(examples=["R26-000212-5"])
    verdict: str = Field(description="conforms, does_not_conform or cannot_tell.", examples=["does_not_conform"])
    reasons: list[str] = Field(examples=[["1.2 % of the dies placed had failed"]])


class WaitingOut(Answer):
    """Its judgement is open: import the log that tells of these cells, or mark those that stayed empty."""

    line: Number
    run: str = Field(examples=["R26-000212-5"])
    cells: list[str] = Field(description="Good cells that no log tells a die of, by panel.", examples=[["P26-000407-8: row 2 column 7"]])


class LogOut(Answer):
    """What a log added. Facts that were on the record already are `repeated`."""

    evidence: int = Field(description="Name it as `replaces` when a corrected file comes.", examples=[17])
    lines: int = Field(description="Lines that were understood.", examples=[400])
    placed: int = Field(description="New dies on cells.", examples=[398])
    lost: int = Field(description="New dies picked and lost.", examples=[2])
    wrong: int = Field(description="New placements at fault; their cells are marked.", examples=[1])
    repeated: int = Field(examples=[0])
    outside: int = Field(
        examples=[0],
        description="Lines whose time is more than a minute outside their run. Where most are, and their panels were in another run here as well, "
        "the verdict is cannot_tell.",
    )
    faults: dict[str, str] = Field(description="What is wrong -> numbers of its lines.", examples=[{"die failed": "18, 40-42"}])
    holds: list[str] = Field(description="Holds that were placed.", examples=[["H26-000003-K"]])
    judgements: list[PlacementsJudgedOut]
    waiting: list[WaitingOut] = Field(description="Lines of these runs that stay open.")
    packs: list[str] = Field(examples=[[]], description="Packs with something of what was held, or of what a correction changed.")


class WentToOut(Answer):
    panel: str = Field(examples=["P26-000407-8"])
    run: str = Field(examples=["R26-000212-5"])
    dies: int = Field(examples=[400])


class WaferAccountOut(Answer):
    """Passing dies = placed + lost + scrapped + left. The others are counted apart; wrongly used are failing_placed, not_on_map and twice."""

    wafer: str = Field(examples=["W26-000031-8"])
    part: str = Field(examples=["RD-0417"])
    role: str = Field(examples=["red"])
    gross: int = Field(examples=[98_210])
    passing: int = Field(examples=[96_004])
    placed: int = Field(examples=[40_000])
    lost: int = Field(examples=[12])
    left: int = Field(description="0 of a scrapped wafer.", examples=[55_992])
    scrapped: int = Field(description="Passing dies that were on it when it was scrapped, as the logs say by now.", examples=[0])
    scrapped_at: datetime | None = Field(description="UTC; empty while it is not scrapped.", examples=[None])
    scrapped_for: str | None = Field(description="The reason.", examples=[None])
    scrap: int | None = Field(description="The number of the count to take back, were it wrong.", examples=[None])
    failing_placed: int = Field(examples=[1])
    failing_lost: int = Field(examples=[0])
    not_on_map: int = Field(description="Positions without a die that a log used.", examples=[0])
    twice: int = Field(description="Placings of dies that were used before.", examples=[0])
    wrongly_used: int = Field(examples=[1])
    panels: list[WentToOut]


class CellOut(Answer):
    panel: PanelCode
    row: int = Field(examples=[2])
    column: int = Field(examples=[7])
    run: RunCode
    started_at: datetime = Field(description="Of the run, UTC.", examples=["2026-03-05T10:00:00Z"])
    ended_at: datetime | None = Field(description="Empty while it is open.", examples=["2026-03-05T11:10:00Z"])


class DieOut(Answer):
    wafer: WaferCode
    x: int = Field(examples=[12])
    y: int = Field(examples=[40])
    bin: str | None = Field(description="Die bin; empty where the map has no die.", examples=["1"])
    quality: str | None = Field(examples=["pass"])
    state: str = Field(description="left, placed, lost, scrapped, or no die.", examples=["placed"])
    cells: list[CellOut] = Field(description="One; several where the log used a die twice.")
    values: dict[str, float] = Field(description="What else the map's file says of the die.", examples=[{"wavelength": 621.4}])


class BinOut(Answer):
    code: str = Field(examples=["1"])
    quality: str = Field(description="pass or fail; none for no die.", examples=["pass"])
    dies: int = Field(examples=[96_004])


class WaferMapOut(Answer):
    """As a person sees the wafer: rows from the top, each from the left. x of column c is left + c * right, y of row r is top + r * down."""

    wafer: WaferCode
    columns: int = Field(examples=[360])
    rows: int = Field(examples=[358])
    left: int = Field(description="x of the leftmost column.", examples=[0])
    top: int = Field(description="y of the uppermost row.", examples=[0])
    right: int = Field(description="1 where x grows to the right, else -1.", examples=[1])
    down: int = Field(description="1 where y grows downward, else -1.", examples=[1])
    notch: str | None = Field(description="bottom, left, top or right; empty where the file does not say.", examples=["bottom"])
    origin: tuple[int, int] | None = Field(description="x and y of the die where coordinates begin.", examples=[[0, 0]])
    state_names: list[str] = Field(examples=[["no die", "left", "placed", "lost", "wrongly used", "failing", "scrapped"]])
    states: list[str] = Field(description="A text per row, a digit per die: its place in `state_names`.", examples=[["0112", "0152"]])
    bin_table: list[BinOut]
    bins: list[list[int]] = Field(description="A list per row, a number per die: its place in `bin_table`; 0 for no die.", examples=[[[0, 1, 1, 1]]])


class DieOnCell(Answer):
    role: str = Field(description="Of the die's wafer.", examples=["red"])
    placed_as: str = Field(description="The role that the step places.", examples=["red"])
    wafer: WaferCode
    x: int = Field(examples=[12])
    y: int = Field(examples=[40])
    bin: str | None = Field(examples=["1"])
    quality: str | None = Field(examples=["pass"])
    run: RunCode
    started_at: datetime = Field(description="Of the run, UTC.", examples=["2026-03-05T10:00:00Z"])
    ended_at: datetime | None = Field(description="Empty while it is open.", examples=["2026-03-05T11:10:00Z"])
    values: dict[str, float] = Field(description="What else the wafer's map says of the die.", examples=[{"wavelength": 621.4}])


class CellStoryOut(Answer):
    panel: PanelCode
    row: int = Field(examples=[2])
    column: int = Field(examples=[7])
    dies: list[DieOnCell]
    marks: list[str] = Field(description="Reasons of the marks on this cell. None: it is good.", examples=[["die failed"]])


class PlacedOut(Answer):
    role: str = Field(examples=["red"])
    wafer: WaferCode
    run: RunCode
    dies: int = Field(examples=[400])


class PanelOut(Answer):
    panel: PanelCode
    rows: int = Field(examples=[20])
    columns: int = Field(examples=[20])
    good: int = Field(examples=[398], description="Good cells, less units scrapped without a cell.")
    marks: dict[str, int] = Field(description="Reason -> cells.", examples=[{"scratched": 2}])
    placed: list[PlacedOut]
    lot: str | None = Field(examples=["L26-000058-T"], description="The lot that holds it now.")
    next_step: str | None = Field(examples=["cure"])


@router.post("/placement_logs", summary="Import a station's placement log; a corrected one replaces an earlier one")
def import_log(
    call: Calling,
    told: FormTold,
    file: Annotated[UploadFile, File(description="CSV, or SEMI E142 transfer maps.")],
    station: Annotated[str, Form(description="Code of the station that wrote it.", examples=["S-0006-H"])],
    zone: Annotated[str | None, Form(description="Zone of times that name none.", examples=["Europe/Vienna"])] = None,
    cells_from: Annotated[Literal["0", "1"] | None, Form(description="The number of its first row and column, where it leaves that open")] = None,
    replaces: Annotated[
        str | None, Form(max_length=400, description="Numbers of earlier logs (`evidence`) that this one corrects, by commas.", examples=["17"])
    ] = None,
) -> LogOut:
    """CSV with the columns time, wafer, die x, die y, panel, row, column (an empty panel: a die picked and lost), or SEMI E142 transfer maps.

    All or nothing: lines that can't be understood refuse the file by their numbers. What broke a rule is recorded and marked.
    """
    earlier = evidence_numbers(replaces)
    with call.files("import_placements", "placement_log", file):
        kept, log = read_log(call.house, file.filename or "unnamed", file.file.read(), zone, int(cells_from) if cells_from else None)

        def verb(s: Session, by: By) -> dict[str, Any]:
            return import_placements(s, by, station_of(s, station), kept, log, earlier).as_json()

        arguments = {"station": station, "file": [kept.name, kept.digest], "zone": zone, "replaces": earlier}
        arguments |= {"cells_from": cells_from} if cells_from else {}
        return LogOut(**call.do("import_placements", told, verb, path=arguments))


@router.get("/wafers/{wafer}", summary="A wafer: what is left, used, lost and wrongly used, and where its dies went")
def one_wafer(wafer: str, call: Calling) -> WaferAccountOut:
    with call.house.reading() as session:
        found = wafer_account(session, resolve(session, wafer, "wafer"))
    return WaferAccountOut(
        wafer=found.wafer, part=found.part, role=found.role, gross=found.gross, failing_placed=found.wrong.failing,
        not_on_map=found.wrong.not_on_map, twice=found.wrong.again, wrongly_used=found.wrong.total,
        panels=[WentToOut(**asdict(went)) for went in found.went_to], **asdict(found.count), scrapped=found.scrapped,
        scrapped_at=found.scrap.at if found.scrap else None, scrapped_for=found.scrap.reason if found.scrap else None,
        scrap=found.scrap.count if found.scrap else None,
    )  # fmt: skip


@router.get("/wafers/{wafer}/map", summary="A wafer's map as numbers: every die's bin and what became of it")
def wafer_map(wafer: str, call: Calling) -> WaferMapOut:
    with call.house.reading() as session:
        found = wafer_picture(session, resolve(session, wafer, "wafer"))
    table = [BinOut(code=entry.code, quality=entry.quality, dies=entry.count) for entry in found.die_map.table]
    frame, over = found.frame, found.over
    return WaferMapOut(
        wafer=found.wafer.code, columns=frame.columns, rows=frame.rows, left=frame.left, top=frame.top, right=frame.right, down=frame.down,
        notch=over.notch, origin=over.origin, state_names=["no die", *STATES], states=[(row + 48).tobytes().decode() for row in found.states],
        bin_table=table, bins=found.die_map.picture().tolist(),
    )  # fmt: skip


@router.get("/wafers/{wafer}/dies/{x}/{y}", summary="From a die to its cell")
def one_die(wafer: str, x: Coordinate, y: Coordinate, call: Calling) -> DieOut:
    with call.house.reading() as session:
        return DieOut(**asdict(die_story(session, resolve(session, wafer, "wafer"), x, y)))


@router.get("/panels/{panel}/cells/{row}/{column}", summary="From a cell to its dies")
def one_cell(panel: str, row: RowOrColumn, column: RowOrColumn, call: Calling) -> CellStoryOut:
    with call.house.reading() as session:
        return CellStoryOut(**asdict(cell_story(session, resolve(session, panel, "panel"), row, column)))


@router.get("/panels/{panel}/cells", summary="Every cell of a panel: its marks and its dies")
def all_cells(panel: str, call: Calling) -> list[CellStoryOut]:
    """Row by row from the upper left."""
    with call.house.reading() as session:
        return [CellStoryOut(**asdict(cell)) for cell in cell_list(session, panel_picture(session, resolve(session, panel, "panel")))]


@router.get("/panels/{panel}", summary="A panel: its size, good cells, marks, dies, lot and next step")
def one_panel(panel: str, call: Calling) -> PanelOut:
    with call.house.reading() as session:
        found = panel_story(session, resolve(session, panel, "panel"))
    placed = [PlacedOut(role=role, wafer=wafer, run=run, dies=n) for role, wafer, run, n in found.dies]
    return PanelOut(
        panel=found.panel, rows=found.rows, columns=found.columns, good=found.good, marks=found.marks, placed=placed, lot=found.lot,
        next_step=found.next_step,
    )  # fmt: skip
