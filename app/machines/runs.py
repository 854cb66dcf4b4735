"""Runs over the API: start, finish, interrupt, abort, void; singulation and the bins of a test."""

from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, File, Form, UploadFile
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.final_test.bin_tables import bin_table_of
from app.final_test.bins_out import take_bins_out, with_grades
from app.final_test.result_columns import Decimal
from app.final_test.result_corrections import correct_unit_results
from app.final_test.results_in import import_unit_results, read_results
from app.final_test.singulate import singulate
from app.floor.amounts import book_of
from app.floor.ends import Value, abort_run, finish_run, interrupt_run
from app.floor.groups import Group, gather
from app.floor.interrupted import covered
from app.floor.readings import correct_reading, take_reading
from app.floor.starts import start_run
from app.floor.voids import void_run
from app.journal.act import By
from app.ledger.counts import CountEntry
from app.ledger.runs import Line, Reading, Run, RunVoid
from app.ledger.sets import panels_of as panels_in_set
from app.machines.bodies import (
    AStation,
    AThing,
    ByPerson,
    Container,
    CountIn,
    InPath,
    LotCode,
    Name,
    Number,
    PanelCode,
    Panels,
    RunCode,
    StationCode,
    Told,
    Units,
    ValueIn,
    Words,
    shown,
)
from app.machines.calls import PROBLEMS, Call, FormTold, calling
from app.machines.names import open_run, panel_codes, panels_of, person_of, run_named, said, station_of, things_of, values_of
from app.naming.resolve import code_of, codes_of, resolve

router = APIRouter(prefix="/api/v1", tags=["runs"], responses=PROBLEMS)
Calling = Annotated[Call, Depends(calling)]
ADecimal = Annotated[Decimal | None, Form(description="The decimal sign, where the file leaves it open")]


class RunIn(ByPerson):
    """Starts what comes next for these things at a station."""

    model_config = shown(
        {"person": "E-0004-P", "station": "S-0006-H", "things": ["C-0118-W"]},
        {"station": "S-0006-H", "things": ["L26-000058-T"], "panels": ["P26-000407-8"], "step": "plasma"},
    )

    station: AStation
    things: list[AThing] = Field(min_length=1, description="Containers, lots, panels or packs.")
    panels: Panels | None = Field(None, description="Only these panels of them.")
    step: Name | None = Field(None, description="Key of the route's step, where it is not the next one (a repeat).", examples=["attach"])
    shelf: Name | None = Field(None, description="Of an oven that is loaded and started in one.", examples=["1"])
    line_clear: bool = Field(False, description="Test and taping: someone looked, and nothing of the lot before is left in the machine.")


class LineOut(BaseModel):
    line: Number
    step: str | None = Field(description="Key of the route's step.", examples=["attach"])
    round: int = Field(examples=[1])
    lot: LotCode | None
    shelf: str | None = Field(examples=[None])
    panels: list[PanelCode] = Field(description="That it has, or had, in work.")
    item: str | None = Field(description="Or the loose lot or pack.", examples=[None])
    open: bool
    panels_done: list[PanelCode] = Field([], description="Of an interrupted or aborted run: those for which the step is done.")
    panels_perhaps: list[PanelCode] = Field([], description="And those that it may have begun: they come to the step again.")


class ReadingOut(BaseModel):
    reading: int = Field(description="Its number, for a correction.", examples=[311])
    run: RunCode
    name: str = Field(examples=["pull"])
    value: float = Field(examples=[5.4])
    unit: str = Field(examples=["gf"])
    within: bool


class RunOut(BaseModel):
    run: RunCode
    operation: str = Field(examples=["die attach"])
    station: StationCode
    started_at: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    ended_at: datetime | None = Field(examples=[None])
    outcome: str | None = Field(None, description="done, interrupted or aborted; empty while it is open.", examples=[None])
    voided: bool = Field(description="Entered wrongly: in no trace, and gates nothing.", examples=[False])
    lines: list[LineOut]
    readings: list[ReadingOut] = Field(default=[], description="Those in force, when the run is asked for; no other answer lists them.")


class FinishIn(ByPerson):
    values: list[ValueIn] = Field(default=[], max_length=1000)


class StopIn(ByPerson):
    """What was said. Panels not said may have been done or not; with both lists a panel in neither was surely not reached.

    The next start of the magazine or lot takes the rest by itself: panels done are left out, those perhaps in work are in it.
    """

    panels_done: Panels | None = Field(None, description="Surely done.")
    panels_in_work: Panels | None = Field(None, description="Begun and not done; empty: none was. Without `panels_done` it says nothing.")


class VoidIn(Told):
    reason: Words = Field(examples=["entered at the wrong station"])


class SingulateIn(FinishIn):
    container: Container | None = Field(None, description="The jar or tray that the units go into.")
    counted: CountIn | None = Field(None, description="A physical count of the loose units.")


class LooseOut(BaseModel):
    lot: LotCode
    units: int = Field(description="By the book: good cells.", examples=[8930])
    difference: int | None = Field(None, description="What was counted less the book; empty: nothing was counted.", examples=[-20])
    within: bool | None = Field(None, description="Inside twice the combined uncertainty. No: it must be signed for.", examples=[True])


class BinIn(BaseModel):
    model_config = ConfigDict(extra="forbid")

    bin: Name = Field(description="Of the step's bin table, by name.", examples=["B1"])
    units: Units


class BinsIn(FinishIn):
    """Counts by bin. Where the tester gives a file, import its unit results instead."""

    bins: list[BinIn] = Field(min_length=1)


class BinLot(BaseModel):
    bin: str = Field(examples=["B1"])
    grade: str = Field(examples=["prime"])
    lot: LotCode
    units: int = Field(examples=[8540])


class BinsOut(BaseModel):
    bins: list[BinLot]


class ResultsOut(BinsOut):
    rows: int = Field(examples=[8930])
    by_failure: dict[str, int] = Field(examples=[{"open red": 31, "leak": 8}])
    tester_bin_differs: int = Field(examples=[0], description="Units that the tester put into another bin than the table does.")


class CorrectedResultsOut(BaseModel):
    differences: dict[str, int] = Field(description="By bin: how many units more, or less, than was said.", examples=[{"B1": -12, "B2": 12}])
    held: list[LotCode] = Field(description="Lots of bins that held units of another: they and what came of them are held.")
    packs: list[str] = Field(description="Packs with something of what is held.", examples=[["K26-000096-9"]])


class GroupOut(BaseModel):
    """Things of one lot that stand alike."""

    lot: LotCode | None
    panels: int = Field(description="How many; 0 for loose units.", examples=[15])
    panel_codes: list[PanelCode] = []
    next_step: str | None = Field(description="Key of the route's step; empty: nothing is left.", examples=["cure"])
    next_step_name: str | None = Field(examples=["cure 1"])
    operation: str | None = Field(examples=["cure"])
    round: int = Field(examples=[1])
    done: list[str] = Field(examples=[["attach"]])


class ReadingIn(Told, ValueIn):
    """A value, by the name that the step has for it."""


class CorrectIn(Told):
    value: float = Field(examples=[5.4], allow_inf_nan=False)
    reason: Words = Field(examples=["read from the wrong scale"])


class NextOut(BaseModel):
    """Where things stand on their routes."""

    groups: list[GroupOut]


@router.post("/runs", summary="Start a run")
def start(body: RunIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        station = station_of(s, body.station)
        done = start_run(
            s, by, station, things_of(s, body.things), step=body.step, only=panels_of(s, body.panels), person=person_of(s, body.person, call.person),
            shelf=body.shelf, line_clear=body.line_clear,
        )  # fmt: skip
        return run_as_json(s, done.run)

    return RunOut(**call.do("start_run", body, verb))


@router.post("/runs/{run}/finish", summary="Finish a run, with the values that its step records")
def finish(run: str, body: FinishIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = open_run(s, run)
        _must_have_no_end_of_its_own(one)
        finish_run(s, by, one, values_of(body.values), person=person_of(s, body.person, call.person))
        return run_as_json(s, one)

    return RunOut(**call.do("finish_run", body, verb, path={"run": run}))


@router.post("/runs/{run}/interrupt", summary="Interrupt a run: what is not surely done comes to the step again")
def interrupt(run: str, body: StopIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = open_run(s, run)
        interrupt_run(s, by, one, said(s, body.panels_done, body.panels_in_work), person=person_of(s, body.person, call.person))
        return run_as_json(s, one)

    return RunOut(**call.do("interrupt_run", body, verb, path={"run": run}))


@router.post("/runs/{run}/abort", summary="Abort a run: nothing of it counts as done; an oven's heat counts")
def abort(run: str, body: ByPerson, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = open_run(s, run)
        abort_run(s, by, one, person=person_of(s, body.person, call.person))
        return run_as_json(s, one)

    return RunOut(**call.do("abort_run", body, verb, path={"run": run}))


@router.post("/runs/{run}/void", summary="Void a run that was entered wrongly")
def void(run: str, body: VoidIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = run_named(s, run)
        void_run(s, by, one, body.reason)
        return run_as_json(s, one)

    return RunOut(**call.do("void_run", body, verb, path={"run": run}))


@router.post("/runs/{run}/singulate", summary="End a singulation (or outside work that mixes): its panels become one loose lot")
def end_singulation(run: str, body: SingulateIn, call: Calling) -> LooseOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        counted = (body.counted.units, body.counted.method, body.counted.u) if body.counted else None
        box = resolve(s, body.container, "container").id if body.container else None
        lot = singulate(
            s, by, open_run(s, run), values_of(body.values), person=person_of(s, body.person, call.person), container=box, counted=counted
        )
        return {"lot": code_of(s, "lot", lot.item), "units": book_of(s, lot.item)} | _compared(s, lot.item)

    return LooseOut(**call.do("singulate", body, verb, path={"run": run}))


def _compared(session: Session, lot: int) -> dict[str, Any]:
    """How the count of a new loose lot differs, where there was one."""
    row = session.scalar(select(CountEntry).where(CountEntry.item == lot, CountEntry.kind == "counted").order_by(CountEntry.id.desc()).limit(1))
    return {"difference": row.units - (row.book or 0), "within": row.within} if row else {}


@router.post("/runs/{run}/bins", summary="End a test run with counts by bin: one loose lot a bin")
def end_test(run: str, body: BinsIn, call: Calling) -> BinsOut:
    if len({one.bin for one in body.bins}) < len(body.bins):
        raise bad_input("A bin stands twice.", "bins", "Each bin is named once.", "Add its units up.")

    def verb(s: Session, by: By) -> dict[str, Any]:
        one = open_run(s, run)
        counts = with_grades(s, one, {each.bin: each.units for each in body.bins})
        lots = take_bins_out(s, by, one, counts, values_of(body.values), person=person_of(s, body.person, call.person))
        return bins_as_json(s, lots, counts)

    return BinsOut(**call.do("bin_out", body, verb, path={"run": run}))


@router.post("/runs/{run}/unit_results", summary="End a test run with the tester's unit results: one loose lot a bin")
def end_test_by_file(
    run: str,
    call: Calling,
    told: FormTold,
    file: Annotated[UploadFile, File(description="CSV: unit, pass or failure code, chromaticity, intensity, other numbers; the tester's own bin.")],
    person: Annotated[str | None, Form(description="Badge code of who did it, if not the caller.", examples=["E-0004-P"])] = None,
    decimal: ADecimal = None,
) -> ResultsOut:
    with call.house.reading() as session:
        table = bin_table_of(session, run_named(session, run))  # open or not: a repeat of the key gets the first answer
    with call.files("import_unit_results", "unit_results", file):
        results = read_results(call.house, file.filename or "unnamed", file.file, table, decimal)

        def verb(s: Session, by: By) -> dict[str, Any]:
            lots = import_unit_results(s, by, open_run(s, run), results, person=person_of(s, person, call.person))
            found = results.results
            return bins_as_json(s, lots, found.counts_by_bin) | {
                "rows": found.rows, "by_failure": found.counts_by_failure, "tester_bin_differs": found.tester_bin_differs,
            }  # fmt: skip

        arguments = {"run": run, "file": [results.kept.name, results.kept.digest]} | ({"decimal": decimal} if decimal else {})
        return ResultsOut(**call.do("import_unit_results", told, verb, path=arguments))


@router.post("/runs/{run}/unit_results/correct", summary="Correct unit results that were wrong: a right file replaces them in the open")
def correct_results(
    run: str,
    call: Calling,
    told: FormTold,
    file: Annotated[UploadFile, File(description="The right file, as for unit results.")],
    reason: Annotated[str, Form(min_length=1, max_length=1000, examples=["the file of the lot before was sent"])],
    decimal: ADecimal = None,
) -> CorrectedResultsOut:
    """Amounts that have left stay; differences are booked by bin; what was said to be of a bin and is not is held, and its packs are listed."""
    with call.house.reading() as session:
        table = bin_table_of(session, run_named(session, run))
    with call.files("correct_unit_results", "unit_results", file):
        results = read_results(call.house, file.filename or "unnamed", file.file, table, decimal)

        def verb(s: Session, by: By) -> dict[str, Any]:
            return asdict(correct_unit_results(s, by, run_named(s, run), results, reason))

        arguments = {"run": run, "file": [results.kept.name, results.kept.digest], "reason": reason} | ({"decimal": decimal} if decimal else {})
        return CorrectedResultsOut(**call.do("correct_unit_results", told, verb, path=arguments))


@router.post("/runs/{run}/readings", summary="Record a reading at a run, also after it")
def take(run: str, body: ReadingIn, call: Calling) -> ReadingOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        return _reading(s, take_reading(s, by, run_named(s, run), Value(body.name, body.value, body.unit)))

    return ReadingOut(**call.do("take_reading", body, verb, path={"run": run}))


@router.post("/readings/{reading}/correct", summary="Correct a reading that was entered wrongly, in the open")
def correct(reading: InPath, body: CorrectIn, call: Calling) -> ReadingOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        return _reading(s, correct_reading(s, by, reading, body.value, body.reason).reading)

    return ReadingOut(**call.do("correct_reading", body, verb, path={"reading": reading}))


@router.get("/next/{thing}", summary="What comes next for a container, lot or panel")
def what_next(thing: str, call: Calling) -> NextOut:
    with call.house.reading() as s:
        return NextOut(groups=[group_out(s, group) for group in gather(s, [resolve(s, thing)])])


@router.get("/runs/{run}", summary="A run, its lines and its readings")
def see_run(run: str, call: Calling) -> RunOut:
    with call.house.reading() as s:
        one = run_named(s, run)
        readings = s.scalars(select(Reading).where(Reading.run == one.id, Reading.closed_e.is_(None)).order_by(Reading.id))
        return RunOut(**run_as_json(s, one), readings=[ReadingOut(**_reading(s, reading)) for reading in readings])


def group_out(session: Session, group: Group) -> GroupOut:
    steps = catalogue.route(session, group.route).body.steps if group.route else ()
    following = next((step for step in steps if step.key == group.next_step), None)
    return GroupOut(
        lot=code_of(session, "lot", group.lot) if group.lot else None, panels=len(group.panels), panel_codes=panel_codes(session, group.panels),
        next_step=group.next_step, next_step_name=following.name if following else None, operation=following.operation if following else None,
        round=group.round, done=sorted({doing.step for stand in group.progress for doing in stand.doings}),
    )  # fmt: skip


def _reading(session: Session, one: Reading) -> dict[str, Any]:
    return {
        "reading": one.id, "run": code_of(session, "run", one.run), "name": one.name, "value": one.value, "unit": one.unit, "within": one.within,
    }  # fmt: skip


def run_as_json(session: Session, run: Run) -> dict[str, Any]:
    session.flush()
    lines = session.scalars(select(Line).where(Line.run == run.id).order_by(Line.id))
    did = covered(session, run) if run.outcome in ("interrupted", "aborted") else {}
    return {
        "run": code_of(session, "run", run.id), "operation": run.operation, "station": code_of(session, "station", run.station),
        "started_at": run.started_at.isoformat(), "ended_at": run.ended_at.isoformat() if run.ended_at else None, "outcome": run.outcome,
        "voided": session.get(RunVoid, run.id) is not None,
        "lines": [_line(session, line) | _did(session, *did.get(line.id, ([], []))) for line in lines],
    }  # fmt: skip


def _line(session: Session, line: Line) -> dict[str, Any]:
    item = next((code for kind in ("lot", "pack") for code in codes_of(session, kind, [line.item]).values()), None) if line.item else None
    return {
        "line": line.id, "step": line.step, "round": line.round, "lot": code_of(session, "lot", line.lot) if line.lot else None,
        "shelf": line.shelf, "panels": panel_codes(session, panels_in_set(session, line.set)) if line.set else [], "item": item,
        "open": line.closed_e is None,
    }  # fmt: skip


def _did(session: Session, done: list[int], perhaps: list[int]) -> dict[str, Any]:
    return {"panels_done": panel_codes(session, done), "panels_perhaps": panel_codes(session, perhaps)}


def bins_as_json(session: Session, lots: dict[str, Any], counts: dict[tuple[str, str], int]) -> dict[str, Any]:
    grades = {name: (grade, units) for (name, grade), units in counts.items()}
    return {
        "bins": [
            {"bin": name, "grade": grades[name][0], "lot": code_of(session, "lot", lot.item), "units": grades[name][1]} for name, lot in lots.items()
        ]
    }


def _must_have_no_end_of_its_own(run: Run) -> None:
    ends = {"singulate": "singulate", "test": "bins or unit_results", "tape": "close its pack"}
    if run.operation in ends:
        raise bad_input(f"A {run.operation} run ends otherwise.", "run", "Its units go on as something new.", f"End it by: {ends[run.operation]}.")

