"""The count that a step asks for when it finishes: what is entered, how it becomes units, and what it is compared with afterwards.

It is blind: what the book says is shown after the entry is on the record.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from app.catalogue.definitions import Step
from app.errors import bad_input, refuse
from app.floor.counting import Counted, count_units
from app.floor.ends import open_lines_of
from app.floor.line_steps import step_of_line
from app.floor.marks import good_units
from app.floor.own_ends import makes_loose
from app.journal.act import By
from app.ledger.counting import by_weight, usual_u
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.runs import Line, Run
from app.ledger.sets import Member, panels_of, panels_of_lot
from app.naming.resolve import code_of

PIECES = 100  # weighed together to know the weight of one
# Our choice, where the site states nothing better: a bench scale that shows 0.01 g, read to twice that; pieces alike within 0.2 %.
U_SCALE_G, U_PIECE_SHARE = 0.02, 0.002
FULL, EMPTY, PIECES_G = "full", "empty", "pieces"


@dataclass(frozen=True)
class Asked:
    """One number of a count: its name in a form, its words, its unit."""

    name: str
    words: str
    unit: str


_ASKED = {
    "hand": (Asked("units", "units counted by hand", ""),),
    "counter": (Asked("units", "units by the machine's counter", ""),),
    "weight": (Asked(FULL, "container with units", "g"), Asked(EMPTY, "empty container", "g"), Asked(PIECES_G, f"{PIECES} counted units", "g")),
}


def asked(session: Session, steps: Sequence[Step], lines: Sequence[Line]) -> tuple[str, tuple[Asked, ...]]:
    """How these lines are counted when they finish, and the numbers that it takes.

    None where cells say it, no one lot is wholly there, or every panel was counted at the run: their sum is the lot's count.
    """
    methods = {step.count for step in steps}
    if len(methods) != 1 or methods <= {"none", "cells"}:
        return "none", ()
    makes_one_lot = makes_loose(session, session.get_one(Run, lines[0].run))
    if not makes_one_lot and (not _is_one_whole_lot(session, lines) or _is_counted_panel_by_panel(session, lines)):
        return "none", ()
    method = methods.pop()
    return method, _ASKED[method]


def must_be_counted(session: Session, by: By, run: Run, method: str | None) -> list[Line]:
    """The lines that end, where nothing is missing: their step asks for no count, or is given one by its `method`, now or at the run before.

    A fact is recorded without one, and what is missing is told of.
    """
    lines = open_lines_of(session, run)
    wanted, _ = asked(session, [step for line in lines if (step := step_of_line(session, line))], lines)
    if by.fact or wanted in ("none", method):
        return lines
    told = select(CountEntry.id).where(CountEntry.run == run.id, CountEntry.kind == "counted", CountEntry.method == wanted)
    if session.scalar(told.where(CountEntry.closed_e.is_(None)).limit(1)) is None:
        raise bad_input("The step can't end yet.", "counted", f"Its step asks for a count by {wanted}.", "Count, and give it.")
    return lines


def names(method: str) -> list[str]:
    """The numbers that a count of this method takes."""
    return [one.name for one in _ASKED[method]]


def counted_units(method: str, numbers: Mapping[str, float]) -> tuple[int, str, float]:
    """(units, method, standard uncertainty) of what was entered."""
    if method == "weight":
        found = by_weight(numbers[FULL], numbers[EMPTY], numbers[PIECES_G] / PIECES, U_SCALE_G, U_PIECE_SHARE)
        return found.units, "weight", found.u
    units = numbers["units"]
    if units != int(units):
        raise bad_input("A count is a whole number.", "units", f"It is {units:g}.", "Count again, and enter digits alone.")
    return int(units), method, usual_u(method, int(units))


def count_lines(session: Session, by: By, lines: Sequence[Line], counted: tuple[int, str, float]) -> Counted:
    """Books the count of what the lines had: a loose lot, or the panel lot that they travelled in."""
    units, method, u = counted
    return count_units(session, by, _subject(lines[0]), units, method, u, run=lines[0].run)


def run_that_had(session: Session, run: Run, item: int) -> Run:
    """The run, where what was counted, marked or scrapped was in it or came out of it."""
    lines = session.scalars(select(Line).where(Line.run == run.id)).all()
    if item not in {_subject(line) for line in lines} and all(session.scalar(one, {"run": run.id, "item": item}) is None for one in (_HAD, _MADE)):
        why = f"Run {code_of(session, 'run', run.id)} had no units of it."
        raise refuse("not_here", "That is not of this run.", why, "Name the run that it was in, or none.")
    return run


_HAD = select(Member.panel).join(Line, Line.set == Member.set).where(Line.run == bindparam("run"), Member.panel == bindparam("item")).limit(1)
_MADE = select(Flow.child).where(Flow.run == bindparam("run"), Flow.child == bindparam("item")).limit(1)


def in_words(found: Counted) -> str:
    """What the count came to against the book, for the person who made it."""
    units, book, difference = found.entry.units, found.entry.book or 0, found.difference
    said = f"Counted {units:,}; the book says {book:,}"
    if difference.delta == 0:
        return f"{said}: the same."
    gap = f"{abs(difference.delta):,} {'more' if difference.delta > 0 else 'fewer'}"
    if difference.within:
        return f"{said}: {gap}, within counting ({difference.limit:,.0f})."
    return f"{said}: {gap}, beyond counting ({difference.limit:,.0f}). Count again, or ask a lead or quality to sign for it."


def _is_one_whole_lot(session: Session, lines: Sequence[Line]) -> bool:
    """A part of a panel lot is no lot whose book a count could be held against. Panels with nothing good on them are no part that is missing."""
    if len({_subject(line) for line in lines}) != 1:
        return False
    here = {panel for line in lines if line.set for panel in panels_of(session, line.set)}
    elsewhere = [panel for panel in panels_of_lot(session, lines[0].lot) if panel not in here] if here and lines[0].lot else []
    return not any(good_units(session, elsewhere).values())


def _is_counted_panel_by_panel(session: Session, lines: Sequence[Line]) -> bool:
    """At this run, each panel with anything good on it."""
    panels = [panel for line in lines if line.set for panel in panels_of(session, line.set)]
    filled = {panel for panel, good in good_units(session, panels).items() if good}
    counts = select(CountEntry.item).where(CountEntry.run == lines[0].run, CountEntry.kind == "counted", CountEntry.closed_e.is_(None))
    return bool(filled) and filled <= set(session.scalars(counts))


def _subject(line: Line) -> int:
    return line.item or line.lot or 0
