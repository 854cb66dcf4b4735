"""Runs over the API: start, finish, interrupt, abort, void; their readings; what comes next."""

from datetime import datetime
from typing import Any

from pydantic import Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.floor.counts_at_finish import count_lines, must_be_counted
from app.floor.ends import Value, abort_run, finish_run, interrupt_run
from app.floor.groups import Group, gather
from app.floor.interrupted import Covered, covered
from app.floor.own_ends import must_end_plainly
from app.floor.readings import correct_reading, take_reading
from app.floor.starts import start_run
from app.floor.voids import void_run
from app.journal.act import By
from app.ledger.runs import Line, Reading, Run, RunVoid
from app.ledger.sets import panels_of as panels_in_set
from app.machines.bodies import (
    Answer,
    AStation,
    AThing,
    ByPerson,
    CountIn,
    InPath,
    LotCode,
    Name,
    Number,
    PanelCode,
    Panels,
    Round,
    RunCode,
    StationCode,
    Told,
    ValueIn,
    Words,
    shown,
)
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import doer_of, open_run, panel_codes, panels_of, person_of, run_named, said, station_of, things_of, values_of
from app.naming.resolve import code_of, codes_of, resolve
from app.ovens.judging import judge_run

router = call_router("runs")


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


class LineOut(Answer):
    line: Number
    step: str | None = Field(description="Key of the route's step.", examples=["attach"])
    round: Round
    lot: LotCode | None
    shelf: str | None = Field(examples=[None])
    panels: list[PanelCode] = Field(description="That it has, or had, in work.")
    item: str | None = Field(description="Or the loose lot or pack.", examples=[None])
    open: bool
    panels_done: list[PanelCode] = Field(
        [], description="Where a change-over parted the run, or it was interrupted or aborted: those for which the step was done by then."
    )
    panels_perhaps: list[PanelCode] = Field([], description="And those that it may have begun: they are in the next line, or come to the step again.")
    panels_surely: list[PanelCode] = Field([], description="Of `panels_done` those that it alone did, with its material; others a line before may.")


class ReadingOut(Answer):
    reading: int = Field(description="Its number, for a correction.", examples=[311])
    run: RunCode
    name: str = Field(examples=["pull"])
    value: float = Field(examples=[5.4])
    unit: str = Field(examples=["gf"])
    within: bool


class RunOut(Answer):
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


class EndIn(FinishIn):
    counted: CountIn | None = Field(None, description="What the step asks to be counted, where it was not entered at the run before.")


class StopIn(ByPerson):
    """What was said. Panels not said may have been done or not; with both lists a panel in neither was surely not reached.

    The next start of the magazine or lot takes the rest by itself: panels done are left out, those perhaps in work are in it.
    """

    panels_done: Panels | None = Field(None, description="Surely done.")
    panels_in_work: Panels | None = Field(None, description="Begun and not done; empty: none was. Without `panels_done` it says nothing.")


class VoidIn(Told):
    reason: Words = Field(examples=["entered at the wrong station"])


class GroupOut(Answer):
    """Things of one lot that stand alike."""

    lot: LotCode | None
    panels: int = Field(description="How many; 0 for loose units.", examples=[15])
    panel_codes: list[PanelCode] = []
    next_step: str | None = Field(description="Key of the route's step; empty: nothing is left.", examples=["cure"])
    next_step_name: str | None = Field(examples=["cure 1"])
    operation: str | None = Field(examples=["cure"])
    round: Round
    done: list[str] = Field(examples=[["attach"]])


class ReadingIn(Told, ValueIn):
    """A value, by the name that the step has for it."""


class CorrectIn(Told):
    value: float = Field(examples=[5.4], allow_inf_nan=False)
    reason: Words = Field(examples=["read from the wrong scale"])


class NextOut(Answer):
    """Where things stand on their routes."""

    groups: list[GroupOut]


@router.post("/runs", summary="Start a run")
def start(body: RunIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        station = station_of(s, body.station)
        done = start_run(
            s, by, station, things_of(s, body.things), step=body.step, only=panels_of(s, body.panels),
            person=doer_of(s, by, body.person, call.person), shelf=body.shelf, line_clear=body.line_clear,
        )  # fmt: skip
        return run_as_json(s, done.run)

    return RunOut(**call.do("start_run", body, verb))


@router.post("/runs/{run}/finish", summary="Finish a run, with the values that its step records")
def finish(run: str, body: EndIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = open_run(s, run)
        must_end_plainly(s, one)
        lines = must_be_counted(s, by, one, body.counted.method if body.counted else None)
        finish_run(s, by, one, values_of(body.values), person=person_of(s, body.person, call.person))
        if body.counted:
            count_lines(s, by, lines, (body.counted.units, body.counted.method, body.counted.u))
        if one.operation == "cure":
            judge_run(s, by, one)
        return run_as_json(s, one)

    return RunOut(**call.do("finish_run", body, verb, path={"run": run}))


@router.post("/runs/{run}/interrupt", summary="Interrupt a run: what is not surely done comes to the step again")
def interrupt(run: str, body: StopIn, call: Calling) -> RunOut:
    def verb(s: Session, by: By) -> dict[str, Any]:
        one = open_run(s, run)
        interrupt_run(s, by, one, said(s, body.panels_done, body.panels_in_work), person=person_of(s, body.person, call.person))
        if one.operation == "cure":
            judge_run(s, by, one)
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
    lines = session.scalars(select(Line).where(Line.run == run.id).order_by(Line.id)).all()
    parted = any(line.closed_e not in (None, run.closed_e) for line in lines)
    did = covered(session, run) if parted or run.outcome in ("interrupted", "aborted") else {}
    return {
        "run": code_of(session, "run", run.id), "operation": run.operation, "station": code_of(session, "station", run.station),
        "started_at": run.started_at.isoformat(), "ended_at": run.ended_at.isoformat() if run.ended_at else None, "outcome": run.outcome,
        "voided": session.get(RunVoid, run.id) is not None,
        "lines": [_line(session, line) | _did(session, did.get(line.id, Covered([], [], []))) for line in lines],
    }  # fmt: skip


def _line(session: Session, line: Line) -> dict[str, Any]:
    item = next((code for kind in ("lot", "pack") for code in codes_of(session, kind, [line.item]).values()), None) if line.item else None
    return {
        "line": line.id, "step": line.step, "round": line.round, "lot": code_of(session, "lot", line.lot) if line.lot else None,
        "shelf": line.shelf, "panels": panel_codes(session, panels_in_set(session, line.set)) if line.set else [], "item": item,
        "open": line.closed_e is None,
    }  # fmt: skip


def _did(session: Session, did: Covered) -> dict[str, Any]:
    return {f"panels_{name}": panel_codes(session, panels) for name, panels in did._asdict().items()}
