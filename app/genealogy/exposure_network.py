"""The network of draws below a suspicion, from the record: marks on what left panels, loose lots in phases, and where their units are now."""

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.errors import bad_input
from app.floor.amounts import AMOUNTS, OUT_OF_BOOK
from app.genealogy.colour_shares import bin_shares
from app.genealogy.corrected_bins import Corrected, as_corrected
from app.genealogy.draws import UNMARKED, Draw, Marks, Node, Outlet, Told
from app.genealogy.draws import Network as Draws
from app.genealogy.exposure_rows import BELOW, BESIDE, CONTENTS
from app.genealogy.lot_phases import Phases, Posting, phases_of
from app.genealogy.marked_panels import Marked, MarkedPanels
from app.genealogy.mixing import Mixing
from app.genealogy.suspect_cells import SuspectCells
from app.genealogy.suspects import Suspected, any_of, earlier
from app.genealogy.wafer_gave import most_given
from app.ledger import walk
from app.ledger.counting import spare_of
from app.ledger.flows import COUNTED_IN
from app.listed import tuples


class Place(NamedTuple):
    """What an outlet is: units on a panel, in a loose lot, in a pack, in a sample, or gone; `item` names the thing, 0 where it is several."""

    kind: str  # panel, lot, pack, sample, scrapped, difference
    item: int
    members: int = 1


@dataclass(frozen=True)
class Network:
    """`marked`: (units, surely, possibly marked) of each panel, whatever became of them; `units`: all units of each pack now.

    `found`: nodes of units that came from nowhere, by the record.
    """

    mixing: Mixing
    places: dict[Hashable, Place]
    marked: dict[int, Marked]
    units: dict[int, int]
    found: frozenset[Node]


def network(session: Session, suspicions: Sequence[Suspected], results: Path | None = None) -> Network:
    """Below suspicions that must all hold. All of several is told where each is known by panels or cells.

    `results`: the folder of unit results, by which colours may tell whose dies a bin has.
    """
    if len(suspicions) > 1 and any(one.loose or one.packs or one.perhaps_items("lot", "sample", "pack") for one in suspicions):
        raise bad_input(
            "All of these can't be told together.", "join", "One of them worked on loose units, where nobody knows which unit had the others.",
            "Ask for each alone, or for any of them.",
        )  # fmt: skip
    return _Builder(session, suspicions, results).build()


class _Builder:
    def __init__(self, session: Session, suspicions: Sequence[Suspected], results: Path | None) -> None:
        self.session, self.suspicions, self.results = session, suspicions, results
        self.numbers: dict[Hashable, int] = {}  # of nodes: ten thousand in a week, each looked up a hundred times
        self.told: dict[Node, Told] = {}
        self.cells = SuspectCells(session, suspicions)
        self.whole = any_of(suspicions)  # of loose lots and packs there is one suspicion alone
        self.panels = MarkedPanels(session, self.cells)
        self.marks: dict[Node, Marks] = {}
        self.draws: list[Draw] = []
        self.taken_in: defaultdict[Node, int] = defaultdict(int)
        self.outlets: dict[Hashable, Outlet] = {}
        self.places: dict[Hashable, Place] = {}
        self.short: list[tuple[int, int, int, int]] = []  # node of what left a panel as fewer units than cells, child, entry, units
        self.perhaps = self.whole.perhaps_items("lot", "sample")
        self.since: dict[int, int] = earlier(self.perhaps, self.whole.loose)  # loose lots and samples that marks come into
        self.pockets: set[walk.Content] = set()  # suspected as they are, wherever they lie now
        self.perhaps_pockets: set[walk.Content] = set()
        self.units: defaultdict[int, int] = defaultdict(int)
        self.uncertain: set[int] = set()  # loose lots where something was weighed, or counted by hand
        self.beside: set[int] = set()  # loose lots without a mark whose numbers bound those of others
        self.beside_nodes: set[Node] = set()
        self.found: set[Node] = set()  # units that were counted and came from nowhere
        self.slack: dict[tuple[int, int, str], int] = {}  # item, entry and kind of a count -> twice its standard uncertainty, whole units
        self.slack_in: defaultdict[Node, int] = defaultdict(int)  # node -> of what came in by no draw

    def build(self) -> Network:
        self._add_panels()
        if self.whole.packs or self.whole.perhaps_items("pack"):
            self._add_pockets_of_packs()
        self._add_lots()
        draws = Draws(self.marks, self.draws, self.taken_in, self.outlets, self.told, self.slack_in, names=list(self.numbers))
        return Network(Mixing(draws, self._greatest()), self.places, self.panels.panels, dict(self.units), frozenset(self.found))

    def _greatest(self) -> int | None:
        """What suspected wafers gave at most, where it is not sure of every cell; and no more than all cells, where units were found."""
        bounds = []
        if self.found and not any((self.whole.loose, self.whole.packs, self.perhaps, self.whole.perhaps_items("pack"))):
            bounds = [sum(marked.possible for marked in self.panels.panels.values())]
        if any(marked.sure != marked.possible for marked in self.panels.panels.values()):
            bounds += [greatest for one in self.suspicions if (greatest := most_given(self.session, one)) is not None]
        return min(bounds, default=None)

    def _node(self, *name: Hashable) -> int:
        return self.numbers.setdefault(name, len(self.numbers))

    # --- panels

    def _add_panels(self) -> None:
        left = [(child, e, marked) for (child, e), marked in self.panels.left.items()]
        for one in self.panels.short:
            node = self._node("exit", one.panel, one.e, one.child)
            self.marks[node] = Marks(*one.marked)
            left.append((one.child, one.e, one.marked))
            self.short.append((node, one.child, one.e, one.marked.units - one.lost))
            self._add_outlet(("unknown cells", one.panel, one.e), Place("scrapped", one.panel), Outlet(node, one.lost))
        for child, e, marked in left:
            if marked.possible:
                self.since[child] = min(e, self.since.get(child, e))
        if scrapped := self.panels.scrapped:
            marks = Marks(*map(sum, zip(*scrapped, strict=True)))
            self._add_outlet("known cells", Place("scrapped", 0, len(scrapped)), Outlet(None, marks.units, marks))
        for panel, marked in self.panels.here.items():
            self._add_outlet(("panel", panel), Place("panel", panel), Outlet(None, marked.units, Marks(*marked)))

    # --- loose lots and packs

    def _add_pockets_of_packs(self) -> None:
        """Packs that are suspected as they are: the pockets that lay in them, wherever these are now."""
        sure, perhaps = self.whole.packs, self.whole.perhaps_items("pack")
        reached = walk.down_from_packs(self.session, {**sure, **perhaps})
        there, off = walk.contents_of(self.session, packs=reached), walk.taken_off_packs(self.session, reached)
        for content in [*there, *off]:
            if _lay_in(sure, content):
                self.pockets.add(content)
            elif _lay_in(perhaps, content):
                self.perhaps_pockets.add(content)
        holding = {content.pack for content in there if content in self.pockets or content in self.perhaps_pockets}
        for content in there:
            if content.pack in holding:
                self.units[content.pack] += content.units
            if content in self.pockets:
                name, n = ("suspect pockets", content.pack, content.pocket_from), content.units
                self._add_outlet(name, Place("pack", content.pack), Outlet(None, n, Marks(n, n, n)))
            elif content in self.perhaps_pockets:
                node, n = self._node("on", content), content.units
                self.marks[node] = Marks(n, 0, n)
                self._add_outlet(("perhaps", content.pack, content.pocket_from), Place("pack", content.pack), Outlet(node, n))
        for content in off:
            if content in self.pockets or content in self.perhaps_pockets:
                node = self._node("off", content)
                self.marks[node] = Marks(content.units, content.units if content in self.pockets else 0, content.units)
                self.since[content.pack] = min(content.was_in[-1][1], self.since.get(content.pack, walk.NEVER))

    def _add_lots(self) -> None:
        rows = tuples(self.session, BELOW, seeds=self.since)
        lots = self._reached(rows)
        postings = self._postings(rows, lots)
        untaped: defaultdict[int, list[walk.Content]] = defaultdict(list)
        off_tapes = [(lot, pack, e) for lot, its in postings.items() for is_in, kind, _, pack, e in its if is_in and kind == "untape"]
        for content in walk.taken_off_at(self.session, off_tapes):
            untaped[content.pack].append(content)
        samples = self._samples(rows, lots)
        if self.slack:
            self._add_what_is_tied(postings)
            self.uncertain = {lot for lot, its in postings.items() if any(self._slack_of(lot, posting) for posting in its)}
            self.beside = set(postings) - lots
        phases = {
            lot: phases_of(
                self._node, lot, its, self._counts_of(lot, its) if lot in self.uncertain else {},
                [since[lot] for since in (self.perhaps, self.whole.loose) if lot in since],
            )
            for lot, its in postings.items()
        }  # fmt: skip
        self.beside_nodes.update(node for lot in self.beside for node in phases[lot].nodes)
        for lot, its in postings.items():
            self._add_lot(lot, "sample" if lot in samples else "lot", its, phases, untaped[lot])
            if self.results and any(kind == "bin" and not is_in for is_in, kind, *_ in its):
                self._add_what_colours_tell(lot, phases)
        self._add_what_left_panels(phases)
        self._add_packs(phases)

    def _reached(self, rows: Sequence[Any]) -> set[int]:
        """What marks come into: nothing that left a lot before they came."""
        out: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
        for way, child, parent, _, _, e, walked, *_ in rows:
            if walked and way == "out":
                out[parent].append((child, e))
        into = dict(self.since)
        waiting = list(into)
        while waiting:
            parent = waiting.pop()
            for child, e in out.get(parent, ()):
                if into[parent] <= e < into.get(child, walk.NEVER):
                    into[child] = e
                    waiting.append(child)
        return set(into)

    def _postings(self, rows: Sequence[Any], lots: set[int]) -> dict[int, list[Posting]]:
        postings: dict[int, list[Posting]] = {lot: [] for lot in lots}
        corrected: list[Corrected] = []
        for way, child, parent, kind, units, e, _, _, u in rows:
            if way == "in":
                if child in lots and kind in _COUNTED:
                    postings[child].append((True, kind, units, parent, e))
            elif way == "corrected":
                corrected.append(Corrected(child, parent, units, e))
            elif parent in lots and kind in _COUNTED:
                postings[parent].append((False, kind, units, child, e))
            if known_to := spare_of(u):
                self.slack[parent, e, kind] = known_to
        return as_corrected(postings, corrected) if corrected else postings

    def _add_what_is_tied(self, postings: dict[int, list[Posting]]) -> None:
        """Lots where no marks come, but what was weighed between them and these: their numbers bound it, too."""
        waiting = list(postings)
        while waiting:
            new = {
                posting[3]
                for lot in waiting
                for posting in postings[lot]
                if posting[1] in COUNTED_IN and posting[3] not in postings and self._slack_of(lot, posting)
            }
            if new:
                postings |= self._postings(tuples(self.session, BESIDE, seeds=new), new)
            waiting = list(new)

    def _samples(self, rows: Sequence[Any], lots: set[int]) -> set[int]:
        samples = {child for _, child, _, kind, _, _, _, off_tape, _ in rows if kind == "draw" or off_tape == "sample"} | self.panels.samples
        suspects = set(self.whole.loose) | set(self.perhaps) | {content.pack for content in self.pockets | self.perhaps_pockets} & lots
        return samples | {item for item, kind in walk.kinds_of(self.session, suspects).items() if kind == "sample"}

    def _add_lot(self, lot: int, kind: str, postings: Sequence[Posting], phases: dict[int, Phases], untaped: list[walk.Content]) -> None:
        mine = phases[lot]
        stayed = self._add_postings(lot, postings, phases, untaped)
        rest = None if lot in self.uncertain else 0  # what nobody counted is what is left, unless all of that was poured on
        carried = self._carry_on(lot, mine, stayed, rest)
        if carried or (rest is None and not any(how in _POURED for is_in, how, *_ in postings if not is_in)):
            place = Place(kind if carried else "within counting", lot)
            self._add_outlet(("here", lot), place, Outlet(mine.nodes[-1], carried, None, rest))

    def _add_postings(self, lot: int, postings: Sequence[Posting], phases: dict[int, Phases], untaped: list[walk.Content]) -> list[int]:
        """What came in and left, each at its phase; how much more came than left in each."""
        mine = phases[lot]
        nodes, stayed = mine.nodes, [0] * len(mine.nodes)
        for is_in, how, units, other, e in postings:
            phase = mine.at(e) if mine.begins else 0
            known_to = self._slack_of(lot, (is_in, how, units, other, e)) if self.slack else 0
            if is_in:
                self.taken_in[nodes[phase]] += units
                stayed[phase] += units
                if how == "untape":
                    self._add_untaped(nodes[phase], e, phases, untaped)
                elif other in phases:  # what came off panels is added at the end
                    self.draws.append(Draw(phases[other].node_at(e), nodes[phase], units, how == "bin", known_to))
                elif known_to:
                    self.slack_in[nodes[phase]] += known_to
                continue
            stayed[phase] -= units
            if how == "difference" and units < 0 and lot not in self.beside:
                self._add_found(("found", lot, e), nodes[phase], -units)
            elif how in _GONE and units > 0:
                what, slack = _GONE[how], None if e in mine.counts else known_to
                self._add_outlet((what, lot, e, how, len(self.outlets)), Place(what, lot), Outlet(nodes[phase], units, None, slack))
            elif lot in self.beside and how == "fill":
                self._add_outlet(("pockets", lot, e), Place("pack", other), Outlet(nodes[phase], units))
            elif lot in self.uncertain and how in _TO_LOTS and other not in phases:
                self.draws.append(Draw(nodes[phase], self._node("elsewhere", other, e), units, False, known_to))
        return stayed

    def _carry_on(self, lot: int, mine: Phases, stayed: Sequence[int], rest: int | None) -> int:
        """Draws from each phase to the next, and the lot's own marks at theirs; how much is left at the end."""
        nodes, marked_at, perhaps_at = mine.nodes, self.whole.loose.get(lot), self.perhaps.get(lot)
        carried = 0
        for phase, node in enumerate(nodes):
            if carried or (phase and rest is None):
                counted = mine.counts.get(mine.begins[phase - 1] - 1)
                self.draws.append(Draw(nodes[phase - 1], node, carried, False, rest if counted is None else counted))
                self.taken_in[node] += carried
            carried = max(0, carried + stayed[phase])
            if marked_at is not None and (marked_at == 0 or phase == mine.at(marked_at)):
                self.marks[node] = Marks(self.taken_in[node], self.taken_in[node], self.taken_in[node])
            elif perhaps_at is not None and phase == mine.at(perhaps_at):
                self.marks[node] = Marks(self.taken_in[node], 0, self.taken_in[node])
        return carried

    def _add_found(self, name: tuple[Hashable, ...], into: Node, units: int) -> None:
        """More was there than the book said, and nobody knows where it came from: any of it may be marked, and was counted elsewhere then."""
        found = self._node(*name)
        self.found.add(found)
        self.marks[found] = Marks(units, 0, units)
        self.draws.append(Draw(found, into, units))
        self.taken_in[into] += units

    def _add_what_left_panels(self, phases: dict[int, Phases]) -> None:
        """Marks of panels are the lot's own where it took in nothing else that may have any, as nearly always: a node less to go through."""
        for node, child, e, units in self.short:
            if child in phases:
                self.draws.append(Draw(node, phases[child].node_at(e), units))
        fed = {draw.child for draw in self.draws}
        for (child, e), marked in self.panels.left.items():
            if not marked.possible:
                continue
            into = phases[child].node_at(e)
            if into in fed or child in self.uncertain or child in self.whole.loose or child in self.perhaps:
                node = self._node("left", child, e)
                self.marks[node] = Marks(*marked)
                self.draws.append(Draw(node, into, marked.units))
            else:
                _, least, greatest = self.marks.get(into, UNMARKED)
                self.marks[into] = Marks(self.taken_in[into], least + marked.sure, greatest + marked.possible)

    def _slack_of(self, lot: int, posting: Posting) -> int:
        """Of what went between loose lots the count that opened it tells; of what is gone its own."""
        is_in, how, _, other, e = posting
        if how in COUNTED_IN:
            return self.slack.get((lot if is_in else other, e, "opening"), 0)
        return self.slack.get((lot, e, how), 0) if how in _GONE else 0

    def _counts_of(self, lot: int, postings: Sequence[Posting]) -> dict[int, int]:
        """Entry of each signed difference -> how well what was left is known: that was counted, and what is missing is not."""
        moved = {e for _, kind, _, _, e in postings if kind != "difference"}  # a difference booked with what was taken answers no count
        return {e: self.slack.get((lot, e, kind), 0) for _, kind, _, _, e in postings if kind == "difference" and e not in moved}

    def _add_what_colours_tell(self, lot: int, phases: dict[int, Phases]) -> None:
        assert self.results is not None
        for child, share in bin_shares(self.session, self.results, lot, self.cells).items():
            if child in phases and not phases[child].begins:  # that took in nothing else
                self.told[phases[child].nodes[0]] = Told(share.suspects, share.sd)

    def _add_untaped(self, node: int, e: int, phases: dict[int, Phases], untaped: list[walk.Content]) -> None:
        for content in untaped:
            if content.was_in[-1][1] != e:
                continue
            is_known = content in self.pockets or content in self.perhaps_pockets
            if is_known:
                self.draws.append(Draw(self._node("off", content), node, content.units))
            if content.loose in phases and content not in self.pockets:
                into = self._node("off", content) if is_known else node
                self.draws.append(Draw(phases[content.loose].filled_from(content), into, content.units))

    def _add_packs(self, phases: dict[int, Phases]) -> None:
        counted, marked = set(self.units), phases.keys() - self.beside
        for pack, first, last, loose, was_in in tuples(self.session, CONTENTS, loose=marked):
            if pack not in counted:
                self.units[pack] += last - first + 1
            if loose not in marked:
                continue
            mine = phases[loose]
            content = walk.content_of(pack, first, last, loose, was_in) if self.pockets or self.perhaps_pockets or mine.filled else None
            node = mine.filled_from(content) if content and mine.filled else mine.nodes[-1]
            if content in self.perhaps_pockets:
                self.draws.append(Draw(node, self._node("on", content), last - first + 1))
            elif content not in self.pockets:
                self._add_outlet(("pockets", pack, first), Place("pack", pack), Outlet(node, last - first + 1))

    def _add_outlet(self, name: Hashable, place: Place, outlet: Outlet) -> None:
        if outlet.node in self.beside_nodes:
            self.draws.append(Draw(outlet.node, self._node("elsewhere", name), outlet.units, False, outlet.slack))
        else:
            self.outlets[name], self.places[name] = outlet, place


def _lay_in(packs: Mapping[int, int], content: walk.Content) -> bool:
    """These pockets are in one of the packs, or lay in it until after its entry."""
    return content.pack in packs or any(pack in packs and left > packs[pack] for pack, left in content.was_in)


_POURED = frozenset(("merge", "carry"))
_TO_LOTS = frozenset((*COUNTED_IN, "bin", "draw"))
_COUNTED = frozenset((*AMOUNTS, *OUT_OF_BOOK))
_GONE = {"destroyed": "sample", "scrapped": "scrapped", "difference": "difference"}  # count entry -> what became of the units
