"""How many of a thing's units came through each lot, sample and pack on the way to it."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping

from app.genealogy.amounts import Share
from app.genealogy.origins import Origins
from app.genealogy.panel_origins import Origin


def through(found: Origins, lots: Mapping[int, Iterable[int]]) -> dict[int, Share]:
    """By item. `lots`: by panel, the panel lots that it was in before its units left it."""
    up, down = found.up, found.down
    own: defaultdict[int, dict[Origin, Share]] = defaultdict(dict)
    for item in up.loose:
        units, spare = down.held.get(item, 0), down.spare.get(item, 0)
        own[item]["item", item] = Share(max(0, units - spare), units + spare)
    in_packs: Counter[tuple[int, int]] = Counter()
    for content in [*up.contents, *up.off_tape]:
        for pack in {content.pack, *(pack for pack, _ in content.was_in)} & up.packs:
            in_packs[content.pack, pack] += content.units
    for (item, pack), units in in_packs.items():
        own[item]["item", pack] = Share(units, units)
    came: defaultdict[int, defaultdict[int, int]] = defaultdict(lambda: defaultdict(int))
    of_panels = found.panels.units
    for child, panel, kind, units, _ in up.edges:
        if kind == "cells":
            sums, went = came[child], min(units, of_panels[panel])
            for lot in lots.get(panel, ()):
                sums[lot] += went
    for panel in up.panels & set(up.starts):
        own[panel] = {("item", lot): Share(found.panels.units[panel], found.panels.units[panel]) for lot in lots.get(panel, ())}
    shares = down.shares(own, {child: {("item", lot): Share(n, n) for lot, n in sums.items()} for child, sums in came.items()})
    return {item: share for (_, item), share in shares.items()}
