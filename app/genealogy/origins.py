"""The origins of a thing, by kind, with what can and what must be of them. One walk up, then bounds along its flows."""

from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

import numpy as np
from sqlalchemy import bindparam, text
from sqlalchemy.orm import Session

from app.floor.marks import good_units
from app.genealogy.amounts import Draw, Share, spread
from app.ledger import walk

Origin = tuple[str, int]  # ("panel" | "wafer" | "batch" | "line", id)


@dataclass(frozen=True)
class Origins:
    """Everything above a thing, and for each origin how many of its units can and must be in it."""

    up: walk.Up
    lines: list[walk.LineAbove]
    wafers: dict[int, set[int]]
    batches: dict[int, set[int]]
    shares: dict[Origin, Share]
    units: int

    def share(self, kind: str, item: int) -> Share:
        return self.shares.get((kind, item), Share(0, 0))


def origins(session: Session, starts: Iterable[int]) -> Origins:
    """Of panels, loose lots, samples or packs together."""
    wanted = list(starts)
    up = walk.up(session, wanted)
    lines = walk.lines_above(session, up)
    wafers = walk.wafers_above(session, up, lines)
    batches = walk.batches_above(session, up, lines)
    units_of_panels = _panel_units(session, up)
    sources = _sources(session, up, lines, wafers, batches, units_of_panels)
    draws, held = _draws(up, units_of_panels)
    shares = spread(draws, held, sources)
    return Origins(up, lines, wafers, batches, _in_starts(up, wanted, shares, held, lines), _units_in(up, wanted, held, units_of_panels))


def _panel_units(session: Session, up: walk.Up) -> dict[int, int]:
    """Units of each panel: those that left it, or the good ones that are on it."""
    left: defaultdict[int, int] = defaultdict(int)
    for edge in up.edges:
        if edge.kind == "cells":
            left[edge.parent] += edge.units
    here = good_units(session, [panel for panel in up.panels if panel not in left])
    return {panel: left.get(panel, here.get(panel, 0)) for panel in up.panels}


def _sources(
    session: Session, up: walk.Up, lines: list[walk.LineAbove], wafers: dict[int, set[int]], batches: dict[int, set[int]], units: dict[int, int]
) -> dict[int, dict[Hashable, Share]]:
    """What each panel, and each loose lot with lines of its own, brings: origin -> share."""
    found: defaultdict[int, dict[Hashable, Share]] = defaultdict(dict)
    covered = walk.panels_of_lines(session, [line.line for line in lines if line.set is not None])
    for panel in up.panels:
        found[panel]["panel", panel] = Share(units[panel], units[panel])
    _lines_and_batches(up, lines, batches, covered, units, found)
    _wafer_shares(session, up, lines, wafers, units, found)
    for edge in up.edges:
        if edge.kind == "frame":
            for batch in _with_parents(edge.parent, up):
                found[edge.child]["batch", batch] = Share(units[edge.child], units[edge.child])
    return dict(found)


def _lines_and_batches(
    up: walk.Up, lines: list[walk.LineAbove], batches: dict[int, set[int]], covered: dict[int, dict[int, str]], units: dict[int, int],
    found: dict[int, dict[Hashable, Share]],
) -> None:  # fmt: skip
    by_line: defaultdict[int, list[int]] = defaultdict(list)
    for batch, used_in in batches.items():
        for line in used_in:
            by_line[line].append(batch)
    in_run: defaultdict[tuple[int, int], list[int]] = defaultdict(list)  # (panel, run) -> lines
    for one in lines:
        if one.item is not None:
            held = _held_at(up, one.item)
            found.setdefault(one.item, {})["line", one.line] = Share(held, held)
            for batch in by_line[one.line]:
                found[one.item]["batch", batch] = Share(held, held)
            continue
        for panel, extent in covered.get(one.line, {}).items():
            if panel in up.panels and one.e < up.exits.get(panel, 0):
                least = units[panel] if extent != "either" else 0
                found[panel]["line", one.line] = Share(least, units[panel])
                in_run[panel, one.run].append(one.line)
    for (panel, _), run_lines in in_run.items():
        for batch in {batch for line in run_lines for batch in by_line[line]}:
            certain = all(batch in by_line[line] for line in run_lines) or any(
                batch in by_line[line] and covered[line].get(panel) == "whole" for line in run_lines
            )
            before = found[panel].get(("batch", batch), Share(0, 0))
            found[panel]["batch", batch] = Share(max(before.least, units[panel] if certain else 0), units[panel])


def _wafer_shares(
    session: Session, up: walk.Up, lines: list[walk.LineAbove], wafers: dict[int, set[int]], units: dict[int, int],
    found: dict[int, dict[Hashable, Share]],
) -> None:  # fmt: skip
    """By the cells of the placement logs that were good at exit; a wafer that was only mounted may have given all or none."""
    placed = _good_cells_by_wafer(session, list(up.panels))
    for wafer, panels in wafers.items():
        for panel in panels:
            if (panel, wafer) in placed:
                cells, good = placed[panel, wafer]
                found[panel]["wafer", wafer] = Share(max(0, cells - (good - min(units[panel], good))), min(cells, units[panel]))
            else:
                found[panel]["wafer", wafer] = Share(0, units[panel])


def _good_cells_by_wafer(session: Session, panels: list[int]) -> dict[tuple[int, int], tuple[int, int]]:
    """(panel, wafer) -> (good cells with its dies, good cells of the panel)."""
    sizes = {panel: cells for panel, cells in session.execute(_SIZES, {"panels": panels or [0]})}
    bad = {panel: np.zeros(cells, dtype=bool) for panel, cells in sizes.items()}
    for panel, raw in session.execute(_MARKS, {"panels": panels or [0]}):
        bad[panel] |= _bits(raw, sizes[panel])
    found: dict[tuple[int, int], np.ndarray] = {}
    for panel, wafer, raw in session.execute(_PLACED, {"panels": panels or [0]}):
        cells = _bits(raw, sizes[panel]) & ~bad[panel]
        found[panel, wafer] = cells | found[panel, wafer] if (panel, wafer) in found else cells
    return {key: (int(cells.sum()), int((~bad[key[0]]).sum())) for key, cells in found.items()}


def cells_of_wafer(session: Session, wafer: int) -> dict[int, tuple[int, int]]:
    """panel -> (good cells with dies of this wafer, good cells of the panel)."""
    panels = [panel for (panel,) in session.execute(_PANELS_WITH, {"wafer": wafer})]
    placed = _good_cells_by_wafer(session, panels)
    return {panel: placed[panel, wafer] for panel in panels}


def _bits(raw: bytes, cells: int) -> np.ndarray:
    return np.unpackbits(np.frombuffer(raw, dtype=np.uint8), bitorder="little")[:cells].astype(bool)


def _draws(up: walk.Up, units_of_panels: dict[int, int]) -> tuple[list[Draw], dict[int, int]]:
    """Flows between panels, loose lots and samples; and how much each of them ever held."""
    draws = [Draw(edge.parent, edge.child, edge.units) for edge in up.edges if edge.kind not in ("frame", "mix")]
    held: dict[int, int] = dict(units_of_panels)
    taken_in: defaultdict[int, int] = defaultdict(int)
    for draw in draws:
        taken_in[draw.child] += draw.units
    return draws, held | dict(taken_in)


def _in_starts(
    up: walk.Up, starts: list[int], shares: dict[int, dict[Hashable, Share]], held: dict[int, int], lines: list[walk.LineAbove]
) -> dict[Origin, Share]:
    total: dict[Hashable, Share] = {}

    def add(origin: Hashable, share: Share) -> None:
        before = total.get(origin, Share(0, 0))
        total[origin] = Share(before.least + share.least, before.most + share.most)

    in_packs = set(starts) & up.packs
    for start in starts:
        for origin, share in shares.get(start, {}).items() if start not in in_packs else ():
            add(origin, share)
    by_loose: defaultdict[int, int] = defaultdict(int)
    for content in up.contents:
        by_loose[content.loose] += content.units
    for loose, units in by_loose.items():
        for origin, share in shares.get(loose, {}).items():
            held_there = max(held.get(loose, units), units)
            add(origin, Share(max(0, share.least - (held_there - units)), min(share.most, units)))
    for line in lines:
        if line.item in up.packs:
            touched = sum(c.units for c in up.contents if line.item == c.pack or any(pack == line.item and line.e < left for pack, left in c.was_in))
            total["line", line.line] = Share(touched, touched)
    return total  # type: ignore[return-value]


def _units_in(up: walk.Up, starts: list[int], held: dict[int, int], units_of_panels: dict[int, int]) -> int:
    packed = sum(content.units for content in up.contents)
    return packed + sum(held.get(start, units_of_panels.get(start, 0)) for start in starts if start not in up.packs)


def _held_at(up: walk.Up, item: int) -> int:
    return sum(edge.units for edge in up.edges if edge.child == item)


def _with_parents(batch: int, up: walk.Up) -> set[int]:
    found, waiting = set(), [batch]
    while waiting:
        one = waiting.pop()
        found.add(one)
        waiting += [edge.parent for edge in up.edges if edge.child == one and edge.kind == "mix"]
    return found


_SIZES = text('select item, "rows" * columns from panel where item in :panels').bindparams(bindparam("panels", expanding=True))
# of a panel whose units became loose the marks of that moment: a later mark, or one taken back later, changes nothing of what left
_MARKS = text("""
    select c.panel, c.cells from cell_mark c
    left join (
        select f.parent as panel, min(f.e) as e from flow f join lot t on t.item = f.child
        where f.parent in :panels and f.kind = 'cells' group by f.parent
    ) gone on gone.panel = c.panel
    where c.panel in :panels and (gone.e is null and c.closed_e is null or c.e <= gone.e and (c.closed_e is null or c.closed_e > gone.e))
""").bindparams(bindparam("panels", expanding=True))
_PLACED = text("""
    select p.panel, p.wafer, p.cells from placement p
    where p.panel in :panels and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
""").bindparams(bindparam("panels", expanding=True))
_PANELS_WITH = text("""
    select distinct p.panel from placement p
    where p.wafer = :wafer and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
""")
