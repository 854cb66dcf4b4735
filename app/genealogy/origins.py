"""The origins of a thing, by kind, with what can and what must be of them. One walk up, then bounds along its flows."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from sqlalchemy.orm import Session

from app.floor.amounts import amounts
from app.floor.bitmaps import Bitmap
from app.floor.exits import exits_of
from app.floor.marks import good_cells, good_units
from app.genealogy.amounts import Draw, Share, capped, drawn_in, either_or_both, no_more_than, spread
from app.genealogy.panel_origins import BatchesOn, OnPanels, Origin, on_panels
from app.genealogy.wafer_gave import caps
from app.ledger import walk
from app.ledger.alternates import had_perhaps
from app.ledger.counting import spare_of
from app.ledger.flows import COUNTED_IN
from app.ledger.travels import LineAbove
from app.ledger.used import Used, uses_of


@dataclass(frozen=True)
class Down:
    """How units came from one thing into the next, and which of them are in the starts."""

    up: walk.Up
    starts: list[int]
    draws: list[Draw]
    held: dict[int, int]  # all that a thing ever took in
    there: dict[int, Draw]  # what is in a loose start now
    spare: dict[int, int]

    def shares(self, own: Mapping[int, Mapping[Origin, Share]], came: Mapping[int, Mapping[Origin, Share]]) -> dict[Origin, Share]:
        """In all starts together: of what things have of their own, and of what came into them beside the draws."""
        surplus = self.up.surplus_in_all()  # it is held, and nobody knows where it came from
        in_each = spread(self.draws, self.held, own, came, self.spare, surplus)
        found = _in_starts(self.up, self.starts, in_each, self.held, self.there, self.spare)
        return _as_much_as_came(found, own, came, sum(surplus.values())) if self._parts() else found

    def _parts(self) -> bool:
        """Does anything go more ways than one?"""
        loose = {start for start in self.starts if start not in self.up.packs}
        ways = [*(draw.parent for draw in self.draws), *{content.loose for content in self.up.contents}, *loose]
        return len(set(ways)) < len(ways)


@dataclass(frozen=True)
class Origins:
    """Everything above a thing, and for each origin how many of its units can and must be in it."""

    up: walk.Up
    lines: list[LineAbove]
    uses: list[Used]  # the material that the lines had
    batches: dict[int, set[int]]
    perhaps: set[tuple[int, int]]  # (line, batch) where units of the line may have had another instead
    shares: dict[Origin, Share]
    units: int
    panels: OnPanels
    on_items: dict[int, dict[Origin, Share]]  # by loose lot or pack: what lines over it brought
    down: "Down"

    @cached_property
    def wafers(self) -> dict[int, set[int]]:
        """Wafer -> the panels that have or may have a die of it."""
        found: defaultdict[int, set[int]] = defaultdict(set)
        for panel, some in self.panels.wafers.items():
            for wafer in some:
                found[wafer].add(panel)
        return dict(found)

    def share(self, kind: str, item: int) -> Share:
        return self.shares.get((kind, item), _NONE)

    def brought(self) -> dict[int, dict[Origin, Share]]:
        """By panel, loose lot or pack: what came into it there, from which origin."""
        return {panel: self.panels.of_panel(panel) for panel in self.up.panels} | self.on_items


def origins(session: Session, starts: Iterable[int], kinds: Mapping[int, str] | None = None, *, as_last_held: bool = False) -> Origins:
    """Of panels, loose lots, samples or packs together; `kinds` of them, if known. `as_last_held`: of emptied packs, too."""
    wanted = list(starts)
    up = walk.up(session, wanted, kinds, as_last_held=as_last_held)
    lines = walk.lines_above(session, up)
    uses = uses_of(session, [line.line for line in lines])
    batches = walk.batches_above(session, up, uses)
    units_of_panels = _panel_units(session, up)
    batches_on = BatchesOn(_by_line(batches), had_perhaps(session, uses))
    panels = on_panels(session, up, lines, uses, batches_on, units_of_panels)
    spare = _spare(up)
    draws, held = _draws(up, units_of_panels)
    held |= {item: held.get(item, 0) + units for item, units in up.surplus_in_all().items()}
    on_items = _on_items(up, lines, batches_on, held, spare)
    own = on_items | {panel: panels.of_panel(panel) for panel in up.starts if panel in up.panels}
    down = Down(up, wanted, draws, held, _there_now(session, up, held), spare)
    units = _units_in(up, wanted, down.there, units_of_panels)
    shares = down.shares(own, panels.into(up.edges))
    if caps := _caps(session, panels, shares):
        shares |= {("wafer", wafer): capped(shares["wafer", wafer], greatest) for wafer, greatest in caps.items()}
    return Origins(up, lines, uses, batches, batches_on.perhaps, shares, units, panels, on_items, down)


def _caps(session: Session, panels: OnPanels, shares: Mapping[Origin, Share]) -> dict[int, int]:
    """Wafer -> how many dies it can have given, where more are told of: cells of which no log tells may have one of it."""
    unsure = {wafer for some in panels.wafers.values() for wafer, share in some.items() if share.least < share.greatest}
    return caps(session, {wafer: shares["wafer", wafer].greatest for wafer in unsure if ("wafer", wafer) in shares})


def _by_line(batches: Mapping[int, set[int]]) -> dict[int, list[int]]:
    found: defaultdict[int, list[int]] = defaultdict(list)
    for batch, used_in in batches.items():
        for line in used_in:
            found[line].append(batch)
    return found


def _panel_units(session: Session, up: walk.Up) -> dict[int, int]:
    """Units of each panel: those that left it, or of a start the good ones that are on it."""
    left: defaultdict[int, int] = defaultdict(int)
    for edge in up.edges:
        if edge.kind == "cells" and edge.parent not in up.starts:
            left[edge.parent] += edge.units
    here = good_units(session, [panel for panel in up.panels if panel not in left])
    return {panel: left.get(panel, here.get(panel, 0)) for panel in up.panels}


def _there_now(session: Session, up: walk.Up, held: dict[int, int]) -> dict[int, Draw]:
    """Units that are in the loose lots and samples of the starts now; one that is empty stands for all that it ever held."""
    found = {}
    for item, now in amounts(session, [item for item in up.starts if item in up.loose]).items():
        if now.book > 0 and item in held:
            found[item] = Draw(item, 0, min(now.book, held[item]), sum(spare_of(posting.u) for posting in now.postings))
        else:
            found[item] = Draw(item, 0, held.get(item, 0))
    return found


def _spare(up: walk.Up) -> dict[int, int]:
    """Loose lot -> how many units more or fewer may have come into it than was counted."""
    found: defaultdict[int, int] = defaultdict(int)
    for edge in up.edges if up.uncertain else ():
        found[edge.child] += _spare_of(up, edge)
    return dict(found)


def _spare_of(up: walk.Up, edge: walk.Edge) -> int:
    return spare_of(up.uncertain.get((edge.child, edge.e), 0.0)) if edge.kind in COUNTED_IN else 0


def _on_items(
    up: walk.Up, lines: list[LineAbove], batches: BatchesOn, held: dict[int, int], spare: dict[int, int]
) -> dict[int, dict[Origin, Share]]:
    """Lines over a loose lot touched all that was in it; lines over a pack the pockets that lay in it then, in packs or off the tape."""
    packs_now: defaultdict[int, list[walk.Content]] = defaultdict(list)
    for content in [*up.contents, *up.off_tape]:
        for pack in {content.pack, *(pack for pack, _ in content.was_in)}:
            packs_now[pack].append(content)
    found: defaultdict[int, dict[Origin, Share]] = defaultdict(dict)
    pockets: defaultdict[tuple[int, int], tuple[dict[int, int], dict[int, int]]] = defaultdict(lambda: ({}, {}))  # (pack, batch): surely, at most
    for line in lines:
        if line.item is None:
            continue
        units: defaultdict[int, int] = defaultdict(int)
        later = 0
        if line.item in up.packs:
            for content in packs_now[line.item]:
                if content.pack == line.item or any(pack == line.item and line.e < left for pack, left in content.was_in):
                    units[content.pack] += content.units
                    for batch in batches.by_line.get(line.line, ()):
                        surely, at_most = pockets[content.pack, batch]
                        at_most[id(content)] = content.units
                        if (line.line, batch) not in batches.perhaps:
                            surely[id(content)] = content.units
        else:
            units[line.item] = held.get(line.item, 0)
            later = sum(surplus for e, surplus in up.surplus.get(line.item, ()) if e > line.e)  # it may have been there, or have come since
        for item, n in units.items():
            shares, more = found[item], spare.get(item, 0)
            share = Share(max(0, n - later - more), n + more)
            shares["line", line.line] = share
            for batch in batches.by_line.get(line.line, ()) if line.item not in up.packs else ():
                before = shares.get(("batch", batch), _NONE)
                had = Share(0, share.greatest) if (line.line, batch) in batches.perhaps else share
                shares["batch", batch] = either_or_both(before, had, before.greatest + had.greatest)
    for (item, batch), (surely, at_most) in pockets.items():  # pockets are known: what two lines had of a batch is counted once each
        more, before = spare.get(item, 0), found[item].get(("batch", batch), _NONE)
        had = Share(max(0, sum(surely.values()) - more), sum(at_most.values()) + more)
        found[item]["batch", batch] = either_or_both(before, had, before.greatest + had.greatest)
    return dict(found)


def cells_on_the_way(session: Session, up: walk.Up) -> dict[int, Bitmap]:
    """The cells of each panel that went into what it is an origin of; of a start, those that are good now."""
    cells = good_cells(session, [panel for panel in up.panels if panel in up.starts])
    on_the_way = {(edge.parent, edge.child) for edge in up.edges if edge.kind == "cells"}
    for exit_ in exits_of(session, [panel for panel in up.panels if panel not in cells]):
        if (exit_.panel, exit_.child) in on_the_way:
            cells[exit_.panel] = cells[exit_.panel] | exit_.cells if exit_.panel in cells else exit_.cells
    return cells


def _draws(up: walk.Up, units_of_panels: dict[int, int]) -> tuple[list[Draw], dict[int, int]]:
    """Flows between loose lots and samples; and how much each of them, and each panel, ever held."""
    flows = [edge for edge in up.edges if edge.kind not in ("frame", "mix")]
    taken_in: defaultdict[int, int] = defaultdict(int)
    for edge in flows:
        taken_in[edge.child] += edge.units
    draws = [
        Draw(edge.parent, edge.child, edge.units, _spare_of(up, edge) if up.uncertain else 0) for edge in flows if edge.kind != "cells"
    ]
    return draws, units_of_panels | taken_in


def _in_starts(
    up: walk.Up, starts: list[int], shares: dict[int, dict[Origin, Share]], held: dict[int, int], there: dict[int, Draw], spare: dict[int, int]
) -> dict[Origin, Share]:
    """In all starts together, as if their units had been drawn into one thing."""
    in_packs = set(starts) & up.packs
    draws = [there.get(start, Draw(start, 0, held.get(start, 0))) for start in starts if start not in in_packs]
    by_loose: defaultdict[int, int] = defaultdict(int)
    for content in up.contents:
        by_loose[content.loose] += content.units
    draws += [Draw(loose, 0, units) for loose, units in by_loose.items()]
    total = drawn_in(draws, held, shares, spare=spare)
    packed = sum(by_loose.values())
    for pack in in_packs:
        for origin, share in shares.get(pack, {}).items():
            total[origin] = either_or_both(share, total.get(origin, _NONE), packed)
    return total


def _as_much_as_came(
    shares: dict[Origin, Share], own: Mapping[int, Mapping[Origin, Share]], came: Mapping[int, Mapping[Origin, Share]], surplus: int
) -> dict[Origin, Share]:
    units: defaultdict[Origin, int] = defaultdict(int)
    for brought in came.values():
        for origin, share in brought.items():
            units[origin] += share.greatest
    for origin in set().union(*own.values()):
        units.pop(origin, None)
    return {origin: no_more_than(share, units[origin] + surplus) if origin in units else share for origin, share in shares.items()}


def _units_in(up: walk.Up, starts: list[int], there: dict[int, Draw], units_of_panels: dict[int, int]) -> int:
    packed = sum(content.units for content in up.contents)
    return packed + sum(there[start].units if start in there else units_of_panels.get(start, 0) for start in starts if start not in up.packs)


_NONE = Share(0, 0)
