"""Up to the origins and down to the packs: a recursion over ids, and around it one indexed statement a question.

A path never passes backward in time: what left a thing before a run does not have that run (`exit` below).
Packs are entered through `pack_content`, which keeps pockets exact through every cut and re-reel.
"""

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial
from math import hypot
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.ledger.counts import IS_SURPLUS
from app.ledger.travels import LineAbove, Travels, lines_of_items, travels_of
from app.ledger.used import Used
from app.listed import ask, listed, tuples

NEVER = 1 << 62  # an entry number after all others: what has not left yet


class Edge(NamedTuple):
    """`units` of `parent` became part of `child` at entry `e`."""

    child: int
    parent: int
    kind: str
    units: int
    e: int


class Content(NamedTuple):
    """Pockets of a pack that hold units of one loose lot, and the packs that they lay in before: (pack, left it at)."""

    pack: int
    pocket_from: int
    pocket_to: int
    loose: int
    was_in: tuple[tuple[int, int], ...]

    @property
    def units(self) -> int:
        return self.pocket_to - self.pocket_from + 1


@dataclass
class Up:
    """Everything that the starts come from. `exits`: the last entry at which something of a thing left it towards a start."""

    starts: tuple[int, ...]
    edges: list[Edge] = field(default_factory=list)
    contents: list[Content] = field(default_factory=list)
    off_tape: list[Content] = field(default_factory=list)  # pockets whose units came into a loose lot or sample
    panels: set[int] = field(default_factory=set)
    loose: set[int] = field(default_factory=set)  # and samples
    batches: set[int] = field(default_factory=set)
    packs: set[int] = field(default_factory=set)
    exits: dict[int, int] = field(default_factory=dict)
    kinds: dict[int, str] = field(default_factory=dict)  # of `loose`, once `lines_above` has been asked: lot or sample
    uncertain: dict[tuple[int, int], float] = field(default_factory=dict)  # then: (loose lot, entry) -> standard uncertainty of what came in
    surplus: dict[int, list[tuple[int, int]]] = field(default_factory=dict)  # then: loose lot -> (entry, units) found beyond the book
    travels: Travels = field(default_factory=Travels)  # of the panels, once `lines_above` has found them

    def surplus_in_all(self) -> dict[int, int]:
        return {item: sum(units for _, units in some) for item, some in self.surplus.items()}


def up(session: Session, starts: Iterable[int], kinds: Mapping[int, str] | None = None, *, as_last_held: bool = False) -> Up:
    """The ancestry of panels, loose lots, samples, packs or batches (`kinds`, if known): flows and contents, down to panels and batches.

    `as_last_held`: of a start that is an emptied pack, the ancestry of what it held last; else nothing is in it.
    """
    found = Up(tuple(starts))
    kinds = kinds_of(session, found.starts) if kinds is None else kinds
    for item in found.starts:
        _put(found, item, kinds[item], NEVER)
    _enter_packs(session, found, as_last_held)
    seeds = [item for item in found.starts if kinds[item] != "pack"] + [content.loose for content in found.contents]
    _keep_what_was_in_time(found, list(map(_as_edge, tuples(session, _UP, seeds=seeds))))
    if any(edge.kind == "through" for edge in found.edges):
        found.off_tape = taken_off(session, found.loose)
    for content in found.off_tape:
        for pack, e in content.was_in:
            _put(found, pack, "pack", e)
    return found


def _keep_what_was_in_time(found: Up, edges: list[Edge]) -> None:
    """What came into a thing after all that leads to the starts had left it is no origin of them (a sample, before a merge)."""
    into: defaultdict[int, list[Edge]] = defaultdict(list)
    for edge in edges:
        into[edge.child].append(edge)
    waiting = list(found.exits)
    while waiting:
        child = waiting.pop()
        for edge in into.get(child, ()):
            if edge.e <= found.exits[child] and edge.e > found.exits.get(edge.parent, 0):
                _put(found, edge.parent, _KIND_ABOVE.get(edge.kind, "lot"), edge.e)
                waiting.append(edge.parent)
    found.edges = [edge for edge in edges if edge.e <= found.exits.get(edge.child, 0)]


def taken_off(session: Session, items: Iterable[int]) -> list[Content]:
    """What loose lots and samples took in off tapes: `pack` is the item, and the last of `was_in` the pack that it came off.

    It is what was in the pack before that entry less what stayed; pockets count from 1, for only their number is known.
    """
    return taken_off_at(session, tuples(session, _UNTAPED, items=items))


def taken_off_packs(session: Session, packs: Iterable[int]) -> list[Content]:
    """What was taken off the tapes of these packs, as in `taken_off`."""
    return taken_off_at(session, tuples(session, _UNTAPED_FROM, packs=packs))


def taken_off_at(session: Session, untaped: Iterable[Any]) -> list[Content]:
    """The same of some flows (child, pack, entry)."""
    child_at = {(pack, e): child for child, pack, e in untaped}
    if not child_at:
        return []
    at_once: dict[tuple[int, int], Counter[tuple[int, tuple[tuple[int, int], ...]]]] = defaultdict(Counter)
    for pack, first, last, loose, raw, begins, ends in tuples(session, _CONTENTS_EVER, packs=sorted({pack for pack, _ in child_at})):
        for e, sign in ((ends, 1), (begins, -1)):
            if (pack, e) in child_at:
                at_once[pack, e][loose, _was_in(raw)] += sign * (last - first + 1)
    return [
        Content(child_at[pack, e], 1, units, loose, (*was_in, (pack, e)))
        for (pack, e), fills in sorted(at_once.items())
        for (loose, was_in), units in sorted(fills.items())
        if units > 0
    ]


def lines_above(session: Session, found: Up) -> list[LineAbove]:
    """The run lines that touched what is on the way: covers of its panels, lines of its loose lots and packs. No voided runs."""
    found.travels = travels_of(session, found.panels)
    found.kinds = kinds_of(session, found.loose)
    for item, e, kind, u, units in tuples(session, _NOT_AS_COUNTED, items=found.loose):
        if kind == "opening":
            found.uncertain[item, e] = hypot(u, found.uncertain.get((item, e), 0.0))
        else:
            found.surplus.setdefault(item, []).append((e, -units))
    lines = found.travels.lines + lines_of_items(session, found.loose | found.packs)
    return [line for line in lines if _is_in_time(found, line)]


def _is_in_time(found: Up, line: LineAbove) -> bool:
    """It began before its item left, or one of its panels (a sample and a lot leave a panel at different entries)."""
    if line.item is not None:
        return line.e < found.exits.get(line.item, 0)
    return any(line.e < found.exits[panel] for panel in found.travels.covered(line.line))


def filled_at(session: Session, fills: Iterable[tuple[int, int]]) -> dict[tuple[int, int], list[int]]:
    """(pack, loose lot) -> the entries at which units of the lot were filled into the pack."""
    wanted = set(fills)
    found: dict[tuple[int, int], list[int]] = {pair: [] for pair in wanted}
    for pack, loose, e in ask(session, _FILLED, packs=sorted({pack for pack, _ in wanted})):
        if (pack, loose) in found:
            found[pack, loose].append(e)
    return found


def batches_above(session: Session, found: Up, uses: Iterable[Used]) -> dict[int, set[int]]:
    """Batch -> the lines that used it (empty for lead frames), through every mixing."""
    used: dict[int, set[int]] = {batch: set() for batch in found.batches}
    for line, batch, part in uses:
        if part is not None:
            used.setdefault(batch, set()).add(line)
    for batch, parent in tuples(session, _MIXED, batches=used):
        used.setdefault(parent, set()).update(used.get(batch, set()))
    return used


def mixed_of(session: Session, batches: Iterable[int]) -> dict[int, set[int]]:
    """Each of these batches -> all that it was mixed from, through every mixing, and itself."""
    found = {batch: {batch} for batch in batches}
    for batch, parent in tuples(session, _MIXED, batches=found):
        found[batch].add(parent)
    return found


def down(session: Session, starts: Iterable[int], since: Mapping[int, int] | None = None) -> tuple[list[Edge], list[Content]]:
    """What panels, loose lots or batches went into, `since` an entry of each: walked flows, and the packs that hold units of it now."""
    into = {item: (since or {}).get(item, 0) for item in starts}
    edges = list(map(_as_edge, tuples(session, _DOWN, seeds=into)))
    out: defaultdict[int, list[Edge]] = defaultdict(list)
    for edge in edges:
        out[edge.parent].append(edge)
    waiting = list(into)
    while waiting:
        parent = waiting.pop()
        for edge in out.get(parent, ()):
            if edge.e >= into[parent] and edge.e < into.get(edge.child, NEVER):
                into[edge.child] = edge.e
                waiting.append(edge.child)
    return [edge for edge in edges if edge.e >= into.get(edge.parent, NEVER)], contents_of(session, loose=into)


def packs_with(session: Session, starts: Iterable[int]) -> set[int]:
    """Packs that hold something of these now, shipped ones too: no hold brings back what has moved on."""
    return {content.pack for content in down(session, starts)[1]}


def down_from_packs(session: Session, packs: Iterable[int]) -> set[int]:
    """Packs that units of these packs went into, they themselves too."""
    seeds = list(packs)
    return {*seeds, *(pack for (pack,) in ask(session, _DOWN_PACKS, seeds=seeds))}


def contents_of(session: Session, *, packs: Iterable[int] = (), loose: Iterable[int] = ()) -> list[Content]:
    """What is in packs now, by pack or by loose lot."""
    rows = tuples(session, _CONTENTS_OF_PACKS, packs=packs)
    rows += sorted(tuples(session, _CONTENTS_OF_LOOSE, loose=loose), key=lambda row: row[:2])
    return [content_of(*row) for row in rows]


def last_held(session: Session, packs: Iterable[int]) -> list[Content]:
    """What packs that hold nothing now held last: what was in them when the last of it left."""
    rows = [row for row in tuples(session, _CONTENTS_EVER, packs=packs) if row[6] is not None]
    emptied = {pack: max(row[6] for row in rows if row[0] == pack) for pack in {row[0] for row in rows}}
    return sorted(content_of(*row[:5]) for row in rows if row[6] == emptied[row[0]])


def packed_anew(session: Session, packs: Iterable[int]) -> dict[tuple[int, int, int], Counter[int]]:
    """(pack, pack that took it in, entry) -> units of each loose lot that went over."""
    found: defaultdict[tuple[int, int, int], Counter[int]] = defaultdict(Counter)
    for pack, first, last, loose, raw, begins, _ in tuples(session, _CONTENTS_EVER, packs=packs):
        came_out_of = [before for before, e in _was_in(raw)[-1:] if e == begins]
        for before in came_out_of:
            found[before, pack, begins][loose] += last - first + 1
    return dict(found)


def content_of(pack: int, pocket_from: int, pocket_to: int, loose: int, was_in: Any) -> Content:
    """From a row as a statement in text answers it."""
    return Content(pack, pocket_from, pocket_to, loose, _was_in(was_in))


def kinds_of(session: Session, items: Iterable[int]) -> dict[int, str]:
    return {item: kind for item, kind in tuples(session, _KINDS, items=items)}


_as_edge = partial(tuple.__new__, Edge)  # of a row, quicker than `_make`
_KIND_ABOVE = {"frame": "batch", "mix": "batch", "cells": "panel"}  # of what flows; the others flow from loose lots


def _put(found: Up, item: int, kind: str, exit_e: int) -> None:
    if kind in ("lot", "sample"):
        found.loose.add(item)
    elif kind == "panel":
        found.panels.add(item)
    elif kind == "batch":
        found.batches.add(item)
    elif kind == "pack":
        found.packs.add(item)
    if exit_e > found.exits.get(item, 0):
        found.exits[item] = exit_e


def _enter_packs(session: Session, found: Up, as_last_held: bool) -> None:
    if not found.packs:
        return
    found.contents = contents_of(session, packs=found.packs)
    if as_last_held and (emptied := found.packs - {content.pack for content in found.contents}):
        found.contents += last_held(session, emptied)
    for content in found.contents:
        _put(found, content.loose, "lot", NEVER)
        for pack, left in content.was_in:
            _put(found, pack, "pack", left)


def _was_in(raw: Any) -> tuple[tuple[int, int], ...]:
    return tuple((pack, left) for pack, left in (json.loads(raw) if isinstance(raw, str) else raw))


# A condition on the inner table alone lets SQLite read all of it first, into a filter (Bloom): so each names the outer one too, whose ids are above 0
# (a value that no id has, not `< 0`: PostgreSQL expects a third of all rows to be so, and makes hash tables for what it expects)
_WALKED = "(f.walked or {}.id = -1)"
_KINDS = listed("select id, kind from item where id in :items", "items")
_NOT_AS_COUNTED = listed(
    f"""
    select item, e, kind, u, units from count_entry
    where item in :items and closed_e is null and (kind = 'opening' and u > 0 or {IS_SURPLUS})
    """,
    "items",
)
_UP = listed(
    f"""
    with recursive above(id) as (
        select id from item where id in :seeds
        union
        select f.parent from above cross join flow f where f.child = above.id and {_WALKED.format('above')}
    )
    select f.child, f.parent, f.kind, f.units, f.e from above cross join flow f where f.child = above.id and {_WALKED.format('above')}
    """,
    "seeds",
)
_DOWN = listed(
    f"""
    with recursive below(id) as (
        select id from item where id in :seeds
        union
        select f.child from below cross join flow f where f.parent = below.id and {_WALKED.format('below')}
    )
    select f.child, f.parent, f.kind, f.units, f.e from below cross join flow f where f.parent = below.id and {_WALKED.format('below')}
    """,
    "seeds",
)
_DOWN_PACKS = listed(
    """
    with recursive below(id) as (
        select id from item where id in :seeds
        union
        select f.child from below cross join flow f where f.parent = below.id and (f.kind = 'repack' or below.id = -1)
    )
    select id from below
    """,
    "seeds",
)
_UNTAPED = listed("select child, parent, e from flow where child in :items and kind = 'untape'", "items")
_UNTAPED_FROM = listed("select child, parent, e from flow where parent in :packs and kind = 'untape'", "packs")
_CONTENTS_EVER = listed("select pack, pocket_from, pocket_to, loose, was_in, e, closed_e from pack_content where pack in :packs", "packs")
_CONTENTS_OF_PACKS = listed(
    "select pack, pocket_from, pocket_to, loose, was_in from pack_content where pack in :packs and closed_e is null order by pack, pocket_from",
    "packs",
)
_CONTENTS_OF_LOOSE = listed(
    # lot by lot, and sorted by us: asked for a list or an order, SQLite may read the whole table
    """
    select c.pack, c.pocket_from, c.pocket_to, c.loose, c.was_in from lot l cross join pack_content c
    where l.item in :loose and c.loose = l.item and c.closed_e is null
    """,
    "loose",
)
_FILLED = listed("select child, parent, e from flow where child in :packs and kind = 'fill'", "packs")
_MIXED = listed(
    """
    with recursive above(start, id) as (
        select item, item from batch where item in :batches
        union
        select above.start, f.parent from above cross join flow f where f.child = above.id and (f.kind = 'mix' or above.id = -1)
    )
    select start, id from above where start <> id
    """,
    "batches",
)
