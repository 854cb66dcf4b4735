"""Up to the origins and down to the packs: a recursion over ids, and around it one indexed statement a question.

A path never passes backward in time: what left a thing before a run does not have that run (`exit` below).
Packs are entered through `pack_content`, which keeps pockets exact through every cut and re-reel.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import TextClause, bindparam, text
from sqlalchemy.orm import Session

from app.db import Moment

NEVER = 1 << 62  # an entry number after all others: what has not left yet


@dataclass(frozen=True)
class Edge:
    """`units` of `parent` became part of `child` at entry `e`."""

    child: int
    parent: int
    kind: str
    units: int
    e: int


@dataclass(frozen=True)
class Content:
    """Pockets of a pack that hold units of one loose lot, and the packs that they lay in before: (pack, left it at)."""

    pack: int
    pocket_from: int
    pocket_to: int
    loose: int
    was_in: tuple[tuple[int, int], ...]

    @property
    def units(self) -> int:
        return self.pocket_to - self.pocket_from + 1


@dataclass(frozen=True)
class LineAbove:
    """A run line on the way: what it was, and the panels (by extent) or item through which it is on the way."""

    line: int
    run: int
    operation: str
    station: int
    set: int | None
    item: int | None
    extent: str  # whole, either; of an open line: open
    started_at: datetime
    ended_at: datetime | None
    e: int


@dataclass
class Up:
    """Everything that the starts come from. `exits`: the last entry at which something of a thing left it towards a start."""

    starts: tuple[int, ...]
    edges: list[Edge] = field(default_factory=list)
    contents: list[Content] = field(default_factory=list)
    panels: set[int] = field(default_factory=set)
    loose: set[int] = field(default_factory=set)  # and samples
    batches: set[int] = field(default_factory=set)
    packs: set[int] = field(default_factory=set)
    exits: dict[int, int] = field(default_factory=dict)


def up(session: Session, starts: Iterable[int]) -> Up:
    """The ancestry of panels, loose lots, samples, packs or batches: flows and contents, down to panels and batches."""
    found = Up(tuple(starts))
    kinds = kinds_of(session, found.starts)
    for item in found.starts:
        _put(found, item, kinds[item], NEVER)
    _enter_packs(session, found)
    seeds = [item for item in found.starts if kinds[item] != "pack"] + [content.loose for content in found.contents]
    for row in session.execute(_UP, {"seeds": seeds or [0]}):
        edge = Edge(*row)
        found.edges.append(edge)
        child_kind, parent_kind = _ENDS.get(edge.kind, ("lot", "lot"))
        _put(found, edge.parent, parent_kind, edge.e)
        _put(found, edge.child, child_kind, 0)
    for _, pack, e in untaped(session, found.loose):
        _put(found, pack, "pack", e)
    return found


def untaped(session: Session, items: Iterable[int]) -> list[tuple[int, int, int]]:
    """(loose lot or sample, pack that it came off, entry)."""
    return [(child, pack, e) for child, pack, e in session.execute(_UNTAPED, {"items": list(items) or [0]})]


def lines_above(session: Session, found: Up) -> list[LineAbove]:
    """The run lines that touched what is on the way: covers of its panels, lines of its loose lots and packs. No voided runs."""
    lines = [LineAbove(*row) for row in session.execute(_LINES_OF_PANELS, {"panels": list(found.panels) or [0]})]
    lines += [LineAbove(*row) for row in session.execute(_LINES_OF_ITEMS, {"items": list(found.loose | found.packs) or [0]})]
    if not any(exit_e != NEVER for exit_e in found.exits.values()):
        return lines
    last_exit = max((found.exits.get(panel, 0) for panel in found.panels), default=0)
    kept = []
    for line in lines:
        exit_e = found.exits.get(line.item, 0) if line.item is not None else last_exit
        if line.e < exit_e:
            kept.append(line)
    return _only_before_exit(session, found, kept) if len(set(_panel_exits(found))) > 1 else kept


def wafers_above(session: Session, found: Up, lines: list[LineAbove]) -> dict[int, set[int]]:
    """Wafer -> panels through which it is an origin: as the placement logs say, else as mounted; less those on marked cells only."""
    panels = list(found.panels) or [0]
    origins: dict[int, set[int]] = {}
    logged: set[tuple[int, int]] = set()
    for wafer, panel, run in session.execute(_PLACED, {"panels": panels}):
        logged.add((run, panel))
        origins.setdefault(wafer, set()).add(panel)
    for wafer, run, panel in session.execute(_MOUNTED, {"lines": [line.line for line in lines] or [0], "panels": panels}):
        if (run, panel) not in logged:
            origins.setdefault(wafer, set()).add(panel)
    children = list(found.loose) or [0]
    for panel, wafer in session.execute(_DEAD, {"panels": panels, "children": children}):
        origins.get(wafer, set()).discard(panel)
    return {wafer: through for wafer, through in origins.items() if through}


def batches_above(session: Session, found: Up, lines: list[LineAbove]) -> dict[int, set[int]]:
    """Batch -> the lines that used it (empty for lead frames), through every mixing."""
    used: dict[int, set[int]] = {batch: set() for batch in found.batches}
    for batch, line in session.execute(_USED, {"lines": [line.line for line in lines] or [0]}):
        used.setdefault(batch, set()).add(line)
    for batch, parent in session.execute(_MIXED, {"batches": list(used) or [0]}).all():
        used.setdefault(parent, set()).update(used.get(batch, set()))
    return used


def down(session: Session, starts: Iterable[int]) -> tuple[list[Edge], list[Content]]:
    """What panels, loose lots or batches went into: walked flows, and the packs that hold units of it now."""
    seeds = list(starts)
    edges = [Edge(*row) for row in session.execute(_DOWN, {"seeds": seeds or [0]})]
    reached = set(seeds) | {edge.child for edge in edges}
    return edges, contents_of(session, loose=reached)


def down_from_packs(session: Session, packs: Iterable[int]) -> tuple[set[int], set[int]]:
    """Packs, and loose lots or samples, that hold units that lay in these packs (also what had left them before)."""
    seeds = list(packs)
    reached = set(seeds)
    taken_off: set[int] = set()
    for child, _, kind in session.execute(_DOWN_PACKS, {"seeds": seeds or [0]}):
        (taken_off if kind == "untape" else reached).add(child)
    return reached, taken_off


def contents_of(session: Session, *, packs: Iterable[int] = (), loose: Iterable[int] = ()) -> list[Content]:
    """What is in packs now, by pack or by loose lot."""
    rows = list(session.execute(_CONTENTS_OF_PACKS, {"packs": list(packs) or [0]}))
    rows += session.execute(_CONTENTS_OF_LOOSE, {"loose": list(loose) or [0]}).all()
    return [Content(pack, a, b, lot, _was_in(raw)) for pack, a, b, lot, raw in rows]


def panels_of_lines(session: Session, lines: Iterable[int]) -> dict[int, dict[int, str]]:
    """Line -> {panel: extent}: the covers of closed lines, the whole set of open ones."""
    found: dict[int, dict[int, str]] = {}
    for line, panel, extent in session.execute(_PANELS_OF_LINES, {"lines": list(lines) or [0]}):
        found.setdefault(line, {})[panel] = extent
    return found


def kinds_of(session: Session, items: Iterable[int]) -> dict[int, str]:
    return {item: kind for item, kind in session.execute(_KINDS, {"items": list(items) or [0]})}


_ENDS = {"frame": ("panel", "batch"), "mix": ("batch", "batch"), "cells": ("lot", "panel")}


def _put(found: Up, item: int, kind: str, exit_e: int) -> None:
    {"panel": found.panels, "batch": found.batches, "pack": found.packs, "wafer": set()}.get(kind, found.loose).add(item)
    found.exits[item] = max(found.exits.get(item, 0), exit_e)


def _enter_packs(session: Session, found: Up) -> None:
    if not found.packs:
        return
    found.contents = contents_of(session, packs=found.packs)
    for content in found.contents:
        _put(found, content.loose, "lot", NEVER)
        for pack, left in content.was_in:
            _put(found, pack, "pack", left)


def _panel_exits(found: Up) -> Iterable[int]:
    return (found.exits.get(panel, 0) for panel in found.panels)


def _only_before_exit(session: Session, found: Up, lines: list[LineAbove]) -> list[LineAbove]:
    """Panels left at different entries (a sample's and a lot's): a line counts when it opened before one of its panels left."""
    covered = panels_of_lines(session, [line.line for line in lines if line.set is not None])
    return [
        line
        for line in lines
        if line.set is None or any(line.e < found.exits.get(panel, 0) for panel in covered.get(line.line, {}) if panel in found.panels)
    ]


def _was_in(raw: Any) -> tuple[tuple[int, int], ...]:
    return tuple((pack, left) for pack, left in (json.loads(raw) if isinstance(raw, str) else raw))


def _sql(statement: str, *lists: str) -> TextClause:
    return text(statement).bindparams(*(bindparam(name, expanding=True) for name in lists))


_KINDS = _sql("select id, kind from item where id in :items", "items")
_UP = _sql(
    """
    with recursive above(id) as (
        select id from item where id in :seeds
        union
        select f.parent from above cross join flow f where f.child = above.id and f.walked
    )
    select f.child, f.parent, f.kind, f.units, f.e from above cross join flow f where f.child = above.id and f.walked
    """,
    "seeds",
)
_DOWN = _sql(
    """
    with recursive below(id) as (
        select id from item where id in :seeds
        union
        select f.child from below cross join flow f where f.parent = below.id and f.walked
    )
    select f.child, f.parent, f.kind, f.units, f.e from below cross join flow f where f.parent = below.id and f.walked
    """,
    "seeds",
)
_DOWN_PACKS = _sql(
    """
    with recursive below(id) as (
        select id from item where id in :seeds
        union
        select f.child from below cross join flow f where f.parent = below.id and f.kind = 'repack'
    )
    select f.child, f.parent, f.kind from below cross join flow f where f.parent = below.id and f.kind in ('repack', 'untape')
    """,
    "seeds",
)
_UNTAPED = _sql("select child, parent, e from flow where child in :items and kind = 'untape'", "items")
_CONTENTS_OF_PACKS = _sql(
    "select pack, pocket_from, pocket_to, loose, was_in from pack_content where pack in :packs and closed_e is null order by pack, pocket_from",
    "packs",
)
_CONTENTS_OF_LOOSE = _sql(
    "select pack, pocket_from, pocket_to, loose, was_in from pack_content where loose in :loose and closed_e is null order by pack, pocket_from",
    "loose",
)
_LINE_COLUMNS = """l.id, l.run, r.operation, r.station, l."set", l.item, {extent} as extent, l.started_at, l.ended_at, l.e"""
_TIMES = {"started_at": Moment(), "ended_at": Moment()}  # text alone would give SQLite's own strings
_NOT_VOID = "not exists (select 1 from run_void v where v.run = l.run)"
_LINES_OF_PANELS = _sql(
    f"""
    with travelled(id) as (select distinct m."set" from member m where m.panel in :panels)
    select {_LINE_COLUMNS.format(extent="c.extent")}
    from travelled cross join cover c cross join line l cross join run r
    where c."set" = travelled.id and l.id = c.line and r.id = l.run and {_NOT_VOID}
    union all
    select {_LINE_COLUMNS.format(extent="'open'")}
    from travelled cross join line l cross join run r
    where l."set" = travelled.id and l.closed_e is null and r.id = l.run and {_NOT_VOID}
    """,
    "panels",
).columns(**_TIMES)
_LINES_OF_ITEMS = _sql(
    f"""
    select {_LINE_COLUMNS.format(extent="case when l.closed_e is null then 'open' else 'whole' end")}
    from line l cross join run r where l.item in :items and r.id = l.run and {_NOT_VOID}
    """,
    "items",
).columns(**_TIMES)
_PLACED = _sql(
    """
    select p.wafer, p.panel, p.run from placement p
    where p.panel in :panels and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
    """,
    "panels",
)
_MOUNTED = _sql(
    """
    select u.item, l.run, m.panel
    from use u join wafer w on w.item = u.item join line l on l.id = u.line
    join cover c on c.line = l.id join member m on m."set" = c."set"
    where u.line in :lines and m.panel in :panels
    union
    select u.item, l.run, m.panel
    from use u join wafer w on w.item = u.item join line l on l.id = u.line join member m on m."set" = l."set"
    where u.line in :lines and m.panel in :panels and l.closed_e is null
    """,
    "lines",
    "panels",
)
_DEAD = _sql("select panel, wafer from dead_origin where panel in :panels and child in :children", "panels", "children")
_USED = _sql("select u.item, u.line from use u join batch b on b.item = u.item where u.line in :lines", "lines")
_MIXED = _sql(
    """
    with recursive above(start, id) as (
        select item, item from batch where item in :batches
        union
        select above.start, f.parent from above cross join flow f where f.child = above.id and f.kind = 'mix'
    )
    select start, id from above where start <> id
    """,
    "batches",
)
_PANELS_OF_LINES = _sql(
    """
    select c.line, m.panel, c.extent from cover c join member m on m."set" = c."set" where c.line in :lines
    union all
    select l.id, m.panel, 'open' from line l join member m on m."set" = l."set" where l.id in :lines and l.closed_e is null
    """,
    "lines",
)
