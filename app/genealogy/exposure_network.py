"""The network of draws below a suspicion, from the record: marks on what left panels, loose lots in phases, and where their units are now."""

from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session

from app.errors import bad_input
from app.floor import bitmaps
from app.floor.amounts import Posting, amounts
from app.floor.exits import Exit, exits_of
from app.floor.marks import good_cells, good_units
from app.genealogy.colour_shares import bin_shares
from app.genealogy.mixing import Draw, Marks, Mixing, Outlet
from app.genealogy.suspect_cells import SuspectCells
from app.genealogy.suspects import Suspected, any_of
from app.ledger import walk

Lot = tuple[str, int, int]  # ("lot", item, phase)


@dataclass(frozen=True)
class Place:
    """What an outlet is: units on a panel, in a loose lot, in a pack, in a sample, or gone; `item` names the thing."""

    kind: str  # panel, lot, pack, sample, scrapped, difference
    item: int


@dataclass(frozen=True)
class Network:
    """`marked`: (units, surely, possibly marked) of each panel, whatever became of them; `units`: all units of each pack now."""

    mixing: Mixing
    places: dict[Hashable, Place]
    marked: dict[int, tuple[int, int, int]]
    units: dict[int, int]


def network(session: Session, suspicions: Sequence[Suspected], results: Path | None = None) -> Network:
    """Below suspicions that must all hold. All of several is told where each is known by panels or cells.

    `results`: the folder of unit results, by which colours may tell whose dies a bin has.
    """
    if len(suspicions) > 1 and any(one.loose or one.packs for one in suspicions):
        raise bad_input(
            "All of these can't be told together.", "join", "One of them worked on loose units, where nobody knows which unit had the others.",
            "Ask for each alone, or for any of them.",
        )  # fmt: skip
    return _Builder(session, suspicions, results).build()


class _Builder:
    def __init__(self, session: Session, suspicions: Sequence[Suspected], results: Path | None) -> None:
        self.session, self.results = session, results
        self.told: dict[Hashable, float] = {}
        self.cells = SuspectCells(session, suspicions)
        self.whole = any_of(suspicions)  # of loose lots and packs there is one suspicion alone
        self.marks: dict[Hashable, Marks] = {}
        self.draws: list[Draw] = []
        self.taken_in: defaultdict[Hashable, int] = defaultdict(int)
        self.outlets: dict[Hashable, Outlet] = {}
        self.places: dict[Hashable, Place] = {}
        self.marked: dict[int, tuple[int, int, int]] = {}
        self.exits: dict[tuple[int, int, int], Hashable] = {}  # (panel, child, entry) -> node
        self.since: dict[int, int] = dict(self.whole.loose)  # loose lots and samples that marks come into

    def build(self) -> Network:
        exits: defaultdict[int, list[Exit]] = defaultdict(list)
        for exit_ in exits_of(self.session, self.cells.panels):
            exits[exit_.panel].append(exit_)
        good, units = good_cells(self.session, self.cells.panels), good_units(self.session, self.cells.panels)
        for panel in self.cells.panels:
            for exit_ in exits[panel]:
                self._add_exit(exit_)
            gone = any(not exit_.to_sample for exit_ in exits[panel])
            self._add_panel(panel, good[panel], 0 if gone else units[panel], exits[panel], gone=gone)
        self._add_pockets_of_packs()
        packs = self._add_lots()
        return Network(Mixing(self.marks, self.draws, self.taken_in, self.outlets, self.told), self.places, self.marked, self._units_of(packs))

    # --- panels

    def _add_exit(self, exit_: Exit) -> None:
        sure, possible = self.cells.at(exit_.panel, exit_.e).within(exit_.cells)
        cells = max(bitmaps.count(exit_.cells), exit_.units)
        node = ("exit", exit_.panel, exit_.e, exit_.child)
        self.exits[exit_.panel, exit_.child, exit_.e] = node
        self.marks[node] = Marks(cells, sure, possible)
        if cells > exit_.units:  # units were scrapped, and nobody knows of which cells
            self._add_outlet(("unknown cells", exit_.panel, exit_.e), Place("scrapped", exit_.panel), Outlet(node, cells - exit_.units))
        if possible:
            self.since[exit_.child] = min(exit_.e, self.since.get(exit_.child, exit_.e))

    def _add_panel(self, panel: int, good: bitmaps.Bitmap, units: int, exits: list[Exit], *, gone: bool) -> None:
        """What is on the panel now, and the marked cells that went to scrap as they are known."""
        now = self.cells.at(panel, walk.NEVER)
        left = bitmaps.empty(*self.cells.sizes[panel])
        for exit_ in exits:
            left = left | exit_.cells
        if not gone:
            sure, possible = now.within(good)
            lost = max(0, bitmaps.count(good) - units)
            here = Marks(units, max(0, sure - lost), min(possible, units))
            self._add_outlet(("panel", panel), Place("panel", panel), Outlet(None, units, here))
            if lost:
                self._add_outlet(
                    ("lost", panel), Place("scrapped", panel), Outlet(None, lost, Marks(lost, max(0, sure - units), min(possible, lost)))
                )
        nothing = bitmaps.empty(*self.cells.sizes[panel])
        bad = bitmaps.full(*self.cells.sizes[panel]) & ~left & ~(nothing if gone else good)
        sure, possible = now.within(bad)
        if possible:
            n = bitmaps.count(bad)
            self._add_outlet(("bad cells", panel), Place("scrapped", panel), Outlet(None, n, Marks(n, sure, possible)))
        sure, possible = now.within(bitmaps.full(*self.cells.sizes[panel]))
        self.marked[panel] = (self.cells.sizes[panel][0] * self.cells.sizes[panel][1], sure, possible)

    # --- loose lots and packs

    def _add_pockets_of_packs(self) -> None:
        """Packs that are suspected as they are: the pockets that lay in them, wherever these are now."""
        self.pockets: set[walk.Content] = set()
        if not self.whole.packs:
            return
        reached = walk.down_from_packs(self.session, self.whole.packs)
        for content in [*walk.contents_of(self.session, packs=reached), *walk.taken_off_packs(self.session, reached)]:
            if content.pack in self.whole.packs or any(pack in self.whole.packs and left > self.whole.packs[pack] for pack, left in content.was_in):
                self.pockets.add(content)
        for content in walk.contents_of(self.session, packs=reached):
            if content in self.pockets:
                name, n = ("suspect pockets", content.pack, content.pocket_from), content.units
                self._add_outlet(name, Place("pack", content.pack), Outlet(None, n, Marks(n, n, n)))
        for content in walk.taken_off_packs(self.session, reached):
            if content in self.pockets:
                node = ("off", content)
                self.marks[node] = Marks(content.units, content.units, content.units)
                self.since[content.pack] = min(content.was_in[-1][1], self.since.get(content.pack, walk.NEVER))

    def _add_lots(self) -> set[int]:
        edges, contents = walk.down(self.session, self.since, self.since)
        lots = {*self.since, *(edge.child for edge in edges)}
        kinds = walk.kinds_of(self.session, lots)
        untaped: defaultdict[int, list[walk.Content]] = defaultdict(list)
        for content in walk.taken_off(self.session, lots):
            untaped[content.pack].append(content)
        self.last: dict[int, Lot] = {}
        postings = {lot: one.postings for lot, one in amounts(self.session, lots).items()}
        phases = {lot: _phases(rows) for lot, rows in postings.items()}
        for lot in lots:
            self._add_lot(lot, kinds[lot], postings[lot], phases, untaped[lot])
            if self.results and any(row.kind == "bin" and row.what == "out" for row in postings[lot]):
                self._add_what_colours_tell(lot, phases)
        for content in contents:
            if content not in self.pockets:
                name = ("pockets", content.pack, content.pocket_from)
                self._add_outlet(name, Place("pack", content.pack), Outlet(("lot", content.loose, phases[content.loose].last), content.units))
        return {content.pack for content in contents} | {place.item for place in self.places.values() if place.kind == "pack"}

    def _add_lot(self, lot: int, kind: str, postings: Sequence[Posting], phases: dict[int, "_Phases"], untaped: list[walk.Content]) -> None:
        mine = phases[lot]
        marked_at = self.whole.loose.get(lot)
        left: defaultdict[int, int] = defaultdict(int)
        for row in postings:
            node = ("lot", lot, mine.at(row.e))
            if row.what == "in":
                self.taken_in[node] += row.units
                left[node[2]] += row.units
                self._add_inflow(lot, node, row, phases, untaped)
            elif row.what == "out":
                left[node[2]] -= row.units
            else:
                left[node[2]] -= row.units
                if row.kind != "draw" and row.units > 0:
                    what = "sample" if row.what == "sampled" else "difference" if row.kind == "difference" else "scrapped"
                    self._add_outlet((what, lot, row.e, row.kind, len(self.outlets)), Place(what, lot), Outlet(node, row.units))
        carried = 0
        for phase in range(mine.last + 1):
            node = ("lot", lot, phase)
            if carried:
                self.draws.append(Draw(("lot", lot, phase - 1), node, carried))
                self.taken_in[node] += carried
            carried = max(0, carried + left[phase])
            if marked_at is not None and (marked_at == 0 or phase == mine.at(marked_at)):
                self.marks[node] = Marks(self.taken_in[node], self.taken_in[node], self.taken_in[node])
        if carried:
            self._add_outlet(("here", lot), Place("sample" if kind == "sample" else "lot", lot), Outlet(("lot", lot, mine.last), carried))

    def _add_what_colours_tell(self, lot: int, phases: dict[int, "_Phases"]) -> None:
        assert self.results is not None
        for child, share in bin_shares(self.session, self.results, lot, self.cells).items():
            if child in phases and not phases[child].last:  # that took in nothing else
                self.told["lot", child, 0] = share.suspects

    def _add_inflow(self, lot: int, node: Lot, row: Posting, phases: dict[int, "_Phases"], untaped: list[walk.Content]) -> None:
        if row.kind == "cells":
            if exit_ := self.exits.get((row.other or 0, lot, row.e)):
                self.draws.append(Draw(exit_, node, row.units))
        elif row.kind == "untape":
            for content in untaped:
                if content.was_in[-1][1] != row.e:
                    continue
                if content in self.pockets:
                    self.draws.append(Draw(("off", content), node, content.units))
                elif content.loose in phases:
                    self.draws.append(Draw(("lot", content.loose, phases[content.loose].last), node, content.units))
        elif row.other in phases:
            self.draws.append(Draw(("lot", row.other, phases[row.other].at(row.e)), node, row.units, by_bin=row.kind == "bin"))

    def _add_outlet(self, name: Hashable, place: Place, outlet: Outlet) -> None:
        self.outlets[name], self.places[name] = outlet, place

    def _units_of(self, packs: set[int]) -> dict[int, int]:
        found: defaultdict[int, int] = defaultdict(int)
        for content in walk.contents_of(self.session, packs=packs):
            found[content.pack] += content.units
        return dict(found)


@dataclass(frozen=True)
class _Phases:
    """A loose lot takes in and then gives out. Where a sample or scrap left before more came in, a phase begins with what came."""

    begins: tuple[int, ...]  # entries at which a further phase begins

    @property
    def last(self) -> int:
        return len(self.begins)

    def at(self, e: int) -> int:
        return sum(begin <= e for begin in self.begins)


def _phases(postings: Sequence[Posting]) -> _Phases:
    begins, gave = [], False
    for row in sorted(postings, key=lambda row: (row.e, row.what == "in")):
        if row.what == "in" and gave:
            begins.append(row.e)
            gave = False
        elif row.what != "in":
            gave = True
    return _Phases(tuple(begins))
