"""Readings taken after a run, and readings that were entered wrongly: the wrong one stays, closed, beside the right one."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input, refuse, unknown
from app.floor.dispositions import judgement_in_force, write_judgement
from app.floor.ends import Value, beyond_limits, is_read, record_of
from app.holds.place import hold_line
from app.journal.act import By, lock
from app.ledger.runs import Line, Reading, Run, RunVoid
from app.naming.resolve import code_of


@dataclass(frozen=True)
class Corrected:
    reading: Reading
    was: float


def take_reading(session: Session, by: By, run: Run, value: Value) -> Reading:
    """A value recorded at a run, with the limits that its step has for that name. Out of limits, its lines are held."""
    lock(session, Run, [run.id])
    _refuse_void(session, run)
    record = record_of(session, run, value.name)
    if record is not None and value.unit not in (None, record.unit):
        raise bad_input("Wrong unit.", "unit", f"It is {value.unit}; the step records {record.unit}.", "Convert it.")
    low, high = (record.low, record.high) if record else (None, None)
    reading = Reading(
        e=by.e, run=run.id, line=None, name=value.name, value=value.value, unit=value.unit or (record.unit if record else ""), low=low, high=high,
        within=_within(value.value, low, high),
    )  # fmt: skip
    session.add(reading)
    session.flush()
    _judge_again(session, by, run, reading)
    return reading


def correct_reading(session: Session, by: By, reading: int, value: float, reason: str) -> Corrected:
    """Closes a reading and records the right one. A judgement by readings is made anew; a worse one holds what is still here."""
    before = session.get(Reading, reading, populate_existing=True)
    if before is None:
        raise unknown(str(reading), "the number of a reading")
    run = session.get_one(Run, before.run)
    lock(session, Run, [run.id])
    session.refresh(before)
    _refuse_void(session, run)
    if before.closed_e is not None:
        raise refuse("finished", f"Reading {reading} was corrected before.", "Another stands for it.", f"See run {code_of(session, 'run', run.id)}.")
    if not reason.strip():
        raise bad_input("A correction needs a reason.", "reason", "It is empty.", "Say what was wrong.")
    before.closed_e = by.e
    session.flush()
    after = Reading(
        e=by.e, run=before.run, line=before.line, name=before.name, value=value, unit=before.unit, low=before.low, high=before.high,
        within=_within(value, before.low, before.high),
    )  # fmt: skip
    session.add(after)
    session.flush()
    _judge_again(session, by, run, after)
    return Corrected(after, before.value)


def _refuse_void(session: Session, run: Run) -> None:
    """It would hold panels for what the record says never happened there, and be shown in no trace."""
    if session.get(RunVoid, run.id, populate_existing=True) is not None:
        what = f"Run {code_of(session, 'run', run.id)} is void and has no readings."
        raise refuse("finished", what, "It was entered wrongly, and nothing follows from it.", "Name the run that was entered in its place.")


def _judge_again(session: Session, by: By, run: Run, new: Reading) -> None:
    lines = list(session.scalars(select(Line).where(Line.run == run.id).order_by(Line.id)))
    if not new.within:
        words = beyond_limits(new.name, new.value, new.unit, new.low, new.high) + "."
        for line in lines:
            hold_line(session, by, line.id, words)
    readings = list(session.scalars(select(Reading).where(Reading.run == run.id, Reading.closed_e.is_(None))))
    outside = [beyond_limits(r.name, r.value, r.unit, r.low, r.high) for r in readings if not r.within]
    for line in lines:
        is_ripe = run.outcome == "interrupted" and is_read(session, line)
        if line.judged == "readings" and (is_ripe or judgement_in_force(session, line.id) is not None):
            verdict = "does_not_conform" if outside else "conforms"
            write_judgement(session, by, line.id, verdict=verdict, reasons=outside, facts={}, rule=None, evidence=None)


def _within(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)
