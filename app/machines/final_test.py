"""Ends over the API that make loose units: singulation, and a test with counts by bin or with the tester's unit results."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import File, Form, UploadFile
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.definitions import BinTableBody
from app.catalogue.known import Defined
from app.errors import bad_input
from app.final_test.bin_tables import bin_table_of
from app.final_test.bins_out import take_bins_out, with_grades
from app.final_test.result_columns import Decimal
from app.final_test.result_corrections import correct_unit_results
from app.final_test.results_in import ResultsFile, import_unit_results, read_results
from app.final_test.singulate import singulate
from app.floor.amounts import book_of
from app.floor.counts_at_finish import must_be_counted
from app.journal.act import By
from app.ledger.counts import CountEntry
from app.machines.bodies import Answer, Container, CountIn, LotCode, Name, Units
from app.machines.call_router import call_router
from app.machines.calls import Call, Calling, FormTold
from app.machines.names import open_run, person_of, run_named, values_of
from app.machines.runs import FinishIn
from app.naming.resolve import code_of, resolve

router = call_router("runs")
ADecimal = Annotated[Decimal | None, Form(description="The decimal sign, where the file leaves it open")]


class SingulateIn(FinishIn):
    container: Container | None = Field(None, description="The jar or tray that the units go into.")
    counted: CountIn | None = Field(None, description="A physical count of the loose units.")


class SingulatedOut(Answer):
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


class BinLot(Answer):
    bin: str = Field(examples=["B1"])
    grade: str = Field(examples=["prime"])
    lot: LotCode
    units: int = Field(examples=[8540])


class BinsOut(Answer):
    bins: list[BinLot]


class ResultsOut(BinsOut):
    rows: int = Field(examples=[8930])
    by_failure: dict[str, int] = Field(examples=[{"open red": 31, "leak": 8}])
    tester_bin_differs: int = Field(examples=[0], description="Units that the tester put into another bin than the table does.")


class CorrectedResultsOut(Answer):
    differences: dict[str, int] = Field(description="By bin: how many units more, or less, than was said.", examples=[{"B1": -12, "B2": 12}])
    held: list[LotCode] = Field(description="Lots of bins that held units of another: they and what came of them are held.")
    packs: list[str] = Field(description="Packs with something of what is held.", examples=[["K26-000096-9"]])


@router.post("/runs/{run}/singulate", summary="End a singulation (or outside work that mixes): its panels become one loose lot")
def end_singulation(run: str, body: SingulateIn, call: Calling) -> SingulatedOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        counted = (body.counted.units, body.counted.method, body.counted.u) if body.counted else None
        box = resolve(s, body.container, "container").id if body.container else None
        one = open_run(s, run)
        must_be_counted(s, by, one, body.counted.method if body.counted else None)
        lot = singulate(
            s, by, one, values_of(body.values), person=person_of(s, body.person, call.person), container=box, counted=counted
        )
        return {"lot": code_of(s, "lot", lot.item), "units": book_of(s, lot.item)} | _compared(s, lot.item)

    return SingulatedOut(**call.do("singulate", body, verb, path={"run": run}))


def _compared(session: Session, lot: int) -> dict[str, Any]:
    """How the count of a new loose lot differs, where there was one."""
    row = session.scalar(select(CountEntry).where(CountEntry.item == lot, CountEntry.kind == "counted").order_by(CountEntry.id.desc()).limit(1))
    return {"difference": row.units - (row.book or 0), "within": row.within} if row else {}


@router.post("/runs/{run}/bins", summary="End a test run with counts by bin: one loose lot per bin")
def end_test(run: str, body: BinsIn, call: Calling) -> BinsOut:
    if len({one.bin for one in body.bins}) < len(body.bins):
        raise bad_input("A bin appears twice.", "bins", "Each bin is named once.", "Add its units up.")

    def verb(s: Session, by: By) -> dict[str, Any]:
        one = open_run(s, run)
        counts = with_grades(s, one, {each.bin: each.units for each in body.bins})
        lots = take_bins_out(s, by, one, counts, values_of(body.values), person=person_of(s, body.person, call.person))
        return bins_as_json(s, lots, counts)

    return BinsOut(**call.do("bin_out", body, verb, path={"run": run}))


@router.post("/runs/{run}/unit_results", summary="End a test run with the tester's unit results: one loose lot per bin")
def end_test_by_file(
    run: str,
    call: Calling,
    told: FormTold,
    file: Annotated[UploadFile, File(description="CSV: unit, pass or failure code, chromaticity, intensity, other numbers; the tester's own bin.")],
    person: Annotated[str | None, Form(description="Badge code of who did it, if not the caller.", examples=["E-0004-P"])] = None,
    decimal: ADecimal = None,
) -> ResultsOut:
    table = _table_of(call, run)
    with call.files("import_unit_results", "unit_results", file):
        results = read_results(call.house, file.filename or "unnamed", file.file, table, decimal)

        def verb(s: Session, by: By) -> dict[str, Any]:
            lots = import_unit_results(s, by, open_run(s, run), results, person=person_of(s, person, call.person))
            found = results.results
            return bins_as_json(s, lots, found.counts_by_bin) | {
                "rows": found.rows, "by_failure": found.counts_by_failure, "tester_bin_differs": found.tester_bin_differs,
            }  # fmt: skip

        arguments = _arguments(run, results, decimal) | ({"person": person} if person else {})
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
    table = _table_of(call, run)
    with call.files("correct_unit_results", "unit_results", file):
        results = read_results(call.house, file.filename or "unnamed", file.file, table, decimal)

        def verb(s: Session, by: By) -> dict[str, Any]:
            return asdict(correct_unit_results(s, by, run_named(s, run), results, reason))

        arguments = _arguments(run, results, decimal) | {"reason": reason}
        return CorrectedResultsOut(**call.do("correct_unit_results", told, verb, path=arguments))


def _table_of(call: Call, run: str) -> Defined[BinTableBody]:
    """Of a run that is open or not: a repeat of the key gets the first answer."""
    with call.house.reading() as session:
        return bin_table_of(session, run_named(session, run))


def _arguments(run: str, results: ResultsFile, decimal: Decimal | None) -> dict[str, Any]:
    return {"run": run, "file": [results.kept.name, results.kept.digest]} | ({"decimal": decimal} if decimal else {})


def bins_as_json(session: Session, lots: dict[str, Any], counts: dict[tuple[str, str], int]) -> dict[str, Any]:
    grades = {name: (grade, units) for (name, grade), units in counts.items()}
    return {
        "bins": [
            {"bin": name, "grade": grades[name][0], "lot": code_of(session, "lot", lot.item), "units": grades[name][1]} for name, lot in lots.items()
        ]
    }
