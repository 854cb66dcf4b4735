"""Oven loads over the API, and the files of their loggers."""

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import File, Form, UploadFile
from pydantic import Field
from sqlalchemy.orm import Session

from app.errors import bad_input
from app.journal.act import By
from app.ledger import walk
from app.ledger.judgements import Judgement
from app.ledger.places import Load
from app.ledger.runs import Line, Run
from app.ledger.sets import panels_of as panels_in_set
from app.ledger.travels import panels_of_lines
from app.machines.bodies import Answer, AStation, AThing, ByPerson, InPath, LoadCode, LotCode, Name, Number, PanelCode, Panels, RunCode, Told
from app.machines.call_router import call_router
from app.machines.calls import Calling, FormTold, as_stated
from app.machines.names import doer_of, evidence_numbers, panel_codes, panels_of, person_of, run_named, station_of, things_of, values_of
from app.machines.runs import FinishIn, RunOut, run_as_json
from app.naming.resolve import Named, code_of, codes_of, resolve
from app.ovens import loads
from app.ovens.heat import RoundHeat
from app.ovens.judging import abort_load, end_load, fits_no_cure, import_logger_file, judge_again, read_logger_file, reads_as
from app.ovens.logger_table import Stated
from app.ovens.panel_heat import AdhesiveHeat, SameHeat, heat_of_load, heat_of_panels

router = call_router("ovens")


class LoadIn(Told):
    station: AStation = Field(description="The oven.")
    recipe: Name = Field(description="Name of the recipe; the load runs the revision in force now.", examples=["DIE-170"])


class PutIn(Told):
    things: list[AThing] = Field(min_length=1, description="Containers, lots or panels.")
    shelf: Name = Field(description="As the oven's shelves are named; of an oven without names for them, any word.", examples=["1"])
    panels: Panels | None = Field(None, description="Only these panels of them.")


class TakeIn(Told):
    things: list[AThing] = Field(min_length=1, description="Containers, lots or panels.")


class StartIn(ByPerson):
    version: Annotated[int, Field(ge=0, le=2**63 - 1)] | None = Field(
        None, examples=[3], description="The load's version as the starter saw it. Another one is refused, with the difference."
    )


class ShelfOut(Answer):
    shelf: str = Field(examples=["1"])
    lot: LotCode
    step: str = Field(examples=["cure"])
    panels: list[PanelCode]


class LoadOut(Answer):
    load: LoadCode
    state: str = Field(description="being filled, running, ended, aborted, interrupted or cancelled", examples=["being filled"])
    version: int = Field(description="Send it with the start: a load that was changed meanwhile is refused.", examples=[3])
    run: RunCode | None = Field(description="Once it has started.")
    shelves: list[ShelfOut] = Field(description="What is on them; of a load that has ended, what was.")


@router.post("/loads", summary="Begin an oven load")
def begin(body: LoadIn, call: Calling) -> LoadOut:
    return LoadOut(**call.do("begin_load", body, lambda s, by: load_as_json(s, loads.begin_load(s, by, station_of(s, body.station), body.recipe))))


@router.post("/loads/{load}/put", summary="Put panels on a shelf of a load")
def put(load: str, body: PutIn, call: Calling) -> LoadOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = _of(s, load)
        loads.add_to_load(s, by, one, things_of(s, body.things), body.shelf, panels_of(s, body.panels))
        return load_as_json(s, one)

    return LoadOut(**call.do("add_to_load", body, verb, path={"load": load}))


@router.post("/loads/{load}/take_out", summary="Take panels out of a load that has not started")
def take(load: str, body: TakeIn, call: Calling) -> LoadOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = _of(s, load)
        loads.take_from_load(s, by, one, things_of(s, body.things))
        return load_as_json(s, one)

    return LoadOut(**call.do("take_from_load", body, verb, path={"load": load}))


@router.post("/loads/{load}/cancel", summary="Cancel a load that has not started")
def cancel(load: str, body: Told, call: Calling) -> LoadOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = _of(s, load)
        loads.cancel_load(s, by, one)
        return load_as_json(s, one)

    return LoadOut(**call.do("cancel_load", body, verb, path={"load": load}))


@router.post("/loads/{load}/start", summary="Start a load: it is one run from now")
def start(load: str, body: StartIn, call: Calling) -> LoadOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = _of(s, load)
        loads.start_load(s, by, one, body.version, person=doer_of(s, by, body.person, call.person))
        return load_as_json(s, one)

    return LoadOut(**call.do("start_load", body, verb, path={"load": load}))


@router.post("/loads/{load}/end", summary="End a load: the oven has run and its door is open")
def end(load: str, body: FinishIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = _of(s, load)
        end_load(s, by, one, values_of(body.values), person=person_of(s, body.person, call.person))
        return run_as_json(s, s.get_one(Run, one.run or 0))

    return RunOut(**call.do("end_load", body, verb, path={"load": load}))


@router.post("/loads/{load}/abort", summary="Abort a load: its heat counts, the cure is to be completed by another")
def abort(load: str, body: ByPerson, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        return run_as_json(s, abort_load(s, by, _of(s, load), person=person_of(s, body.person, call.person)))

    return RunOut(**call.do("abort_load", body, verb, path={"load": load}))


@router.get("/loads/{load}", summary="A load, its shelves and its version")
def see(load: str, call: Calling) -> LoadOut:
    with call.house.reading() as s:
        return LoadOut(**load_as_json(s, _of(s, load)))


class JudgedLine(Answer):
    line: Number
    run: RunCode
    verdict: str = Field(description="conforms, does_not_conform or cannot_tell.", examples=["does_not_conform"])
    reasons: list[dict[str, Any]] = Field(examples=[[{"text": "Sensor O1-2 was below 165 \u00b0C for 12 min of the soak."}]])
    worse: bool = Field(description="It was judged better before; what is still here is held now.")
    packs: list[AThing] = Field(
        [], description="Where it does not conform or cannot be told: packs with something of its panels, shipped ones too.", examples=[[]]
    )


class JudgedOut(Answer):
    evidence: int | None = Field(None, description="Name it as `replaces` when a right file comes.", examples=[17])
    read_as: str = Field(
        "", description="How the file's times were read and which cures it was taken for, by the site's clock: look whether they are meant.",
        examples=["Read as from 2026-03-01 07:25 CET to 2026-03-01 09:40 CET, and taken for what Oven 1 did then: R26-000212-5, from ..."],
    )  # fmt: skip
    judged: list[JudgedLine]
    warning: str | None = Field(None, description="Where the file covers no load of the oven: what to check.", examples=["The file fits no cure."])


class RoundHeatOut(Answer):
    run: str = Field(description="The cure.", examples=["R26-000212-5"])
    least: float = Field(description="Equivalent minutes on the coldest sensor of its shelf.", examples=[104.2])
    greatest: float = Field(description="On the hottest.", examples=[108.9])
    complete: bool = Field(description="Nothing is wrong with its record; else it was at least so much.")


class AdhesiveHeatOut(Answer):
    """What all cures since did to an adhesive, aborted ones too: Arrhenius-equivalent minutes at the set point of the cure after its step."""

    part: str = Field(examples=["GLUE-7"])
    batches: list[str] = Field(examples=[["B26-000012-0"]])
    step: str = Field(description="Key of the step at which it was put on.", examples=["attach"])
    placed_at: datetime = Field(examples=["2026-03-01T07:30:00Z"])
    recipe: str | None = Field(description="Whose activation energy and least minutes count.", examples=["C170"])
    reference_c: float | None = Field(examples=[170.0])
    rounds: list[RoundHeatOut]
    least: float | None = Field(description="Sum on the coldest sensors. Empty: the recipe gives no activation energy.", examples=[104.2])
    greatest: float | None = Field(examples=[108.9])
    degree_least: float | None = Field(description="Degree of cure, where the recipe has kinetics.", examples=[None])
    degree_greatest: float | None = Field(examples=[None])
    complete: bool = Field(description="Every record is whole.")
    needed: float | None = Field(description="By the recipe.", examples=[105.0])
    short: float | None = Field(description="What the least lacks; empty: nothing is asked.", examples=[0.8])


class SameHeatOut(Answer):
    panels: list[PanelCode] = Field(description="That had the same work.")
    shelf: str | None = Field(None, description="In this load.", examples=["1"])
    adhesives: list[AdhesiveHeatOut]


class HeatOut(Answer):
    heat: list[SameHeatOut]


@router.get("/panels/{panel}/heat", summary="The heat ledger of a panel: what every cure did to each adhesive, and what is short")
def panel_heat(panel: str, call: Calling) -> HeatOut:
    with call.house.reading() as s:
        return HeatOut(heat=[_same_heat(one) for one in heat_of_panels(s, [resolve(s, panel, "panel").id])])


@router.get("/loads/{load}/heat", summary="The heat ledger of the panels in a load, all cures so far")
def load_heat(load: str, call: Calling) -> HeatOut:
    with call.house.reading() as s:
        run = run_named(s, load)
        return HeatOut(heat=[_same_heat(one, line.shelf) for line, same in heat_of_load(s, run) for one in same])


@router.post("/logger_files", summary="Import the file of an oven's logger; the cures that it tells of are judged")
def import_file(
    call: Calling,
    told: FormTold,
    file: Annotated[UploadFile, File(description="CSV with a time column and any number of sensors.")],
    station: Annotated[str, Form(description="The oven.", examples=["S-0006-H"])],
    date_order: Annotated[Literal["day", "month", "year"] | None, Form(description="Which comes first, where the file leaves it open")] = None,
    zone: Annotated[str | None, Form(description="Zone of times that name none: Europe/Berlin, or +01:00")] = None,
    unit: Annotated[Literal["C", "F", "mV type K"] | None, Form(description="Of the values, where the file does not say")] = None,
    decimal: Annotated[Literal[".", ","] | None, Form(description="The decimal sign, where the file leaves it open")] = None,
    encoding: Annotated[Literal["latin-1"] | None, Form(description="Of the text, if it is not UTF-8 or UTF-16")] = None,
    time_column: Annotated[str | None, Form(description="Heading of the column with the time, where several could be it")] = None,
    sensors: Annotated[str | None, Form(description="Headings of the only columns to read as sensors, separated by semicolons")] = None,
    cold_junction_column: Annotated[str | None, Form(description="Of millivolts: heading of the column with the cold junction")] = None,
    cold_junction_c: Annotated[float | None, Form(description="Of millivolts without such a column: its temperature in degrees C")] = None,
    broken_values: Annotated[str | None, Form(description="What it writes for a broken sensor, separated by semicolons", examples=["-200"])] = None,
    replaces: Annotated[
        str | None,
        Form(max_length=400, description="Numbers of earlier files (`evidence`) that were wrong, or read wrongly, by commas.", examples=["17"]),
    ] = None,
) -> JudgedOut:
    """A file that was stated wrongly is sent again as it is meant, and `replaces` the number that it had: what it judged is judged anew."""
    earlier = evidence_numbers(replaces)
    stated = Stated(
        date_order, zone, unit, decimal, encoding, time_column, _parted(sensors), cold_junction_column, cold_junction_c, _numbers(broken_values)
    )
    with call.files("import_logger_file", "logger_file", file):
        kept, trace = read_logger_file(call.house, file.filename or "unnamed", file.file.read(), stated)

        def verb(s: Session, by: By) -> dict[str, Any]:
            oven = station_of(s, station)
            done = import_logger_file(s, by, oven, kept, trace, stated, earlier)
            judged = done.judged
            lines = [_judged(s, one.line, one.judgement, worse=one.worse) for one in (*judged, *done.without)]
            return {
                "evidence": done.evidence, "read_as": reads_as(s, oven, trace, judged), "judged": lines,
                "warning": None if judged else fits_no_cure(s, oven, trace),
            }  # fmt: skip

        arguments = {"station": station, "file": [kept.name, kept.digest]} | as_stated(stated) | ({"replaces": earlier} if earlier else {})
        return JudgedOut(**call.do("import_logger_file", told, verb, path=arguments))


def _parted(text: str | None) -> tuple[str, ...]:
    return tuple(one for one in map(str.strip, (text or "").split(";")) if one)


def _numbers(text: str | None) -> tuple[float, ...]:
    try:
        return tuple(map(float, _parted(text)))
    except ValueError:
        raise bad_input("That is not understood.", "broken_values", f"{text!r} is not a number.", "State numbers, separated by semicolons.") from None


@router.post("/lines/{line}/judge", summary="Judge a cure again, by the files that are here")
def judge(line: InPath, body: Told, call: Calling) -> JudgedLine:
    def verb(s: Session, by: By) -> dict[str, Any]:
        done = judge_again(s, by, line)
        return _judged(s, done.line, done.judgement, worse=done.worse)

    return JudgedLine(**call.do("judge", body, verb, path={"line": line}))


def _same_heat(same: SameHeat, shelf: str | None = None) -> SameHeatOut:
    return SameHeatOut(panels=list(same.panels), shelf=shelf, adhesives=[_adhesive(one) for one in same.adhesives])


def _round(one: RoundHeat) -> RoundHeatOut:
    run = one.round.removeprefix("run ")  # the code alone, which leads back here
    return RoundHeatOut(run=run, least=one.equivalent_minutes_coldest, greatest=one.equivalent_minutes_hottest, complete=one.complete)


def _adhesive(one: AdhesiveHeat) -> AdhesiveHeatOut:
    heat = one.heat
    rounds = [_round(each) for each in (heat.rounds if heat else ())]
    return AdhesiveHeatOut(
        part=one.part, batches=list(one.batches), step=one.step, placed_at=one.placed_at, recipe=one.recipe, reference_c=one.reference_c,
        rounds=rounds, least=heat.equivalent_minutes_coldest if heat else None, greatest=heat.equivalent_minutes_hottest if heat else None,
        degree_least=heat.degree_coldest if heat else None, degree_greatest=heat.degree_hottest if heat else None,
        complete=bool(heat and heat.complete), needed=one.needed, short=one.short,
    )  # fmt: skip


def _judged(session: Session, line: Line, judgement: Judgement, *, worse: bool) -> dict[str, Any]:
    done = panels_of_lines(session, [line.id]).get(line.id, ()) if line.item is None else (line.item,)
    doubtful = done if judgement.verdict != "conforms" else ()
    return {
        "line": line.id, "run": code_of(session, "run", line.run), "verdict": judgement.verdict, "reasons": judgement.reasons, "worse": worse,
        "packs": sorted(codes_of(session, "pack", sorted(walk.packs_with(session, doubtful))).values()),
    }  # fmt: skip


def _of(session: Session, name: str) -> Load:
    return session.get_one(Load, resolve(session, name, "load").id)


def load_as_json(session: Session, load: Load) -> dict[str, Any]:
    session.flush()
    code: Named = Named("load", load.id, code_of(session, "load", load.id))
    shelves = [
        {
            "shelf": place.shelf,
            "lot": code_of(session, "lot", place.lot),
            "step": place.step,
            "panels": panel_codes(session, panels_in_set(session, place.set)),
        }
        for place in loads.on_shelves(session, load)
    ]
    return {
        "load": code.code, "state": loads.state_of(session, load), "version": loads.version(session, load),
        "run": code_of(session, "run", load.run) if load.run and session.get(Run, load.run) else None, "shelves": shelves,
    }  # fmt: skip
