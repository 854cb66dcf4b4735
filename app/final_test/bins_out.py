"""The end of a test run: one loose lot for each bin and grade that occurs."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from sqlalchemy.orm import Session

from app.errors import bad_input
from app.final_test.bin_tables import grades_at, tested_lot
from app.floor.counting import available, take
from app.floor.ends import Value, finish_run
from app.floor.lot_families import part_of_lot
from app.holds.place import hold_item
from app.journal.act import By, lock
from app.ledger.items import Item, Lot
from app.ledger.runs import Run


def take_bins_out(
    session: Session, by: By, run: Run, counts: Mapping[tuple[str, str], int], values: Sequence[Value] = (), *, person: int | None = None
) -> dict[str, Lot]:
    """Ends a test run. `counts`: units by (bin, grade). What was not counted stays in the lot, for the next run.

    Units in bins are a fact: more than the book can give are recorded, and the lot is held.
    """
    lot = tested_lot(session, run)
    lock(session, Item, sorted({lot.item, lot.root or lot.item}))
    wanted = {key: units for key, units in counts.items() if units > 0}
    if not wanted:
        raise bad_input("The test has no result.", "bins", "No bin has a unit.", "Import the unit results, or name the bins.")
    finish_run(session, by, run, values, person=person)
    over = sum(wanted.values()) - available(session, lot.item)
    told = replace(by, fact=True) if over > 0 else by
    bins = {}
    for (name, grade), units in sorted(wanted.items()):
        part = part_of_lot(session, by, lot, bin=name, grade=grade)
        take(session, told, lot.item, units, part.item, "bin", run=run.id)
        bins[name] = part
    if over > 0:
        for part in bins.values():
            hold_item(session, by, "loose", part.item, f"The test counted {over} units more than the lot had.")
    return bins


def with_grades(session: Session, run: Run, bins: Mapping[str, int]) -> dict[tuple[str, str], int]:
    """Stated counts by bin, with the grade that the bin table gives them. A bin that it does not have is refused."""
    grades = grades_at(session, run)
    strange = [name for name in bins if grades and name not in grades]
    if strange:
        raise bad_input("There is no such bin.", f"bins.{strange[0]}", f"The bin table has {', '.join(grades)}.", "Name one of them.")
    return {(name, grades.get(name, "prime")): units for name, units in bins.items()}
