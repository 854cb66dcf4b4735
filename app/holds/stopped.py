"""Is a thing stopped? A hold stops X when a path of flows or lines leads from its subject to X that passes nothing released from it.

First walk up and probe: nearly always nothing is found. Only for a hit, walk again, cut at what that hold released.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import codes
from app.ledger import walk
from app.ledger.sets import Member
from app.ledger.stops import Hold, Release, ReleaseItem

Node = tuple[str, int]  # ("item", id) or ("line", id)


@dataclass(frozen=True)
class Stop:
    """A hold in force that stops something: its code, reason and subject's kind."""

    hold: int
    kind: str
    reason: str


def stops_on(session: Session, items: Iterable[int]) -> dict[int, list[Stop]]:
    """For each panel, loose lot, sample, pack, wafer or batch: the holds that stop it. Things that are free are left out."""
    wanted = list(dict.fromkeys(items))
    holds = list(session.scalars(select(Hold).where(Hold.closed_e.is_(None), Hold.kind != "station")))
    if not holds or not wanted:
        return {}
    above = _Above(session, wanted)
    subjects = {hold.id: above.nodes_of(session, hold) for hold in holds}
    hit = [hold for hold in holds if subjects[hold.id]]
    found: dict[int, list[Stop]] = defaultdict(list)
    for hold in hit:
        released = _released(session, hold)
        stopped_nodes = above.below(subjects[hold.id], released)
        for item in wanted:
            if ("item", item) in stopped_nodes:
                found[item].append(Stop(hold.id, hold.kind, hold.reason))
    return dict(found)


def station_stops(session: Session, station: int) -> list[Stop]:
    """Holds by which a station starts nothing."""
    rows = session.scalars(select(Hold).where(Hold.kind == "station", Hold.subject == station, Hold.closed_e.is_(None)))
    return [Stop(hold.id, hold.kind, hold.reason) for hold in rows]


def hold_words(stops: Iterable[Stop], names: dict[int, str]) -> str:
    return "; ".join(f"{names.get(stop.hold, codes.LETTERS['hold'])}: {stop.reason}" for stop in stops)


class _Above:
    """What is above some items, as a graph from causes down to them."""

    def __init__(self, session: Session, items: list[int]) -> None:
        kinds = walk.kinds_of(session, items)
        self.up = walk.up(session, [item for item in items if kinds[item] != "wafer"])
        self.lines = walk.lines_above(session, self.up)
        self.children: dict[Node, list[tuple[Node, tuple[int, ...]]]] = defaultdict(list)  # node -> (child, packs passed on the way)
        self.nodes: set[Node] = {("item", item) for item in items}
        self._add_flows(session)
        self._add_lines(session)
        self._add_wafers(session)

    def nodes_of(self, session: Session, hold: Hold) -> set[Node]:
        """The nodes of this graph that the hold's subject is."""
        if hold.kind == "set":
            panels = session.scalars(select(Member.panel).where(Member.set == hold.subject, Member.panel.in_(list(self.up.panels) or [0])))
            return {("item", panel) for panel in panels}
        if hold.kind == "line":
            return {("line", hold.subject)} & self.nodes
        if hold.kind == "run":
            return {("line", line.line) for line in self.lines if line.run == hold.subject}
        if hold.kind == "span":
            return {("line", line.line) for line in self.lines if line.station == hold.subject and _overlaps(line, hold)}
        return {("item", hold.subject)} & self.nodes

    def below(self, subjects: set[Node], released: set[int]) -> set[Node]:
        """Everything that a path reaches from the subjects and that passes nothing released (the end included)."""
        reached: set[Node] = set()
        waiting = [node for node in subjects if not _is_in(node, released)]
        while waiting:
            node = waiting.pop()
            if node in reached:
                continue
            reached.add(node)
            waiting += [
                child for child, passed in self.children[node] if not _is_in(child, released) and not released.intersection(passed)
            ]
        return reached

    def _link(self, parent: Node, child: Node, passed: tuple[int, ...] = ()) -> None:
        self.nodes |= {parent, child}
        self.children[parent].append((child, passed))

    def _add_flows(self, session: Session) -> None:
        off_tape: dict[tuple[int, int], list[int]] = defaultdict(list)
        for child, pack, e in walk.untaped(session, self.up.loose):
            off_tape[child, e].append(pack)
            self._link(("item", pack), ("item", child))
        for edge in self.up.edges:
            passed = tuple(off_tape.get((edge.child, edge.e), ())) if edge.kind == "through" else ()
            self._link(("item", edge.parent), ("item", edge.child), passed)
        for content in self.up.contents:
            before = tuple(pack for pack, _ in content.was_in)
            self._link(("item", content.loose), ("item", content.pack), before)
            for i, pack in enumerate(before):
                self._link(("item", pack), ("item", content.pack), before[i + 1 :])

    def _add_lines(self, session: Session) -> None:
        covered = walk.panels_of_lines(session, [line.line for line in self.lines if line.set is not None])
        for line in self.lines:
            node = ("line", line.line)
            if line.item is not None:
                self._link(node, ("item", line.item))
            for panel in covered.get(line.line, {}):
                if panel in self.up.panels:
                    self._link(node, ("item", panel))
        for batch, lines in walk.batches_above(session, self.up, self.lines).items():
            for used_in in lines:
                self._link(("item", batch), ("line", used_in))
            self.nodes.add(("item", batch))

    def _add_wafers(self, session: Session) -> None:
        for wafer, panels in walk.wafers_above(session, self.up, self.lines).items():
            for panel in panels:
                self._link(("item", wafer), ("item", panel))


def _released(session: Session, hold: Hold) -> set[int]:
    query = select(ReleaseItem.item).join(Release, Release.id == ReleaseItem.release).where(Release.hold == hold.id)
    return set(session.scalars(query))


def _is_in(node: Node, released: set[int]) -> bool:
    return node[0] == "item" and node[1] in released


def _overlaps(line: walk.LineAbove, hold: Hold) -> bool:
    begins_before_end = hold.span_to is None or line.started_at <= hold.span_to
    ends_after_begin = hold.span_from is None or line.ended_at is None or line.ended_at >= hold.span_from
    return begins_before_end and ends_after_begin


