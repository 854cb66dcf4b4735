"""Forward: everything that an item, run, line or batch went into, and how many of its units can and must be there."""

from collections import defaultdict
from collections.abc import Callable, Container, Hashable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.floor.amounts import books
from app.floor.exits import CellHistory, Doing, told_cells
from app.floor.marks import good_units
from app.genealogy.amounts import Draw, Share, capped, drawn, either_or_both, no_more_than, spread
from app.genealogy.panel_origins import share_of_cells
from app.genealogy.suspect_cells import Cells, SuspectCells
from app.genealogy.suspects import Suspected
from app.genealogy.wafer_gave import caps
from app.ledger import walk
from app.ledger.alternates import demands, is_certain
from app.ledger.counting import spare_of
from app.ledger.counts import IS_SURPLUS
from app.ledger.flows import COUNTED_IN
from app.ledger.items import Lot
from app.ledger.sets import LotHolding, Member
from app.ledger.travels import LineAbove, lines_numbered, lines_of_run, lines_that_had, panels_of_lines
from app.ledger.used import framed_from, lines_with_another, mixed_from, uses_of
from app.listed import listed, tuples
from app.naming.resolve import Named

_Spares = dict[tuple[int, int], int]  # of a loose lot: (parent, entry) -> of what came in; (0, entry) -> of what was counted out of it
_IT: Hashable = "it"
_NONE = Share(0, 0)


@dataclass(frozen=True)
class Reached:
    """What a subject went into: shares by item; `packs` hold it now; `panels` with the share of their units."""

    panels: dict[int, Share]
    loose: dict[int, Share]  # and samples
    packs: dict[int, Share]
    units: dict[int, int]  # of each of them
    lines: tuple[LineAbove, ...]  # run lines that used or were the subject
    passed: dict[int, Share] = field(default_factory=dict)  # of loose lots and samples: what ever came into them, left since or not
    edges: tuple[walk.Edge, ...] = ()  # the ways between them
    contents: tuple[walk.Content, ...] = ()  # and into packs
    spare: dict[int, int] = field(default_factory=dict)  # of loose lots: so many units more or fewer may be there, or have come in
    greatest: int | None = None  # units of the subject in all, where that is fewer than its panels add up to


def reach(session: Session, subject: Named) -> Reached:
    """Forward from any item, batch, run or line (kind `line`)."""
    if subject.kind in ("run", "line"):
        return _of_lines(session, _lines_of(session, subject))
    if subject.kind == "wafer":
        return _of_wafer(session, subject.id)
    if subject.kind == "batch":
        return _of_batch(session, subject.id)
    if subject.kind == "pack":
        return _of_packs(session, {subject.id: 0})
    if subject.kind == "lot" and session.get_one(Lot, subject.id).form == "panel":
        return _of_panels(session, _whole_panels(_ever_held(session, subject.id)))
    if subject.kind == "panel":
        return _of_panels(session, _whole_panels({subject.id: 0}))
    return _below(session, {subject.id: _Into(0, None)})


def reach_of_panels(session: Session, panels: Iterable[int]) -> Reached:
    return _of_panels(session, _whole_panels(dict.fromkeys(panels, 0)))


def reach_of_lines(session: Session, lines: Iterable[int]) -> Reached:
    return _of_lines(session, lines_numbered(session, lines))


class _Into(NamedTuple):
    """Units of the subject came into a loose lot or sample at an entry. `share` None: all that it ever took in."""

    since: int
    share: Share | None


class _OnPanel(NamedTuple):
    """How a panel has the subject, from an entry on: all its units, surely or perhaps; of a wafer by the cells with its dies.

    `perhaps`: from an entry on, other cells may have its dies too, but those that are told to have others. `mounted`: where no log tells, what
    mounts say of the panel at an entry.
    """

    since: int
    certain: bool
    cells: int | None = None  # bit n is cell n
    perhaps: tuple[tuple[int, int], ...] = ()
    mounted: Callable[[int], Cells] | None = None


def _of_lines(session: Session, lines: list[LineAbove], perhaps: Container[int] = ()) -> Reached:
    """Panels that the lines covered, the loose lots that they worked on, and the packs; only what left after the line began.

    `perhaps`: lines that may have done it without the subject.
    """
    covered = panels_of_lines(session, [line.line for line in lines if line.set is not None])
    first: dict[int, _OnPanel] = {}
    for line in lines:
        for panel, extent in covered.get(line.line, {}).items():
            if panel not in first or line.e < first[panel].since:
                first[panel] = _OnPanel(line.e, extent == "whole" and line.line not in perhaps)
    found = _of_panels(session, first)
    over_items = [line for line in lines if line.item is not None]
    if sure := [line for line in over_items if line.line not in perhaps]:
        found = _joined(found, _of_items(session, sure))
    if unsure := [line for line in over_items if line.line in perhaps]:
        found = _joined(found, _at_most(_of_items(session, unsure)))
    return replace(found, lines=tuple(lines))


def _of_items(session: Session, lines: list[LineAbove]) -> Reached:
    """The loose lots and packs of lines."""
    items = {line.item: line.e for line in reversed(lines) if line.item is not None}
    kinds = walk.kinds_of(session, items)
    loose, packs = {item: e for item, e in items.items() if kinds[item] != "pack"}, {item: e for item, e in items.items() if kinds[item] == "pack"}
    found = _below(session, {item: _Into(e, None) for item, e in loose.items()}) if loose else Reached({}, {}, {}, {}, ())
    return _joined(found, _of_packs(session, packs)) if packs else found


def _at_most(found: Reached) -> Reached:
    """Perhaps all of it, and surely nothing."""
    loose, packs, passed = ({item: Share(0, share.greatest) for item, share in one.items()} for one in (found.loose, found.packs, found.passed))
    return replace(found, loose=loose, packs=packs, passed=passed)


def _of_wafer(session: Session, wafer: int) -> Reached:
    """By the cells of the placement logs; where they leave cells without a die, by the lines that had it mounted."""
    placed: dict[int, int] = {}
    for panel, cells in tuples(session, _PLACED, wafers=[wafer]):
        placed[panel] = placed.get(panel, 0) | int.from_bytes(cells, "little")
    lines = lines_that_had(session, [wafer])
    doings: defaultdict[int, list[tuple[int, Doing]]] = defaultdict(list)
    covered = panels_of_lines(session, [line.line for line in lines])
    for line in lines:
        for panel in covered.get(line.line, {}):
            doings[panel].append((line.e, (panel, line.step or "", line.round)))
    told = told_cells(session, doings)
    is_untold = any(doing not in told for some in doings.values() for _, doing in some)
    marks = SuspectCells(session, [Suspected(wafers={wafer: ()})]) if is_untold else None
    panels = {panel: _OnPanel(0, False, cells) for panel, cells in placed.items()}
    for panel, some in doings.items():
        since = 0 if panel in placed else min(e for e, _ in some)
        mounted = partial(marks.at, panel) if marks and any(doing not in told for _, doing in some) else None
        panels[panel] = _OnPanel(since, False, placed.get(panel, 0), tuple([(e, told.get(doing, 0)) for e, doing in some]), mounted)
    found = replace(_of_panels(session, panels), lines=tuple(lines))
    unsure = sum(share.greatest for share in found.panels.values()) if any(share.least < share.greatest for share in found.panels.values()) else 0
    greatest = caps(session, {wafer: unsure}).get(wafer) if unsure else None
    return found if greatest is None else _no_more_in_all(found, greatest)


def _no_more_in_all(found: Reached, greatest: int) -> Reached:
    panels, loose, packs, passed = (
        {item: capped(share, greatest) for item, share in one.items()} for one in (found.panels, found.loose, found.packs, found.passed)
    )
    return replace(found, panels=panels, loose=loose, packs=packs, passed=passed, greatest=greatest)


def _of_batch(session: Session, batch: int) -> Reached:
    batches = {batch, *mixed_from(session, batch)}
    lines = lines_that_had(session, batches)
    several = lines_with_another(session, batches)
    beside = demands(session, uses_of(session, [line.line for line in lines if line.line in several]))
    found = _of_lines(session, lines, {line for line, its in beside.items() if not is_certain(its, batches)})
    frames = framed_from(session, list(batches))
    return _joined(found, _of_panels(session, _whole_panels(dict.fromkeys(frames, 0)))) if frames else found


def _whole_panels(since: dict[int, int]) -> dict[int, _OnPanel]:
    return {panel: _OnPanel(e, certain=True) for panel, e in since.items()}


def _of_packs(session: Session, packs: dict[int, int]) -> Reached:
    """Packs that hold units that lay in these packs after an entry, and what was taken off tapes."""
    reached = walk.down_from_packs(session, packs)
    shares: dict[int, Share] = {}
    units: dict[int, int] = {}
    into: dict[int, _Into] = {}

    def passed(content: walk.Content) -> bool:
        return content.pack in packs or any(pack in packs and left > packs[pack] for pack, left in content.was_in)

    held = []
    for content in walk.contents_of(session, packs=reached):
        units[content.pack] = units.get(content.pack, 0) + content.units
        if passed(content):
            held.append(content)
            before = shares.get(content.pack, _NONE)
            shares[content.pack] = Share(before.least + content.units, before.greatest + content.units)
    for content in walk.taken_off_packs(session, reached):
        if passed(content):
            had = into[content.pack].share if content.pack in into else None
            n = content.units + (had.least if had else 0)
            into[content.pack] = _Into(content.was_in[-1][1], Share(n, n))
    found = Reached({}, {}, shares, units, (), contents=tuple(held))
    return _joined(found, _below(session, into)) if into else found


def _of_panels(session: Session, panels: dict[int, _OnPanel]) -> Reached:
    """What left panels for loose lots and samples, exit by exit, and what is still on them."""
    left = tuples(session, _LEFT, panels=panels)
    whole = _whole(session, panels, left)
    history = CellHistory(session, [panel for panel, one in panels.items() if one.cells is not None])
    into: dict[int, _Into] = {}
    edges: list[walk.Edge] = []
    for panel, child, e, units, kind in left:
        one = panels[panel]
        share = _share_of(one, None if one.cells is None else history.gone(panel, e, to_sample=kind == "sample"), units, e)
        if e > one.since and share.greatest:
            before = into.get(child)
            had = before.share if before and before.share else _NONE
            into[child] = _Into(e, Share(had.least + share.least, had.greatest + share.greatest))
            edges.append(walk.Edge(child, panel, "cells", share.greatest, e))
    on: dict[int, Share] = {}
    for panel, one in panels.items():
        share = _share_of(one, None if one.cells is None else history.good(panel), whole[panel])
        if share.greatest or not whole[panel]:
            on[panel] = share
    found = _below(session, into) if into else Reached({}, {}, {}, {}, ())
    return replace(found, panels=on, edges=(*edges, *found.edges))


def _share_of(one: _OnPanel, cells: int | None, units: int, left: int = walk.NEVER) -> Share:
    """Of `units` on these cells that left the panel then; None: nobody asks for cells."""
    if one.cells is None or cells is None:
        return Share(units if one.certain else 0, units)
    surely = perhaps = cells & (one.cells | (one.mounted(left).sure if one.mounted else 0))
    for e, told in one.perhaps:
        if e < left:
            perhaps |= cells & ~told
    return share_of_cells(surely.bit_count(), perhaps.bit_count(), cells.bit_count(), units)


def _below(session: Session, into: dict[int, _Into]) -> Reached:
    """Spreads what came into loose lots and samples down the flows, from the entry on at which it came."""
    edges, contents = walk.down(session, into, {item: one.since for item, one in into.items()})
    reached = {*into, *(edge.child for edge in edges)}
    held, counts, surplus = _held(session, list(reached))
    came = {item: sum(spare for (parent, _), spare in its.items() if parent) for item, its in counts.items()}
    brought = {item: one.share or _all_of(held.get(item, 0), came.get(item, 0), one.since, surplus.get(item, {})) for item, one in into.items()}
    found = {item: sum(its.values()) for item, its in surplus.items()}
    sources: dict[int, dict[Hashable, Share]] = {
        item: {_IT: share._replace(greatest=share.greatest + found.get(item, 0)) if into[item].share else share} for item, share in brought.items()
    }
    draws = [Draw(parent, child, units, counts[child].get((parent, e), 0) if child in counts else 0) for child, parent, _, units, e in edges]
    spread_over = spread(draws, held, sources, spare=came, surplus=found)
    all_of_it = sum(share.greatest for share in brought.values())
    shares = {item: no_more_than(spread_over.get(item, {}).get(_IT, _NONE), all_of_it) for item in reached}
    packs, units = _packs_with(session, contents, shares, held, came)
    packs = {pack: no_more_than(share, all_of_it) for pack, share in packs.items()}
    there = {item: book for item, book in books(session, reached).items() if 0 < book < held.get(item, 0)}
    spare = _spare_there(draws, counts) if counts else {}
    now = {item: drawn(share, held.get(item, 0), there[item], spare.get(item, 0)) if item in there else share for item, share in shares.items()}
    return Reached({}, now, packs, units | there, (), shares, tuple(edges), tuple(contents), spare)


def _all_of(held: int, spare: int, since: int, surplus: Mapping[int, int]) -> Share:
    """Of a lot from an entry on. What was found later may have been there, or have come since."""
    later = sum(units for e, units in surplus.items() if e > since) if since else 0
    return Share(max(0, held - later - spare), held + spare)


def _spare_there(draws: list[Draw], counts: dict[int, _Spares]) -> dict[int, int]:
    """What is left of a lot is known no better than all that came in and was counted out of it."""
    spare = defaultdict(int, {item: sum(its.values()) for item, its in counts.items()})
    for draw in draws:
        spare[draw.parent] += draw.spare
    return dict(spare)


def _packs_with(
    session: Session, contents: list[walk.Content], loose: dict[int, Share], held: dict[int, int], came: dict[int, int]
) -> tuple[dict[int, Share], dict[int, int]]:
    by_pack: defaultdict[tuple[int, int], int] = defaultdict(int)
    for content in contents:
        by_pack[content.pack, content.loose] += content.units
    shares: dict[int, Share] = {}
    for (pack, lot), units in by_pack.items():
        in_all = max(held.get(lot, units), units) + came.get(lot, 0)
        before = shares.get(pack, _NONE)
        least, greatest = max(0, loose[lot].least - (in_all - units)), min(loose[lot].greatest, units)
        shares[pack] = Share(before.least + least, before.greatest + greatest)
    units_of: defaultdict[int, int] = defaultdict(int, dict(held))
    for content in walk.contents_of(session, packs=shares):
        units_of[content.pack] += content.units
    return shares, dict(units_of)


def _held(session: Session, items: list[int]) -> tuple[dict[int, int], dict[int, _Spares], dict[int, dict[int, int]]]:
    """All units that each loose lot or sample ever took in, or was found to have; how well that is known, where not exactly; what was found when."""
    held: defaultdict[int, int] = defaultdict(int)
    counts: dict[int, _Spares] = {}
    surplus: dict[int, dict[int, int]] = {}
    opened = set()
    for item, units, kind, e, u in tuples(session, _TAKEN_IN, items=items):
        if u is None:
            held[item] += units
            if kind:
                surplus.setdefault(item, {})[e] = units
        elif kind == "opening":
            opened.add(item)
        else:
            counts.setdefault(item, {})[0, e] = spare_of(u)
    for item, parent, e, u in tuples(session, _OPENED, items=opened):
        counts.setdefault(item, {})[parent, e] = spare_of(u)
    return dict(held), counts, surplus


def _whole(session: Session, panels: Iterable[int], left: list[Any]) -> dict[int, int]:
    """All units of panels: those that became loose, or else the good ones that are on them (less its samples)."""
    loose: defaultdict[int, int] = defaultdict(int)
    for panel, _, _, units, kind in left:
        if kind == "lot":
            loose[panel] += units
    return loose | good_units(session, [panel for panel in panels if panel not in loose])


def _lines_of(session: Session, subject: Named) -> list[LineAbove]:
    return lines_numbered(session, [subject.id]) if subject.kind == "line" else lines_of_run(session, subject.id)


def _ever_held(session: Session, lot: int) -> dict[int, int]:
    """Every panel that a lot ever held, with the entry at which it came in."""
    query = select(Member.panel, func.min(LotHolding.e)).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.lot == lot)
    return {panel: e for panel, e in session.execute(query.group_by(Member.panel))}


def _joined(a: Reached, b: Reached) -> Reached:
    units, spare = a.units | b.units, a.spare | b.spare

    def both(x: dict[int, Share], y: dict[int, Share]) -> dict[int, Share]:
        return x | {k: either_or_both(x[k], v, units.get(k, x[k].greatest + v.greatest) + spare.get(k, 0)) if k in x else v for k, v in y.items()}

    return Reached(
        both(a.panels, b.panels), both(a.loose, b.loose), both(a.packs, b.packs), units, (*a.lines, *b.lines),
        both(a.passed, b.passed), tuple(dict.fromkeys((*a.edges, *b.edges))), tuple(dict.fromkeys((*a.contents, *b.contents))), spare,
    )  # fmt: skip


_PLACED = listed(
    """
    select p.panel, p.cells from placement p
    where p.wafer in :wafers and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
    """,
    "wafers",
)
_TAKEN_IN = listed(
    f"""
    select child, cast(sum(units) as bigint), '', 0, null from flow where child in :items and walked group by child
    union all
    select item, 0, kind, e, u from count_entry where item in :items and u > 0 and kind <> 'counted' and closed_e is null
    union all
    select item, -units, kind, e, null from count_entry where item in :items and closed_e is null and {IS_SURPLUS}
    """,
    "items",
)
_OPENED = listed(
    f"""
    select c.item, f.parent, c.e, c.u from count_entry c cross join flow f
    where c.item in :items and c.u > 0 and c.kind = 'opening' and c.closed_e is null
    and f.child = c.item and f.e = c.e and f.kind in {COUNTED_IN}
    """,
    "items",
)
_LEFT = listed(
    """
    select f.parent, f.child, f.e, f.units, i.kind from flow f cross join item i
    where f.parent in :panels and f.kind = 'cells' and i.id = f.child order by f.e
    """,
    "panels",
)
