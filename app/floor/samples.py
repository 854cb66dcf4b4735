"""Samples: cells of a panel, or units of a loose lot, kept or destroyed. A sample has its panel's runs up to then, not later ones."""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from app.errors import Reason, bad_input, few
from app.floor import bitmaps
from app.floor.bitmaps import Cell
from app.floor.counting import take
from app.floor.exits import write_dead_origins
from app.floor.facts import refuse_or_hold
from app.floor.loose import must_be_loose
from app.floor.marks import SAMPLED, good_cells, mark_bitmap, singulated
from app.floor.out_of_turn import hold_what_leaves_late
from app.floor.placement_verdicts import judge_marked
from app.floor.reasons import checked_reason
from app.journal.act import By, lock
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Item, Panel, Sample
from app.naming.resolve import code_of, give_code


def sample_cells(session: Session, by: By, panel: int, cells: Sequence[Cell], purpose: str, *, kept: bool) -> Sample:
    """Takes good cells (row, column) off a panel. They are marked, so the panel's good units drop."""
    lock(session, Item, [panel])
    it = session.get_one(Panel, panel)
    wanted = bitmaps.bitmap_of(cells, it.rows, it.columns)
    units = bitmaps.count(wanted)
    if not units:
        raise bad_input("No cell is named.", "cells", "The list is empty.", "Name at least one cell by row and column.")
    good, loose = good_cells(session, [panel])[panel], singulated(session, [panel])
    reasons = _not_there(session, panel, bool(loose), bitmaps.cells_of(wanted & ~good, it.columns))
    refuse_or_hold(session, by, "No sample was taken.", reasons, panels=[panel])
    if loose:  # a fact: the units are in the book of the loose lot, and leave that one
        return sample_units(session, by, loose[panel], units, purpose, kept=kept)
    sample = new_sample(session, by, units, purpose, kept=kept)
    mark_bitmap(session, by, panel, wanted, SAMPLED)
    session.add(Flow(e=by.e, child=sample.item, parent=panel, kind="cells", walked=True, units=units))
    session.flush()
    write_dead_origins(session, [panel])
    judge_marked(session, by, [panel])
    hold_what_leaves_late(session, by, panel, sample.item)
    return sample


def sample_units(session: Session, by: By, lot: int, units: int, purpose: str, *, kept: bool) -> Sample:
    """Takes units out of a loose lot, counted by hand. No outflow in the sense of rule 4."""
    lock(session, Item, [lot])
    must_be_loose(session, lot)
    sample = new_sample(session, by, units, purpose, kept=kept)
    take(session, by, lot, units, sample.item, "draw")
    return sample


def new_sample(session: Session, by: By, units: int, purpose: str, *, kept: bool) -> Sample:
    """An empty sample of so many units; where they come from, its flows say. What is destroyed leaves the book at once."""
    purpose = checked_reason(session, "sample", purpose)
    item = Item(e=by.e, kind="sample")
    session.add(item)
    session.flush()
    sample = Sample(e=by.e, item=item.id, units=units, kept=kept, purpose=purpose)
    session.add(sample)
    give_code(session, by, "sample", item.id)
    if not kept:
        session.add(
            CountEntry(
                e=by.e, item=item.id, kind="destroyed", units=units, method="hand", u=0.0, reason=purpose, book=units, within=True
            )
        )
    session.flush()
    return sample


def _not_there(session: Session, panel: int, is_loose: bool, bad: list[Cell]) -> list[Reason]:
    name = code_of(session, "panel", panel)
    if is_loose:
        return [Reason("finished", f"The units of {name} have become loose.", "Take the sample out of the loose lot.")]
    if not bad:
        return []
    cells = few((f"row {row} column {column}" for row, column in bad), 5)
    return [Reason("too_few_units", f"{name} has no good unit at {cells}.", "Name cells that are good.")]
