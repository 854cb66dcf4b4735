"""What a test put into its bins by its corrected results: their differences stand in the books, and are taken off what was said at first. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from app.genealogy.lot_phases import Posting


class Corrected(NamedTuple):
    """`units` that corrected results took out of a lot's book. `tested`: where the lot is a bin of that test; None: it is the tested lot itself."""

    tested: int | None
    lot: int
    units: int
    e: int


def as_corrected(postings: Mapping[int, list[Posting]], corrected: Iterable[Corrected]) -> dict[int, list[Posting]]:
    """What was said to be in a bin and was not has stayed in the tested lot, or came out of it as another bin.

    All corrections of a tested lot are taken together: what one put in though it was not here, a later one may have taken out again.
    """
    found = dict(postings)
    stayed: defaultdict[int, int] = defaultdict(int)
    last: dict[int, int] = {}  # tested lots that were booked in themselves, with the latest entry that did so
    for one in corrected:
        if one.tested is None:
            stayed[one.lot] += one.units
            last[one.lot] = max(one.e, last.get(one.lot, 0))
            continue
        stayed[one.tested] += one.units
        for lot, is_in, other in ((one.lot, True, one.tested), (one.tested, False, one.lot)):
            if lot in found:
                found[lot] = _less(found[lot], is_in, other, one.units)
    for lot, e in last.items():
        if stayed[lot] and lot in found:
            found[lot] = [*found[lot], (False, "difference", stayed[lot], 0, e)]
    return found


def _less(postings: Iterable[Posting], is_in: bool, other: int, units: int) -> list[Posting]:
    found = []
    for posting in postings:
        way, kind, n, end, e = posting
        if units and (way, kind, end) == (is_in, "bin", other):
            left = max(0, n - units)
            units -= n - left
            posting = (way, kind, left, end, e)
        if posting[2]:
            found.append(posting)
    return found
