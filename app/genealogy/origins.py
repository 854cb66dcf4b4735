"""The origins of a thing, by kind, with what can and what must be of them. One walk up, then bounds along its flows."""

from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

from sqlalchemy import text
from sqlalchemy.orm import Session

from app.floor import bitmaps
from app.floor.amounts import amounts
from app.floor.bitmaps import Bitmap
from app.floor.exits import exits_of, told_cells
from app.floor.marks import good_cells, good_units
from app.genealogy.amounts import Draw, Share, drawn, either_or_both, spread
from app.ledger import walk
from app.listed import ask, listed

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
    brought: dict[int, dict[Origin, Share]]  # by panel, loose lot or pack: what came into it there, from which origin

    def share(self, kind: str, item: int) -> Share:
        return self.shares.get((kind, item), Share(0, 0))


def origins(session: Session, starts: Iterable[int]) -> Origins:
    """Of panels, loose lots, samples or packs together."""
    wanted = list(starts)
    up = walk.up(session, wanted)
    lines = walk.lines_above(session, up)
    mounted = walk.mounted(session, up, lines)
    wafers = walk.wafers_above(session, up, mounted)
    batches = walk.batches_above(session, up, lines)
    units_of_panels = _panel_units(session, up)
    sources = _sources(up, lines, batches, units_of_panels)
    _wafer_shares(session, up, mounted, wafers, units_of_panels, sources)
    draws, held = _draws(up, units_of_panels)
    shares = spread(draws, held, sources)
    there = _there_now(session, up, held)
    brought: dict[int, dict[Origin, Share]] = sources  # type: ignore[assignment]  # `spread` asks only that origins can be told apart
    units = _units_in(up, wanted, there, units_of_panels)
    return Origins(up, lines, wafers, batches, _in_starts(up, wanted, shares, held, there), units, brought)


def _panel_units(session: Session, up: walk.Up) -> dict[int, int]:
    """Units of each panel: those that left it, or of a start the good ones that are on it."""
    left: defaultdict[int, int] = defaultdict(int)
    for edge in up.edges:
        if edge.kind == "cells" and edge.parent not in up.starts:
            left[edge.parent] += edge.units
    here = good_units(session, [panel for panel in up.panels if panel not in left])
    return {panel: left.get(panel, here.get(panel, 0)) for panel in up.panels}


def _there_now(session: Session, up: walk.Up, held: dict[int, int]) -> dict[int, int]:
    """Units that are in the loose lots and samples of the starts now; one that is empty stands for all that it ever held."""
    now = amounts(session, [item for item in up.starts if item in up.loose])
    return {item: min(one.book, held[item]) if one.book > 0 and item in held else held.get(item, 0) for item, one in now.items()}


def _sources(
    up: walk.Up, lines: list[walk.LineAbove], batches: dict[int, set[int]], units: dict[int, int]
) -> dict[int, dict[Hashable, Share]]:
    """What each panel, and each loose lot or pack with lines of its own, brings but for wafers: origin -> share."""
    found: defaultdict[int, dict[Hashable, Share]] = defaultdict(dict)
    for panel in up.panels:
        found[panel]["panel", panel] = Share(units[panel], units[panel])
    by_line: defaultdict[int, list[int]] = defaultdict(list)
    for batch, used_in in batches.items():
        for line in used_in:
            by_line[line].append(batch)
    _lines_of_panels(up, lines, by_line, units, found)
    _lines_of_items(up, lines, by_line, found)
    for edge in up.edges:
        if edge.kind == "frame":
            for batch in _with_parents(edge.parent, up):
                found[edge.child]["batch", batch] = Share(units[edge.child], units[edge.child])
    return dict(found)


def _lines_of_panels(
    up: walk.Up, lines: list[walk.LineAbove], by_line: dict[int, list[int]], units: dict[int, int], found: dict[int, dict[Hashable, Share]]
) -> None:
    """A line is certain for the panels that it did wholly; a batch also where each line that may have done a finished step had it."""
    works: defaultdict[tuple[int, str | None, int], list[int]] = defaultdict(list)  # one doing of a step for a panel -> its lines
    for one in lines:
        for panel, (extent, _) in up.covers.get(one.line, {}).items():
            if panel in up.panels and one.e < up.exits.get(panel, 0):
                found[panel]["line", one.line] = Share(units[panel] if extent == "whole" else 0, units[panel])
                works[panel, one.step, one.round].append(one.line)
    for (panel, _, _), of_work in works.items():
        is_done = any(up.covers[line][panel][1] for line in of_work)
        for batch in {batch for line in of_work for batch in by_line.get(line, ())}:
            had = [line for line in of_work if batch in by_line.get(line, ())]
            certain = any(up.covers[line][panel][0] == "whole" for line in had) or (is_done and had == of_work)
            before = found[panel].get(("batch", batch), Share(0, 0))
            found[panel]["batch", batch] = Share(max(before.least, units[panel] if certain else 0), units[panel])


def _lines_of_items(up: walk.Up, lines: list[walk.LineAbove], by_line: dict[int, list[int]], found: dict[int, dict[Hashable, Share]]) -> None:
    """Lines over a loose lot touched all that was in it; lines over a pack the pockets that lay in it then, in packs or off the tape."""
    packs_now: defaultdict[int, list[walk.Content]] = defaultdict(list)
    for content in [*up.contents, *up.off_tape]:
        for pack in {content.pack, *(pack for pack, _ in content.was_in)}:
            packs_now[pack].append(content)
    for line in lines:
        if line.item is None:
            continue
        units: defaultdict[int, int] = defaultdict(int)
        if line.item in up.packs:
            for content in packs_now[line.item]:
                if content.pack == line.item or any(pack == line.item and line.e < left for pack, left in content.was_in):
                    units[content.pack] += content.units
        else:
            units[line.item] = _held_at(up, line.item)
        for item, n in units.items():
            shares = found.setdefault(item, {})
            shares["line", line.line] = Share(n, n)
            for batch in by_line.get(line.line, ()):
                before = shares.get(("batch", batch), Share(0, 0))
                shares["batch", batch] = either_or_both(before, Share(n, n), before.most + n)


def _wafer_shares(
    session: Session, up: walk.Up, mounted: list[walk.Mounted], wafers: dict[int, set[int]], units: dict[int, int],
    found: dict[int, dict[Hashable, Share]],
) -> None:  # fmt: skip
    """By the cells of the placement logs that went the way; cells without a die of a step may have one of any wafer mounted there."""
    on_the_way = cells_on_the_way(session, up)
    cells, placed, told = (
        {key: int.from_bytes(of_key.tobytes(), "little") for key, of_key in some.items()}  # one by one, numbers are quicker than arrays
        for some in (on_the_way, _placed(session, on_the_way), told_cells(session, on_the_way))
    )
    bare: defaultdict[tuple[int, int], int] = defaultdict(int)
    for one in mounted:
        bare[one.panel, one.wafer] |= cells[one.panel] & ~told.get((one.panel, one.step, one.round), 0)
    for wafer, panels in wafers.items():
        for panel in panels:
            surely = cells[panel] & placed.get((panel, wafer), 0)
            perhaps = surely | bare[panel, wafer]
            of = cells[panel].bit_count()
            least, most = share_of_cells(surely.bit_count(), of, units[panel]).least, share_of_cells(perhaps.bit_count(), of, units[panel]).most
            found[panel]["wafer", wafer] = Share(least, most)


def share_of_cells(placed: int, cells: int, units: int) -> Share:
    """Of `cells` that were good, `placed` have dies of a wafer; `units` of them are there, nobody knows which (some were scrapped)."""
    return Share(max(0, placed - (cells - min(units, cells))), min(placed, units))


def cells_on_the_way(session: Session, up: walk.Up) -> dict[int, Bitmap]:
    """The cells of each panel that went into what it is an origin of; of a start, those that are good now."""
    cells = good_cells(session, [panel for panel in up.panels if panel in up.starts])
    on_the_way = {(edge.parent, edge.child) for edge in up.edges if edge.kind == "cells"}
    for exit_ in exits_of(session, [panel for panel in up.panels if panel not in cells]):
        if (exit_.panel, exit_.child) in on_the_way:
            cells[exit_.panel] = cells[exit_.panel] | exit_.cells if exit_.panel in cells else exit_.cells
    return cells


def _placed(session: Session, panels: Iterable[int]) -> dict[tuple[int, int], Bitmap]:
    """(panel, wafer) -> the cells with its dies."""
    found: dict[tuple[int, int], Bitmap] = {}
    for panel, wafer, raw in ask(session, _PLACED, panels=panels):
        cells = bitmaps.read(raw)
        found[panel, wafer] = cells | found[panel, wafer] if (panel, wafer) in found else cells
    return found


def cells_of_wafer(session: Session, wafer: int) -> dict[int, Bitmap]:
    """panel -> the cells with dies of this wafer, good or not."""
    panels = [panel for (panel,) in session.execute(_PANELS_WITH, {"wafer": wafer})]
    return {panel: cells for (panel, of), cells in _placed(session, panels).items() if of == wafer}


def _draws(up: walk.Up, units_of_panels: dict[int, int]) -> tuple[list[Draw], dict[int, int]]:
    """Flows between panels, loose lots and samples; and how much each of them ever held."""
    draws = [Draw(edge.parent, edge.child, edge.units) for edge in up.edges if edge.kind not in ("frame", "mix")]
    held: dict[int, int] = dict(units_of_panels)
    taken_in: defaultdict[int, int] = defaultdict(int)
    for draw in draws:
        taken_in[draw.child] += draw.units
    return draws, held | dict(taken_in)


def _in_starts(
    up: walk.Up, starts: list[int], shares: dict[int, dict[Hashable, Share]], held: dict[int, int], there: dict[int, int]
) -> dict[Origin, Share]:
    total: dict[Hashable, Share] = {}

    def add(origin: Hashable, share: Share) -> None:
        before = total.get(origin, Share(0, 0))
        total[origin] = Share(before.least + share.least, before.most + share.most)

    in_packs = set(starts) & up.packs
    for start in starts:
        for origin, share in shares.get(start, {}).items() if start not in in_packs else ():
            add(origin, drawn(share, held.get(start, 0), there[start]) if start in there else share)
    by_loose: defaultdict[int, int] = defaultdict(int)
    for content in up.contents:
        by_loose[content.loose] += content.units
    for loose, units in by_loose.items():
        for origin, share in shares.get(loose, {}).items():
            add(origin, drawn(share, held.get(loose, units), units))
    packed = sum(by_loose.values())
    for pack in in_packs:
        for origin, share in shares.get(pack, {}).items():
            total[origin] = either_or_both(share, total.get(origin, Share(0, 0)), packed)
    return total  # type: ignore[return-value]


def _units_in(up: walk.Up, starts: list[int], there: dict[int, int], units_of_panels: dict[int, int]) -> int:
    packed = sum(content.units for content in up.contents)
    return packed + sum(there.get(start, units_of_panels.get(start, 0)) for start in starts if start not in up.packs)


def _held_at(up: walk.Up, item: int) -> int:
    return sum(edge.units for edge in up.edges if edge.child == item)


def _with_parents(batch: int, up: walk.Up) -> set[int]:
    found, waiting = set(), [batch]
    while waiting:
        one = waiting.pop()
        found.add(one)
        waiting += [edge.parent for edge in up.edges if edge.child == one and edge.kind == "mix"]
    return found


_PLACED = listed(
    """
    select p.panel, p.wafer, p.cells from placement p
    where p.panel in :panels and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
    """,
    "panels",
)
_PANELS_WITH = text("""
    select distinct p.panel from placement p
    where p.wafer = :wafer and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
""")
