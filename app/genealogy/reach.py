"""Forward: everything that an item, run, line or batch went into, and how many of its units can and must be there."""

from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

from sqlalchemy import bindparam, select, text
from sqlalchemy.orm import Session

from app.floor.marks import good_units
from app.genealogy.amounts import Draw, Share, spread
from app.genealogy.origins import cells_of_wafer
from app.ledger import walk
from app.ledger.items import Lot
from app.ledger.runs import Line, Use
from app.ledger.sets import LotHolding, Member
from app.naming.resolve import Named

_IT: Hashable = "it"


@dataclass(frozen=True)
class Reached:
    """What a subject went into: shares by item; `packs` hold it now; `panels` with the share of their units."""

    panels: dict[int, Share]
    loose: dict[int, Share]  # and samples
    packs: dict[int, Share]
    units: dict[int, int]  # of each of them
    lines: tuple[int, ...]  # run lines that used or were the subject


def reach(session: Session, subject: Named) -> Reached:
    """Forward from any item, batch, run or line (kind `line`)."""
    if subject.kind in ("run", "line"):
        return _of_lines(session, _lines_of(session, subject))
    if subject.kind == "wafer":
        return _of_wafer(session, subject.id)
    if subject.kind == "batch":
        return _of_batch(session, subject.id)
    if subject.kind == "pack":
        return _of_packs(session, [subject.id])
    if subject.kind == "lot" and session.get_one(Lot, subject.id).form == "panel":
        return _below(session, _whole(session, _ever_held(session, subject.id)), {})
    if subject.kind == "panel":
        return _below(session, _whole(session, [subject.id]), {})
    return _below(session, {}, {subject.id: None})


def _of_lines(session: Session, lines: list[Line], *, least: bool = True) -> Reached:
    """Panels that the lines covered, the loose lots that they worked on, and the packs; only what left after the line began."""
    covered = walk.panels_of_lines(session, [line.id for line in lines if line.set is not None])
    panels: dict[int, Share] = {}
    whole = _whole(session, {panel for extents in covered.values() for panel in extents})
    extents: defaultdict[int, list[str]] = defaultdict(list)
    for line in lines:
        for panel, extent in covered.get(line.id, {}).items():
            extents[panel].append(extent)
    for panel, how in extents.items():
        certain = least and any(extent != "either" for extent in how)
        panels[panel] = Share(whole[panel].most if certain else 0, whole[panel].most)
    first = {panel: min(line.e for line in lines if panel in covered.get(line.id, {})) for panel in panels}
    items = {line.item: line.e for line in lines if line.item is not None}
    kinds = walk.kinds_of(session, items)
    found = _below(session, panels, {item: e for item, e in items.items() if kinds[item] != "pack"}, after=first)
    packs = [item for item in items if kinds[item] == "pack"]
    joined = _joined(found, _of_packs(session, packs, after=items)) if packs else found
    return Reached(joined.panels, joined.loose, joined.packs, joined.units, tuple(line.id for line in lines))


def _of_wafer(session: Session, wafer: int) -> Reached:
    """By the cells of the placement logs; where no log came yet, by the lines that had it mounted."""
    placed = cells_of_wafer(session, wafer)
    units = _whole(session, placed)
    panels = {panel: Share(max(0, n - (good - min(units[panel].most, good))), min(n, units[panel].most)) for panel, (n, good) in placed.items()}
    logged = {(run, panel) for run, panel in session.execute(_LOGGED, {"wafer": wafer})}
    lines = [line for line in session.scalars(select(Line).join(Use, Use.line == Line.id).where(Use.item == wafer)) if not _is_void(session, line)]
    for line, on in walk.panels_of_lines(session, [line.id for line in lines]).items():
        run = next(one.run for one in lines if one.id == line)
        mounted = [panel for panel in on if (run, panel) not in logged and panel not in panels]
        for panel, share in _whole(session, mounted).items():
            panels[panel] = Share(0, share.most)
    dead = {(child, panel) for child, panel in session.execute(_DEAD, {"wafer": wafer})}
    found = _below(session, panels, {}, dead=dead)
    return Reached(found.panels, found.loose, found.packs, found.units, tuple(line.id for line in lines))


def _of_batch(session: Session, batch: int) -> Reached:
    batches = [batch, *(row for row in session.scalars(_MIXES, {"batch": batch}))]
    lines = list(session.scalars(select(Line).join(Use, Use.line == Line.id).where(Use.item.in_(batches)).distinct().order_by(Line.id)))
    found = _of_lines(session, [line for line in lines if not _is_void(session, line)])
    frames = list(session.scalars(_FRAMES, {"batches": batches}))
    return _joined(found, _below(session, _whole(session, frames), {})) if frames else found


def _of_packs(session: Session, packs: list[int], after: dict[int, int] | None = None) -> Reached:
    """Packs that hold units that lay in these packs, and what was taken off their tapes."""
    reached, taken_off = walk.down_from_packs(session, packs)
    wanted = set(packs)
    shares: dict[int, Share] = {}
    units: dict[int, int] = {}
    for content in walk.contents_of(session, packs=reached):
        passed = content.pack in wanted or any(pack in wanted and left > (after or {}).get(pack, 0) for pack, left in content.was_in)
        units[content.pack] = units.get(content.pack, 0) + content.units
        if passed:
            before = shares.get(content.pack, Share(0, 0))
            shares[content.pack] = Share(before.least + content.units, before.most + content.units)
    below = _below(session, {}, dict.fromkeys(taken_off))
    return _joined(Reached({}, {}, shares, units, ()), below)


def _below(
    session: Session, panels: dict[int, Share], items: dict[int, int | None], *, after: dict[int, int] | None = None,
    dead: set[tuple[int, int]] | None = None,
) -> Reached:  # fmt: skip
    """Spreads the shares of panels and whole loose lots down the flows. `after`: only what left a panel after that entry."""
    edges, _ = walk.down(session, [*panels, *items])
    gone = after or {}
    kept = [
        edge for edge in edges
        if edge.e > gone.get(edge.parent, 0) and edge.e > (items.get(edge.parent) or 0) and (edge.child, edge.parent) not in (dead or set())
    ]  # fmt: skip
    reached = _reachable(kept, {*panels, *items})
    kept = [edge for edge in kept if edge.parent in reached]
    held = _held(session, [item for item in reached if item not in panels]) | {panel: share.most for panel, share in _whole(session, panels).items()}
    sources: dict[int, dict[Hashable, Share]] = {panel: {_IT: share} for panel, share in panels.items()}
    sources |= {item: {_IT: Share(held.get(item, 0), held.get(item, 0))} for item in items}
    spread_over = spread([Draw(edge.parent, edge.child, edge.units) for edge in kept if edge.child not in items], held, sources)
    shares = {item: found[_IT] for item, found in spread_over.items() if _IT in found}
    loose = {item: shares.get(item, Share(0, 0)) for item in reached if item not in panels}
    return Reached(panels, loose, *_packs_with(session, loose, held), ())


def _packs_with(session: Session, loose: dict[int, Share], held: dict[int, int]) -> tuple[dict[int, Share], dict[int, int]]:
    contents = walk.contents_of(session, loose=loose)
    by_pack: defaultdict[tuple[int, int], int] = defaultdict(int)
    for content in contents:
        by_pack[content.pack, content.loose] += content.units
    shares: dict[int, Share] = {}
    for (pack, lot), units in by_pack.items():
        in_all = max(held.get(lot, units), units)
        before = shares.get(pack, Share(0, 0))
        least, most = max(0, loose[lot].least - (in_all - units)), min(loose[lot].most, units)
        shares[pack] = Share(before.least + least, before.most + most)
    units_of: defaultdict[int, int] = defaultdict(int, dict(held))
    for content in walk.contents_of(session, packs=shares):
        units_of[content.pack] += content.units
    return shares, dict(units_of)


def _reachable(edges: list[walk.Edge], starts: Iterable[int]) -> set[int]:
    children: defaultdict[int, list[int]] = defaultdict(list)
    for edge in edges:
        children[edge.parent].append(edge.child)
    reached, waiting = set(), list(starts)
    while waiting:
        item = waiting.pop()
        if item not in reached:
            reached.add(item)
            waiting += children[item]
    return reached


def _held(session: Session, items: list[int]) -> dict[int, int]:
    """All units that a loose lot or sample ever took in."""
    return {item: units for item, units in session.execute(_TAKEN_IN, {"items": items or [0]})}


def _whole(session: Session, panels: Iterable[int]) -> dict[int, Share]:
    """All units of panels: those that left them, or the good ones that are on them."""
    wanted = list(panels)
    left = {panel: units for panel, units in session.execute(_LEFT, {"panels": wanted or [0]})}
    here = good_units(session, [panel for panel in wanted if panel not in left])
    return {panel: Share(n, n) for panel in wanted for n in [left.get(panel, here.get(panel, 0))]}


def _lines_of(session: Session, subject: Named) -> list[Line]:
    query = select(Line).where(Line.id == subject.id) if subject.kind == "line" else select(Line).where(Line.run == subject.id)
    return [line for line in session.scalars(query.order_by(Line.id)) if not _is_void(session, line)]


def _is_void(session: Session, line: Line) -> bool:
    return session.execute(_VOID, {"run": line.run}).first() is not None


def _ever_held(session: Session, lot: int) -> list[int]:
    return list(session.scalars(select(Member.panel).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.lot == lot).distinct()))


def _joined(a: Reached, b: Reached) -> Reached:
    def both(x: dict[int, Share], y: dict[int, Share]) -> dict[int, Share]:
        return x | {k: Share(max(x[k].least, v.least), max(x[k].most, v.most)) if k in x else v for k, v in y.items()}

    return Reached(both(a.panels, b.panels), both(a.loose, b.loose), both(a.packs, b.packs), a.units | b.units, (*a.lines, *b.lines))


_LOGGED = text("select distinct run, panel from placement where wafer = :wafer and closed_e is null")
_DEAD = text("select child, panel from dead_origin where wafer = :wafer")
_MIXES = text("""
    with recursive below(id) as (
        select child from flow where parent = :batch and kind = 'mix'
        union
        select f.child from below cross join flow f where f.parent = below.id and f.kind = 'mix'
    ) select id from below
""")
_FRAMES = text("select child from flow where parent in :batches and kind = 'frame'").bindparams(bindparam("batches", expanding=True))
_TAKEN_IN = text("select child, cast(sum(units) as bigint) from flow where child in :items and walked group by child").bindparams(
    bindparam("items", expanding=True)
)
_LEFT = text("select parent, cast(sum(units) as bigint) from flow where parent in :panels and kind = 'cells' group by parent").bindparams(
    bindparam("panels", expanding=True)
)
_VOID = text("select 1 from run_void where run = :run")
