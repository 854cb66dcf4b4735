"""A wafer's map that is corrected after its dies were placed: what it says of them is judged as if it had come first.

Placements stay: they are facts. Cells with a die that fails by the right map are marked, marks for dies that pass by it are taken
back, and the lots and lines of those runs are judged again. Units that left with a failing die are held, and their packs listed.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.bitmaps import Bitmap
from app.floor.exits import write_dead_origins
from app.floor.marks import mark_bitmap
from app.floor.packed_dies import die_coordinates, unpack_dies
from app.floor.placement_check import FAILED, NO_DIE
from app.floor.placement_runs import spells_of
from app.floor.placement_verdicts import Verdicts, changed_after_leaving, judge
from app.journal.act import By, lock
from app.ledger.cells import CellMark, Placement, PlacementSum
from app.ledger.items import Item
from app.ledger.runs import is_void
from app.naming.resolve import Named
from app.receiving.die_map import DieMap
from app.receiving.wafers import MapFile, correct_die_map, map_if_any

_WORDS = "By the corrected map of {wafer} dies in units that had left these panels do not pass."
_Key = tuple[int, int, int]  # panel, run, evidence of the log


@dataclass
class _Changes:
    """Cells by panel, run and log. `worse`, `better`: dies at fault now, or no more; `now` by what is wrong with them."""

    now: dict[_Key, dict[str, Bitmap]] = field(default_factory=dict)
    worse: dict[_Key, Bitmap] = field(default_factory=dict)
    better: dict[_Key, Bitmap] = field(default_factory=dict)

    @property
    def panels(self) -> set[int]:
        return {panel for panel, _, _ in (*self.worse, *self.better)}


def correct_map(session: Session, by: By, wafer: Named, file: MapFile) -> Verdicts:
    """The right map replaces the one in force, and what the logs told of the wafer's dies is judged by it."""
    rows = select(Placement).where(Placement.wafer == wafer.id, Placement.closed_e.is_(None))
    lock(session, Item, sorted({wafer.id, *(row.panel for row in session.scalars(rows))}))
    before = map_if_any(session, wafer.id)
    corrected = correct_die_map(session, by, wafer, file)
    after = map_if_any(session, wafer.id)
    if before is None or after is None:
        return Verdicts()
    changes = _changes(session.scalars(rows.where(~is_void(Placement.run)).execution_options(populate_existing=True)), before, after)
    if not changes.panels:
        return Verdicts()
    by.must_be_alone()
    gone = changed_after_leaving(session, {panel for panel, _, _ in changes.worse})
    _marked_anew(session, by, changes)
    _counted_anew(session, by, changes)
    write_dead_origins(session, changes.panels)
    runs = {run for _, run, _ in (*changes.worse, *changes.better)}
    return judge(session, by, corrected.evidence, runs, changed=gone, why_changed=_WORDS.format(wafer=wafer.code))


def _changes(rows: Iterable[Placement], before: DieMap, after: DieMap) -> _Changes:
    found = _Changes()
    for row in rows:
        key, cells = (row.panel, row.run, row.evidence), np.unpackbits(bitmaps.read(row.cells), bitorder="little").astype(bool)
        numbers = unpack_dies(row.dies)
        then, now = _faults(before, numbers), _faults(after, numbers)
        bad_then, bad_now = (np.logical_or.reduce(list(faults.values())) for faults in (then, now))
        for where, dies in ((found.worse, bad_now & ~bad_then), (found.better, bad_then & ~bad_now)):
            if dies.any():
                where[key] = where.get(key, np.zeros_like(bitmaps.read(row.cells))) | _on(cells, dies)
        reasons = found.now.setdefault(key, {})
        for reason, dies in now.items():
            reasons[reason] = reasons.get(reason, np.zeros_like(bitmaps.read(row.cells))) | _on(cells, dies)
    return found


def _faults(die_map: DieMap, numbers: NDArray[np.int64]) -> dict[str, NDArray[np.bool_]]:
    index = die_map.index_of(*die_coordinates(numbers))
    exists = np.where(index < 0, False, die_map.exists()[index])
    passes = np.where(index < 0, False, die_map.passes()[index])
    return {NO_DIE: ~exists, FAILED: exists & ~passes}


def _on(cells: NDArray[np.bool_], dies: NDArray[np.bool_]) -> Bitmap:
    """Of dies in the order of their cells, the cells."""
    flags = cells.copy()
    flags[np.flatnonzero(cells)] = dies
    return np.packbits(flags, bitorder="little")


def _marked_anew(session: Session, by: By, changes: _Changes) -> None:
    """A log's marks are those of its evidence, so that a log which replaces it takes them back as well."""
    marks = _marks_of_logs(session, changes.panels)
    for key in sorted({*changes.worse, *changes.better}):
        panel, run, evidence = key
        better = changes.better.get(key)
        for mark in marks[key]:
            if better is not None and mark.reason in (NO_DIE, FAILED) and (bitmaps.read(mark.cells) & better).any():
                mark.closed_e = by.e
                if (left := bitmaps.read(mark.cells) & ~better).any():
                    mark_bitmap(session, by, panel, left, mark.reason, run, evidence)
        for reason, cells in changes.now[key].items():
            if key in changes.worse and (fresh := cells & changes.worse[key]).any():
                mark_bitmap(session, by, panel, fresh, reason, run, evidence)
    session.flush()


def _counted_anew(session: Session, by: By, changes: _Changes) -> None:
    """Placements that are wrong, of each log: a cell that is at fault for something else as well counts as before."""
    marks = _marks_of_logs(session, changes.panels)
    more: defaultdict[tuple[int, int | None, str | None, int], int] = defaultdict(int)
    spells = spells_of(session, by.now, runs={run for _, run, _ in (*changes.worse, *changes.better)})
    of = {(panel, spell.run): spell for spell in spells for panel in spell.panels}
    for sign, some in ((1, changes.worse), (-1, changes.better)):
        for (panel, run, evidence), cells in some.items():
            others = [bitmaps.read(mark.cells) for mark in marks[panel, run, evidence] if mark.reason not in (NO_DIE, FAILED)]
            only = cells & ~np.bitwise_or.reduce(others) if others else cells
            spell = of.get((panel, run))
            more[run, spell.lot if spell else None, spell.key if spell else None, evidence] += sign * bitmaps.count(only)
    for (run, lot, step, evidence), n in more.items():
        same = (PlacementSum.run == run, PlacementSum.evidence == evidence, PlacementSum.closed_e.is_(None))
        where = (PlacementSum.lot.is_not_distinct_from(lot), PlacementSum.step.is_not_distinct_from(step))
        for row in session.scalars(select(PlacementSum).where(*same, *where, PlacementSum.placed > 0).limit(1)):
            row.closed_e = by.e
            wrong = min(row.placed, max(0, row.wrong + n))
            session.add(PlacementSum(e=by.e, run=run, lot=lot, step=step, evidence=evidence, placed=row.placed, wrong=wrong, lost=row.lost))
    session.flush()


def _marks_of_logs(session: Session, panels: Iterable[int]) -> dict[_Key, list[CellMark]]:
    found: defaultdict[_Key, list[CellMark]] = defaultdict(list)
    wanted = CellMark.panel.in_(sorted(panels)), CellMark.closed_e.is_(None), CellMark.run.is_not(None), CellMark.evidence.is_not(None)
    for mark in session.scalars(select(CellMark).where(*wanted).order_by(CellMark.id)):
        found[mark.panel, mark.run or 0, mark.evidence or 0].append(mark)
    return found
