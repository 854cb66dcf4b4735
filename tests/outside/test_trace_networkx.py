"""The trace against networkx: histories of splits, merges, fills, cuts and re-reels, kept as a graph by the test itself while it acts."""

import random
from typing import Any

import networkx as nx
import pytest

from app.db import House
from app.errors import Refused
from app.final_test.singulate import singulate
from app.floor import loose
from app.floor.amounts import book_of
from app.floor.dispositions import dispose
from app.floor.ends import finish_run
from app.genealogy.trace import trace_back, trace_forward
from app.ledger.places import Load
from app.ledger.runs import Run
from app.naming.resolve import Named, resolve
from app.ovens import loads
from app.packing import fill
from tests.small_factory import Factory, named_lot, named_pack


class Walker:
    """Acts at random, and draws an arrow from every thing to what came of it."""

    def __init__(self, house: House, seed: int) -> None:
        self.f, self.rng, self.graph = Factory(house).load(), random.Random(seed), nx.DiGraph()
        self.f.mount("Attach", self.f.batch("GLUE"), self.f.wafer())
        self.f.mount("Bond 1", self.f.batch("AU20"))
        self.lots: list[Named] = []
        self.packs: list[Named] = []

    def do(self, action: str, verb: Any) -> Any:
        return self.f.do(action, verb)

    def new_lot(self) -> None:
        panels = self.f.panels(self.rng.randint(1, 3))
        lot = self.f.lot(panels)
        self.f.run("Attach", lot)
        load = self.do("begin_load", lambda s, by: loads.begin_load(s, by, self.f.things["Oven"], "C170").id)
        self.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")))
        run = self.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
        line = self.do("end_load", lambda s, by: finish_run(s, by, s.get_one(Run, run))[0].id)
        self.do("dispose", lambda s, by: dispose(s, by, line, "concession", "no logger").id)
        for station, values in (("Plasma", {}), ("Bond 1", {"pull": 5.0}), ("Scope", {})):
            self.f.run(station, lot, **values)
        saw = self.f.start("Saw", lot)
        made = self.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))
        self.graph.add_edges_from((panel.code, made.code) for panel in panels)
        test = self.f.start("Tester", made)
        self.f.finish(test)
        self.lots.append(made)

    def split(self) -> None:
        lot = self.rng.choice(self.lots)
        part = self.do("split_loose", lambda s, by: named_lot(s, loose.split_loose(s, by, lot.id, self.rng.randint(1, 10)).item))
        self.graph.add_edge(lot.code, part.code)
        self.lots.append(part)

    def merge(self) -> None:
        into, other = self.rng.sample(self.lots, 2)
        made = self.do("merge_loose", lambda s, by: named_lot(s, loose.merge_loose(s, by, into.id, [other.id]).item))
        if made.code != into.code:
            self.graph.add_edge(into.code, made.code)
        self.graph.add_edge(other.code, made.code)
        self.lots = [lot for lot in self.lots if lot.code not in (into.code, other.code)] + [made]

    def pack(self) -> None:
        with self.f.house.reading() as session:
            there = {lot: book_of(session, lot.id) for lot in self.lots}
        full = [lot for lot in self.lots if there[lot]]
        lots = self.rng.sample(full, min(len(full), self.rng.randint(1, 2)))
        parts = [fill.Part(lot, min(8, there[lot])) for lot in lots]
        verb = lambda s, by: named_pack(  # noqa: E731
            s, fill.fill_pack(s, by, self.f.things["Taper"], parts, size=30, line_clear=True, short_reason="a test").item
        )
        pack = self.do("fill_pack", verb)
        self.graph.add_edges_from((lot.code, pack.code) for lot in lots)
        self.packs.append(pack)


@pytest.mark.parametrize("seed", range(4))
def test_ancestors_and_descendants_are_those_of_the_graph(house: House, seed: int) -> None:
    walker = Walker(house, seed)
    for _ in range(3):
        walker.new_lot()
    for _ in range(14):
        try:
            walker.rng.choice([walker.split, walker.merge, walker.pack, walker.pack])()
        except (Refused, ValueError):
            continue  # too few units, or nothing to merge: nothing happened
    walker.new_lot()
    walker.pack()
    with house.walking() as session:
        for pack in walker.packs:
            found = trace_back(session, pack)
            traced = {row.code for row in found.panels} | {row.code for row in found.lots if row.words.startswith("loose")}
            assert traced == nx.ancestors(walker.graph, pack.code)
        for panel in [node for node in walker.graph if node.startswith("P")]:
            forward = trace_forward(session, resolve(session, panel))
            reached = {node for node in nx.descendants(walker.graph, panel) if node.startswith("K")}
            assert {row.code for row in forward.packs} == reached

