"""The ways of a trace: which thing went into which, and how many units of the subject can have gone that way. For the flow picture.

A way is never wider than what was recorded to have gone it, nor than what can be of the subject at either of its ends.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.genealogy.amounts import Share
from app.genealogy.origins import Origins
from app.genealogy.reach import Reached
from app.ledger.sets import LotHolding, Member
from app.ledger.walk import NEVER, Content, Edge

_Units = dict[tuple[int, int], int]  # (source, target) -> units
SUBJECT = 0  # stands for a wafer, batch, run or line that a trace goes forward from; no item has this id


@dataclass(frozen=True)
class Way:
    """Units of `source` became part of `target`, or travelled in it. `greatest`: how many of the subject's can have."""

    source: int
    target: int
    greatest: int


def ways_back(session: Session, found: Origins, lot: int | None = None) -> list[Way]:
    """From wafers and batches through panels, the lots that held them as they left, and loose lots to the packs, samples or panels traced.

    `lot`: the panel lot that is traced, which its panels may have left.
    """
    up = found.up
    edges = [edge for edge in up.edges if edge.kind in ("cells", "merge", "split", "carry", "bin", "draw", "through")]
    units: _Units = defaultdict(int)
    for source, target, n in [*_through_lots(session, edges, _panels_traced(found), lot), *_into_packs(up.contents, up.packs)]:
        units[source, target] += n
    shares = {panel: found.share("panel", panel) for panel in up.panels}
    greatest = _widest_back(units, dict.fromkeys(up.starts, found.units), shares)
    ways = [Way(*pair, n) for pair, n in greatest.items()]
    return ways + list(_from_origins(found, greatest))


def ways_forward(session: Session, found: Reached, is_subject_apart: bool) -> list[Way]:
    """From the subject through panels, the lots that held them as they left, and loose lots to packs. `is_subject_apart`: it is none of them."""
    on_panels = {panel: share.greatest for panel, share in found.panels.items()}
    units: _Units = defaultdict(int)
    for source, target, n in [*_through_lots(session, found.edges, on_panels), *_into_packs(found.contents, set(found.packs))]:
        units[source, target] += n
    shares = dict(found.panels) | found.passed | found.packs
    greatest = _widest_forward(units, shares)
    ways = [Way(*pair, n) for pair, n in greatest.items()]
    if is_subject_apart:
        entered = {target for _, target in greatest}
        ways += [Way(SUBJECT, item, share.greatest) for item, share in shares.items() if item not in entered and share.greatest]
    return ways


def _panels_traced(found: Origins) -> dict[int, int]:
    """Panels that the trace begins at, with their units."""
    return {panel: found.share("panel", panel).greatest for panel in found.up.panels if panel in found.up.starts}


def _through_lots(
    session: Session, edges: Iterable[Edge], here: Mapping[int, int], traced: int | None = None
) -> Iterator[tuple[int, int, int]]:
    """Flows, with the lot that held a panel between the panel and what its units left for. `here`: panels that end there, with their units."""
    flows = list(edges)
    panels = {edge.parent for edge in flows if edge.kind == "cells"} | set(here)
    held = _holdings(session, panels)
    for edge in flows:
        lot = _held_at(held.get(edge.parent, ()), edge.e) if edge.kind == "cells" else None
        if lot is None:
            yield edge.parent, edge.child, edge.units
        else:
            yield edge.parent, lot, edge.units
            yield lot, edge.child, edge.units
    for panel, units in here.items():
        lot = traced or _held_at(held.get(panel, ()), NEVER)
        if lot is not None and units:
            yield panel, lot, units


def _holdings(session: Session, panels: set[int]) -> dict[int, list[tuple[int, int, int]]]:
    """Panel -> (lot, from entry, to entry)."""
    found: defaultdict[int, list[tuple[int, int, int]]] = defaultdict(list)
    query = select(Member.panel, LotHolding.lot, LotHolding.e, LotHolding.closed_e).join(LotHolding, Member.set == LotHolding.set)
    for panel, lot, e, closed_e in session.execute(query.where(Member.panel.in_(panels or {0}))):
        found[panel].append((lot, e, closed_e or NEVER + 1))
    return found


def _held_at(holdings: Iterable[tuple[int, int, int]], e: int) -> int | None:
    return next((lot for lot, since, until in holdings if since < e <= until), None)


def _into_packs(contents: Iterable[Content], packs: set[int]) -> Iterator[tuple[int, int, int]]:
    """From a loose lot through every pack that its units lay in, of those that the trace names."""
    for content in contents:
        stops = [content.loose, *(pack for pack, _ in content.was_in if pack in packs), content.pack]
        for source, target in pairwise(stops):
            if source != target:
                yield source, target, content.units


def _from_origins(found: Origins, greatest: _Units) -> Iterator[Way]:
    """From wafers and batches to where they came in, as far as that leads to what is traced."""
    passed: defaultdict[int, int] = defaultdict(int)
    for (source, _), n in greatest.items():
        passed[source] += n
    for item, brought in found.brought().items():
        limit = found.units if item in found.up.starts else min(found.units, passed[item])
        for (kind, origin), share in brought.items():
            if kind in ("wafer", "batch") and (n := min(share.greatest, limit, found.share(kind, origin).greatest)):
                yield Way(origin, item, n)


def _widest_back(units: _Units, starts: Mapping[int, int], shares: Mapping[int, Share]) -> _Units:
    """Each way's greatest, from what is traced upwards: no more comes into a thing than goes on from it."""
    total = max(starts.values(), default=0)
    greatest: dict[tuple[int, int], int] = {}
    out, into = _neighbours(units)
    for item in _targets_first(out):
        goes_on = sum(greatest.get((item, target), 0) for target in out[item]) if out[item] else total
        limit = starts.get(item, min(total, goes_on))
        for source in into[item]:
            greatest[source, item] = min(units[source, item], limit, shares[source].greatest if source in shares else limit)
    return greatest


def _widest_forward(units: _Units, shares: Mapping[int, Share]) -> _Units:
    """Each way's greatest, from the subject downwards: no more leaves a thing than came into it."""
    greatest: dict[tuple[int, int], int] = {}
    out, into = _neighbours(units)
    for item in reversed(_targets_first(out)):
        limit = shares[item].greatest if item in shares else sum(greatest.get((source, item), 0) for source in into[item])
        for target in out[item]:
            greatest[item, target] = min(units[item, target], limit, shares[target].greatest if target in shares else limit)
    return greatest


def _neighbours(units: _Units) -> tuple[dict[int, list[int]], dict[int, list[int]]]:
    out: defaultdict[int, list[int]] = defaultdict(list)
    into: defaultdict[int, list[int]] = defaultdict(list)
    for source, target in units:
        out[source].append(target)
        into[target].append(source)
    return out, into


def _targets_first(out: dict[int, list[int]]) -> list[int]:
    """Every thing after all that it went into. Units may have come back into a pack that they lay in before: once round is enough."""
    order: list[int] = []
    seen: set[int] = set()
    for start in list(out):
        stack = [(start, False)]
        while stack:
            item, done = stack.pop()
            if done:
                order.append(item)
            elif item not in seen:
                seen.add(item)
                stack.append((item, True))
                stack += [(target, False) for target in out[item] if target not in seen]
    return order
