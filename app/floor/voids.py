"""Void a run that was entered wrongly: within the shift by who did it if nothing came after, later by a lead."""

from collections import defaultdict

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import Reason, Refused
from app.floor.corrections import why_not_by
from app.floor.ends import close_run, open_lines_of
from app.floor.exits import write_dead_origins
from app.floor.marks import singulated
from app.floor.progress import Progress, loose_progress, progress
from app.floor.reasons import checked_reason
from app.holds.place import hold_item, hold_panels
from app.journal.act import By, lock
from app.journal.record import AtOnce
from app.ledger.flows import Flow
from app.ledger.items import Lot
from app.ledger.runs import Line, Run, RunVoid, is_void
from app.ledger.sets import Member
from app.naming.resolve import code_of


def void_run(session: Session, by: By, run: Run, reason: str) -> None:
    """It stays on the record, is in no trace, and gates nothing. What was entered wrongly is entered anew.

    Units that went on without the step are held.
    """
    by.must_be_alone()
    reason = checked_reason(session, "void", reason)
    lock(session, Run, [run.id])
    session.refresh(run)
    found = _why_not(session, by, run)
    if found:
        raise Refused(f"Run {code_of(session, 'run', run.id)} was not voided.", *found)
    session.add(RunVoid(e=by.e, run=run.id, reason=reason))
    if run.closed_e is None:
        with AtOnce(session) as writes:
            for line in open_lines_of(session, run):
                writes.close(line, closed_e=by.e, ended_at=by.happened_at)
            close_run(writes, by, run, "interrupted")
    session.flush()
    sets = select(Line.set).where(Line.run == run.id, Line.set.is_not(None))
    write_dead_origins(session, session.scalars(select(Member.panel).where(Member.set.in_(sets)).distinct()).all())  # its log tells nothing now
    _hold_what_left_without_it(session, by, run)


def _hold_what_left_without_it(session: Session, by: By, run: Run) -> None:
    """What is still here comes to the step again; units that became loose, or went on from a loose lot, can't."""
    wanted: defaultdict[int, set[str]] = defaultdict(set)
    of_panels = select(Member.panel, Line.step).join(Line, Line.set == Member.set).where(Line.run == run.id, Line.step.is_not(None))
    for panel, step in session.execute(of_panels):
        wanted[panel].add(str(step))
    lacking = _lacking(wanted, progress(session, sorted(singulated(session, wanted))))
    if lacking:
        hold_panels(session, by, sorted(lacking), _in_words(session, run, lacking))
    loose = select(Lot.item, Line.step).join(Line, Line.item == Lot.item).where(Line.run == run.id, Line.step.is_not(None))
    went_on = select(Flow.child).where(Flow.parent == Line.item, Flow.kind != "carry").exists()
    for lot, step in session.execute(loose.where(went_on)):
        if lacks := _lacking({lot: {str(step)}}, loose_progress(session, [lot])):
            hold_item(session, by, "loose", lot, _in_words(session, run, lacks))


def _lacking(wanted: dict[int, set[str]], stand: dict[int, Progress]) -> dict[int, set[str]]:
    """Of what stands so, the steps that it has not done by any other run."""
    left = {item: wanted[item] - {doing.step for doing in one.doings} for item, one in stand.items()}
    return {item: steps for item, steps in left.items() if steps}


def _in_words(session: Session, run: Run, lacking: dict[int, set[str]]) -> str:
    routes = session.scalars(select(Line.route).where(Line.run == run.id, Line.route.is_not(None)).distinct())
    names = {step.key: step.name for route in catalogue.with_ids(session, [route for route in routes if route]).values() for step in route.body.steps}
    steps = ", ".join(sorted({names.get(step, step) for steps in lacking.values() for step in steps}))
    return f"Run {code_of(session, 'run', run.id)} was voided when units had gone on, and no other did {steps} to them."


def _why_not(session: Session, by: By, run: Run) -> list[Reason]:
    if session.get(RunVoid, run.id) is not None:
        return [Reason("finished", "It is void already.", "Enter the right run.")]
    found = []
    if session.scalar(select(Flow.child).where(Flow.run == run.id).limit(1)) is not None:
        found.append(Reason("changed", "Units went on as something new in it.", "Correct the amounts: count them, and sign for the difference."))
    return found + why_not_by(session, by, run.e, came_after=_something_came_after(session, run))


def _something_came_after(session: Session, run: Run) -> bool:
    """A line of another run, not void, that opened after this run on one of its panels or items."""
    lines = list(session.scalars(select(Line).where(Line.run == run.id)))
    sets = [line.set for line in lines if line.set is not None]
    items = [line.item for line in lines if line.item is not None]
    panels = select(Member.panel).where(Member.set.in_(sets))
    elsewhere = select(Member.set).where(Member.panel.in_(panels))
    later = select(Line.id).where(Line.e > run.e, Line.run != run.id, ~is_void(Line.run))
    return session.scalar(later.where(Line.set.in_(elsewhere) | Line.item.in_(items)).limit(1)) is not None
