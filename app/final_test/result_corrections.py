"""Correct the unit results of a test run: a right file replaces a wrong one in the open.

Amounts that have left stay. What a bin's lot has less than was said is booked there as a difference, and what another has more comes to it from
the tested lot, so that all counts still close. A lot that held units of another bin is held, wherever it went, and its packs are listed.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from app.errors import Reason, Refused, refuse
from app.final_test.models import UnitFile, UnitFileCorrection
from app.final_test.results_in import ResultsFile, record_results
from app.floor.amounts import book_of
from app.floor.corrections import checked_words, why_not_by
from app.floor.counting import take
from app.floor.loose_stock import settle
from app.floor.lot_families import part_of_lot
from app.holds.place import hold_item
from app.journal.act import By, lock
from app.ledger import walk
from app.ledger.counts import CORRECTED_RESULTS, CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Item, Lot
from app.ledger.runs import Line, Run
from app.naming.resolve import code_of, codes_of
from app.web.words import counted


@dataclass(frozen=True)
class Corrected:
    """By how many units each bin differs, what is held for it, and the packs with something of that."""

    differences: dict[str, int]
    held: list[str]
    packs: list[str]


def correct_unit_results(session: Session, by: By, run: Run, file: ResultsFile, reason: str) -> Corrected:
    """A right file for the one in force: what differs goes through the tested lot, and bins that had too many are held."""
    by.must_be_alone()
    words = checked_words(reason)
    wrong = file_in_force(session, run.id)
    if wrong is None:
        raise refuse("not_here", f"Run {code_of(session, 'run', run.id)} has no results to correct.", "No file was sent.", "End it by its file.")
    tested = _tested(session, run)
    bins = _bins(session, run, tested)
    ids = [tested.item, *(lot.item for lot in bins.values())]
    lock(session, Item, sorted({*ids, tested.root or tested.item}))
    if file_in_force(session, run.id) is not wrong:
        raise refuse("changed", "The results were not corrected.", "Another file replaced them just now.", "Look at the run.")
    _may(session, by, wrong, file, ids)
    right = record_results(session, by, run, file)
    session.add(UnitFileCorrection(e=by.e, file=wrong.id, right=right.id, reason=words))
    differences = _differences(wrong.by_bin, right.by_bin)
    grades = {name: grade for name, grade in file.results.counts_by_bin}
    _book(session, by, run, tested, bins, _differences(_given(session, run, bins), right.by_bin), grades)
    held = _hold(session, by, run, bins, differences)
    settle(session, by, ids)
    return Corrected(differences, sorted(codes_of(session, "lot", held).values()), _packs_with(session, held))


def file_in_force(session: Session, run: int) -> UnitFile | None:
    corrected = select(UnitFileCorrection.file).where(UnitFileCorrection.file == UnitFile.id).exists()
    return session.scalar(select(UnitFile).where(UnitFile.run == run, ~corrected))


def _may(session: Session, by: By, wrong: UnitFile, file: ResultsFile, lots: list[int]) -> None:
    given = select(Flow.child).where(Flow.parent.in_(lots), Flow.e > wrong.e).limit(1)
    worked = select(Line.id).where(Line.item.in_(lots), Line.e > wrong.e).limit(1)
    found = why_not_by(session, by, wrong.e, came_after=session.scalar(given) is not None or session.scalar(worked) is not None)
    if file.results.digest == wrong.parquet:
        found.append(Reason("changed", "The file says what the record says.", "Send the right file."))
    if found:
        raise Refused("The unit results were not corrected.", *found)


def _differences(before: Mapping[str, int], after: Mapping[str, int]) -> dict[str, int]:
    return {name: n for name in sorted({*before, *after}) if (n := after.get(name, 0) - before.get(name, 0))}


def _given(session: Session, run: Run, bins: Mapping[str, Lot]) -> dict[str, int]:
    """What each bin has by the book of this test so far. It isn't what the file in force says: what had left was not taken out of its lot's book."""
    came = select(func.sum(Flow.units)).where(Flow.kind == "bin", Flow.run == run.id)
    return {
        name: int(session.scalar(came.where(Flow.child == lot.item)) or 0) - _booked(session, run, CountEntry.item == lot.item)
        for name, lot in bins.items()
    }


def _booked(session: Session, run: Run, *of: ColumnElement[bool]) -> int:
    """What corrections of a test took out of its lots' books, less what they put in: less than none where they put in what was not here."""
    booked = select(func.sum(CountEntry.units)).where(CountEntry.run == run.id, CountEntry.reason == CORRECTED_RESULTS, *of)
    return int(session.scalar(booked) or 0)


def _book(
    session: Session, by: By, run: Run, tested: Lot, bins: dict[str, Lot], differences: dict[str, int], grades: dict[str, str]
) -> None:
    """What bins have less than was said goes back to the tested lot's book, as far as it is still here; what others have more comes from there.

    That is a flow, as at the test itself: whatever the tested lot came from may be in it. What an earlier correction put into bins though it
    was not here goes nowhere again, before anything goes back.
    """
    never_here = -_booked(session, run)
    back = sum(_difference(session, by, run, bins[name].item, -n) for name, n in differences.items() if n < 0)
    _difference(session, by, run, tested.item, min(0, never_here - back))
    more = {name: n for name, n in differences.items() if n > 0}
    over = 0
    for name, n in more.items():
        here = min(n, max(0, book_of(session, tested.item)))
        if name not in bins:
            bins[name], here = part_of_lot(session, by, tested, bin=name, grade=grades[name]), n
        if here:
            take(session, replace(by, fact=True), tested.item, here, bins[name].item, "bin", run=run.id)
        over -= _difference(session, by, run, bins[name].item, here - n)
    if over:
        more_than_here = counted(over, "unit")
        words = f"The corrected results put {more_than_here} more into bins than are here: the rest left with another bin's lot, or was never there."
        for name in more:
            hold_item(session, by, "loose", bins[name].item, words)


def _difference(session: Session, by: By, run: Run, lot: int, units: int) -> int:
    """Takes `units` out of the book of a lot (less than none: puts them in), no more than are there. Gives what was booked."""
    book = book_of(session, lot)
    booked = min(units, max(0, book))
    if booked:
        session.add(
            CountEntry(
                e=by.e, item=lot, run=run.id, kind="difference", units=booked, method="counter", u=0.0, reason=CORRECTED_RESULTS, book=book,
                within=False,
            )
        )  # fmt: skip
        session.flush()
    return booked


def _hold(session: Session, by: By, run: Run, bins: dict[str, Lot], differences: dict[str, int]) -> list[int]:
    held = [bins[name].item for name, n in differences.items() if n < 0]
    for name, n in differences.items():
        if n < 0:
            said = f"{counted(-n, 'unit')} said to be of bin {name} {'is' if n == -1 else 'are'} not"
            words = f"Corrected results of run {code_of(session, 'run', run.id)}: {said}."
            hold_item(session, by, "loose", bins[name].item, words)
    return held


def _packs_with(session: Session, lots: list[int]) -> list[str]:
    return sorted(codes_of(session, "pack", sorted(walk.packs_with(session, lots))).values()) if lots else []


def _tested(session: Session, run: Run) -> Lot:
    item = session.scalar(select(Line.item).where(Line.run == run.id, Line.item.is_not(None)).order_by(Line.id))
    return session.get_one(Lot, item)


def _bins(session: Session, run: Run, tested: Lot) -> dict[str, Lot]:
    given = (Flow.parent == tested.item, Flow.kind == "bin", Flow.run == run.id)
    lots = session.scalars(select(Lot).join(Flow, Flow.child == Lot.item).where(*given))
    return {lot.bin or "": lot for lot in lots}
