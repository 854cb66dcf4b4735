"""In which phases a loose lot took units in and gave units out: each is a node of an exposure's network. Pure."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from app.ledger.walk import Content

# an amount that came into a loose lot or left it: whether it came in, the kind of the flow or count entry, units, the other end of a flow, entry
Posting = tuple[bool, str, int, int, int]


class Phases(NamedTuple):
    """A loose lot takes in and then gives out. Where a sample or scrap left before more came in, or before a suspect run, another phase begins."""

    nodes: tuple[int, ...]  # one a phase
    begins: tuple[int, ...] = ()  # entries at which a further phase begins
    counts: Mapping[int, int] = {}  # entry after which what was left is known -> to so many units
    filled: Mapping[int, int] = {}  # pack -> the phase in which it was filled, if not the last

    def at(self, e: int) -> int:
        return sum(begin <= e for begin in self.begins)

    def node_at(self, e: int) -> int:
        return self.nodes[self.at(e) if self.begins else 0]

    def filled_from(self, content: Content) -> int:
        """From where these pockets were filled; it is the last phase, unless the lot was counted since."""
        first = content.was_in[0][0] if content.was_in else content.pack
        return self.filled.get(first, self.nodes[-1])


def phases_of(node: Callable[..., int], lot: int, postings: Sequence[Posting], counts: Mapping[int, int], marked: Iterable[int] = ()) -> Phases:
    """`node` numbers a node by its name. A phase also begins after each of `counts`, and at an entry of `marked` before which something had left."""
    counts = _between_fills(counts, postings) if counts else counts
    worked = {e for e in marked if any(left < e for is_in, _, _, _, left in postings if not is_in)}
    begins = sorted({*_begins(postings, counts), *worked})
    if not begins:  # as nearly always
        return Phases((node("lot", lot, 0),), (), counts)
    found = Phases(tuple(node("lot", lot, phase) for phase in range(len(begins) + 1)), tuple(begins), counts)
    return found._replace(filled={pack: found.node_at(e) for _, kind, _, pack, e in postings if kind == "fill"}) if counts or worked else found


def _begins(postings: Sequence[Posting], counts: Mapping[int, int]) -> list[int]:
    """What a test's corrected results put into a bin was there since the test: it begins none."""
    last_in = first_out = None
    for is_in, kind, _, _, e in postings:
        if is_in and kind == "bin":
            continue
        if is_in:
            last_in = e if last_in is None or e > last_in else last_in
        else:
            first_out = e if first_out is None or e < first_out else first_out
    if not counts and (last_in is None or first_out is None or last_in < first_out):
        return []
    begins, gave = [e + 1 for e in counts], False
    for is_in, kind, _, _, e in sorted(postings, key=lambda row: (row[4], row[0])):
        if is_in and gave and kind != "bin":
            begins.append(e)
            gave = False
        elif not is_in:
            gave = True
    return sorted(set(begins))


def _between_fills(counts: Mapping[int, int], postings: Sequence[Posting]) -> Mapping[int, int]:
    """Without those in the midst of a pack's filling: which of its pockets were filled before is not kept."""
    fills: defaultdict[int, list[int]] = defaultdict(list)
    for _, kind, _, pack, e in postings:
        if kind == "fill":
            fills[pack].append(e)
    return {e: slack for e, slack in counts.items() if not any(min(its) < e < max(its) for its in fills.values())}
