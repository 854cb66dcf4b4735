"""Every way from a wafer by a panel into what left it, exit by exit: as placement logs tell, and where they tell nothing as the mounts do."""

from collections import defaultdict
from collections.abc import Iterable
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.ledger.travels import LineAbove
from app.ledger.used import Used
from app.ledger.walk import NEVER, Up
from app.listed import ask, listed


class Mounted(NamedTuple):
    """A wafer was on the station in a line over a panel, which began at entry `e`, before the panel left."""

    wafer: int
    run: int
    panel: int
    step: str
    round: int
    e: int


def mounted(found: Up, lines: Iterable[LineAbove], uses: Iterable[Used]) -> list[Mounted]:
    """By the mounts of the lines above, for each panel that a line covered before it left. `uses`: of these lines, wafers and batches."""
    above = {line.line: line for line in lines}
    return [
        Mounted(wafer, line.run, panel, line.step or "", line.round, line.e)
        for used_in, wafer, part in uses
        if part is None
        for line in [above[used_in]]
        for panel in found.travels.covered(used_in)
        if line.e < found.exits[panel]
    ]


class WaferWay(NamedTuple):
    """Dies of a wafer went by a panel into `child`, which they left for at `left`; child None: they are good on the panel now."""

    wafer: int
    panel: int
    since: int  # entry of the first line that had the wafer there; 0 where only a log says so
    child: int | None
    left: int


def wafer_ways(session: Session, found: Up, on: list[Mounted]) -> list[WaferWay]:
    """Every way from a wafer by a panel, exit by exit."""
    told, bare = _logged(session, found), _bare(session, found)
    rounds = {(one.panel, one.step, one.round) for one in told}
    placed, by_run = {(one.wafer, one.panel) for one in told}, {(one.wafer, one.run, one.panel) for one in told}
    since: dict[tuple[int, int], int] = {}
    unsure: defaultdict[tuple[int, int], list[tuple[int, tuple[int, str, int] | None]]] = defaultdict(list)  # None: no log tells anything
    for one in on:
        doing, pair = (one.panel, one.step, one.round), (one.wafer, one.panel)
        if doing not in rounds or doing in bare:
            unsure[pair].append((one.e, doing if doing in rounds else None))
        elif (one.wafer, one.run, one.panel) not in by_run:
            continue
        since[pair] = min(one.e, since.get(pair, one.e))
    for pair in placed:
        since.setdefault(pair, 0)
    dead, exits, on_marked = dead_exits(session, found), _exits_of_panels(found), _only_on_marked(session, found)
    ways = []
    for (wafer, panel), e in since.items():
        for child, left in exits[panel]:
            by_log = (wafer, panel) in placed and (child, panel, wafer) not in dead
            if by_log or any(begun < left and (doing is None or child in bare[doing]) for begun, doing in unsure[wafer, panel]):
                ways.append(WaferWay(wafer, panel, e, child, left))
        is_on = (wafer, panel) in placed and (panel, wafer) not in on_marked
        if panel in found.starts and (is_on or any(doing is None or None in bare[doing] for _, doing in unsure[wafer, panel])):
            ways.append(WaferWay(wafer, panel, e, None, NEVER))
    return ways


def dead_exits(session: Session, found: Up) -> set[tuple[int, int, int]]:
    """(child, panel, wafer): the wafer is no origin of what left the panel for the child."""
    rows = ask(session, _DEAD, panels=found.panels, children=found.loose)
    return {(child, panel, wafer) for panel, wafer, child in rows}


def _logged(session: Session, found: Up) -> list[Any]:
    """(wafer, panel, run, step, round), as the placement logs say."""
    return list(ask(session, _PLACED, panels=found.panels))


def _bare(session: Session, found: Up) -> defaultdict[tuple[int, str, int], set[int | None]]:
    """(panel, step, round) -> what its good cells without a logged die went into; None: of a start, they are on it."""
    bare: defaultdict[tuple[int, str, int], set[int | None]] = defaultdict(set)
    rows = ask(session, _BARE, panels=found.panels, children=found.loose)
    for child, panel, step, n in rows:
        bare[panel, step, n].add(child)
    starts = [panel for panel in found.starts if panel in found.panels]
    if starts:
        good = {panel: (1 << size) - 1 for panel, size in ask(session, _SIZES, panels=starts)}
        for panel, cells in ask(session, _MARKED, panels=starts):
            good[panel] &= ~int.from_bytes(cells, "little")
        told: defaultdict[tuple[int, str, int], int] = defaultdict(int)
        for panel, step, n, cells in ask(session, TOLD_CELLS, panels=starts):
            told[panel, step, n] |= int.from_bytes(cells, "little")
        for doing, of_doing in told.items():
            if good[doing[0]] & ~of_doing:
                bare[doing].add(None)
    return bare


def _exits_of_panels(found: Up) -> defaultdict[int, list[tuple[int, int]]]:
    exits: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    for edge in found.edges:
        if edge.kind == "cells":
            exits[edge.parent].append((edge.child, edge.e))
    return exits


def _only_on_marked(session: Session, found: Up) -> set[tuple[int, int]]:
    """(panel, wafer) of the panels that a walk starts from: all its dies there sit on cells with a mark in force."""
    panels = [panel for panel in found.starts if panel in found.panels]
    if not panels:
        return set()
    marked: defaultdict[int, int] = defaultdict(int)
    for panel, cells in ask(session, _MARKED, panels=panels):
        marked[panel] |= int.from_bytes(cells, "little")
    placed: defaultdict[tuple[int, int], int] = defaultdict(int)
    for panel, wafer, cells in ask(session, _PLACED_CELLS, panels=panels):
        placed[panel, wafer] |= int.from_bytes(cells, "little")
    return {(panel, wafer) for (panel, wafer), cells in placed.items() if not cells & ~marked[panel]}


_PLACED = listed(
    """
    select distinct p.wafer, p.panel, p.run, coalesce(l.step, '') as step, l.round
    from placement p cross join line l cross join member m
    where p.panel in :panels and l.run = p.run and m.panel = p.panel and m."set" = l."set" and p.closed_e is null
    and not exists (select 1 from run_void v where v.run = p.run)
    """,
    "panels",
)
TOLD_CELLS = listed(  # of panels by step and round: the cells of which the logs in force name the die
    """
    select p.panel, coalesce(l.step, ''), l.round, p.cells
    from placement p cross join line l cross join member m
    where p.panel in :panels and l.run = p.run and m.panel = p.panel and m."set" = l."set" and p.closed_e is null
    and not exists (select 1 from run_void v where v.run = p.run)
    """,
    "panels",
)
_BARE = listed("select child, panel, step, round from bare_exit where child in :children and +panel in :panels", "panels", "children")
_SIZES = listed("select item, rows * columns from panel where item in :panels", "panels")
_DEAD = listed("select panel, wafer, child from dead_origin where child in :children and +panel in :panels", "panels", "children")
_MARKED = listed("select panel, cells from cell_mark where panel in :panels and closed_e is null", "panels")
_PLACED_CELLS = listed(
    """
    select p.panel, p.wafer, p.cells from placement p
    where p.panel in :panels and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
    """,
    "panels",
)
