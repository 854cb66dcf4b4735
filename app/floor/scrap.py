"""Scrap: cells of a panel, units, or a whole wafer, by reason. Units found on the floor are scrapped as well, never added to anything."""

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.errors import Reason, Refused, refuse
from app.floor.bitmaps import Cell, count
from app.floor.counting import must_be_on_panel, take_nowhere
from app.floor.in_work import runs_with
from app.floor.marking import mark_cells
from app.floor.marks import good_cells, mark_bitmap
from app.floor.mounts import unmount
from app.floor.placement_check import count_wafer
from app.floor.placement_verdicts import judge_marked
from app.floor.reasons import checked_reason
from app.floor.scrapped_wafers import scrapped_reasons
from app.floor.used_dies import used_before
from app.journal.act import By, lock
from app.ledger.cells import CellMark
from app.ledger.counts import CountEntry
from app.ledger.items import Item
from app.ledger.places import Mount
from app.naming.resolve import code_of
from app.receiving.wafers import map_if_any


def scrap_cells(session: Session, by: By, panel: int, cells: Sequence[Cell], reason: str, run: int | None = None) -> CellMark:
    return mark_cells(session, by, panel, cells, reason, run, purpose="scrap")


def scrap_panel(session: Session, by: By, panel: int, reason: str, run: int | None = None) -> CellMark:
    """Every good cell that is left on a panel."""
    lock(session, Item, [panel])
    reason = checked_reason(session, "scrap", reason)
    must_be_on_panel(session, by, [panel], "Nothing was taken off it.")
    good = good_cells(session, [panel])[panel]
    if not count(good):
        name = code_of(session, "panel", panel)
        raise refuse("too_few_units", f"{name} was not scrapped.", "It has no good cell left.", "Nothing needs to be done.")
    mark = mark_bitmap(session, by, panel, good, reason, run or runs_with(session, [panel]).get(panel))
    session.flush()
    judge_marked(session, by, [panel])
    return mark


def scrap_units(
    session: Session, by: By, item: int, units: int, reason: str, method: str = "hand", u: float = 0.0, run: int | None = None
) -> CountEntry:
    """Units of a loose lot, or of a panel where nobody knows the cells. No outflow in the sense of rule 4."""
    lock(session, Item, [item])
    run = run or runs_with(session, [item]).get(item)
    return take_nowhere(session, by, item, units, "scrapped", method, u, checked_reason(session, "scrap", reason), run)


def scrap_wafer(session: Session, by: By, wafer: int, reason: str) -> CountEntry:
    """A broken wafer, or one that went back: with every passing die that the logs leave on it, if any is. It comes off a station first.

    Without a map nobody knows how many went with it: the book of its entry is empty.
    """
    lock(session, Item, [wafer])
    reason = checked_reason(session, "scrap wafer", reason)
    name = code_of(session, "wafer", wafer)
    left = None if map_if_any(session, wafer) is None else count_wafer(used_before(session, {name: wafer})[name]).left
    on = _stations_with(session, wafer)
    reasons = [Reason("in_work", f"{name} is on {station}.", "Take it off there first.") for station in on.values()]
    if again := scrapped_reasons(session, wafer):
        raise Refused(f"{name} was not scrapped.", *again)
    if reasons and not by.fact:
        raise Refused(f"{name} was not scrapped.", *reasons)
    for station in on:
        unmount(session, by, station, wafer)
    entry = CountEntry(e=by.e, item=wafer, run=None, kind="scrapped", units=left or 0, method="cells", u=0.0, reason=reason, book=left, within=None)
    session.add(entry)
    session.flush()
    return entry


def _stations_with(session: Session, wafer: int) -> dict[int, str]:
    query = select(Thing.id, Thing.name).join(Mount, Mount.station == Thing.id).where(Mount.item == wafer, Mount.closed_e.is_(None))
    return {station: name for station, name in session.execute(query.distinct())}
