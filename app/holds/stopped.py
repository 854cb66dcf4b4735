"""Is a thing stopped? A hold stops X when a path of flows or lines leads from its subject to X that passes nothing released from it.

First walk up and probe: nearly always nothing is found. Only for a hit, walk again, cut at what that hold released.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import bindparam, func, or_, select
from sqlalchemy.orm import Session

from app.holds.probe import holds_near
from app.ledger import walk
from app.ledger.sets import Member
from app.ledger.stops import Hold, Release, ReleaseItem
from app.ledger.travels import LineAbove
from app.ledger.used import uses_of
from app.ledger.wafer_ways import mounted, wafer_ways
from app.listed import Question, listed, together, tuples

Node = tuple[str, int]  # ("item", id), ("line", id), or ("pack", id): what lies in a pack as a whole, whatever its pockets hold


@dataclass(frozen=True)
class _Way:
    """Something of a node left it at entry `leaves`, through the items of `passed` (left at), and came into `child` at `arrives`."""

    child: Node
    leaves: int
    arrives: int
    passed: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Stop:
    """A hold in force that stops something: its code, reason and subject's kind."""

    hold: int
    kind: str
    reason: str


def stops_on(session: Session, items: Iterable[int]) -> dict[int, list[Stop]]:
    """For each panel, loose lot, sample, pack, wafer or batch: the holds that stop it. Things that are free are left out."""
    wanted = list(dict.fromkeys(items))
    return _stops_on(session, wanted) if wanted and tuples(session, _IS_ANY) else {}


def stops_at(station: int) -> Question[list[Stop]]:
    """The holds by which a station starts nothing; and any other, if there is one."""
    return Question(_OF_STATION_AND_ANY, {"station": station}, lambda rows: [Stop(*row) for row in rows])


def stops_here(session: Session, found: list[Stop], items: Iterable[int]) -> tuple[list[Stop], dict[int, list[Stop]]]:
    """Of what `stops_at` told: the station's own, and `stops_on` for what would start there. Nothing more is asked where nothing is on hold."""
    of_station, wanted = [stop for stop in found if stop.kind == "station"], list(dict.fromkeys(items))
    return of_station, _stops_on(session, wanted) if wanted and len(found) > len(of_station) else {}


def _stops_on(session: Session, wanted: list[int]) -> dict[int, list[Stop]]:
    kinds = walk.kinds_of(session, wanted)
    up = walk.up(session, [item for item in wanted if kinds[item] != "wafer"], kinds)
    holds = _holds_near(session, up, [item for item in wanted if kinds[item] in ("wafer", "batch")])
    if not holds:
        return {}
    above = _Above(session, wanted, up, {hold.kind for hold in holds})
    subjects = above.nodes_of(session, holds)
    hit = [hold for hold in holds if subjects[hold.id]]
    releases = _released(session, hit)
    found: dict[int, list[Stop]] = defaultdict(list)
    for hold in hit:
        released = releases.get(hold.id, {})
        stopped_nodes = above.below(subjects[hold.id], released)
        for item in wanted:
            if ("item", item) in stopped_nodes and item not in released:
                found[item].append(Stop(hold.id, hold.kind, hold.reason))
    return dict(found)


_IN_FORCE = select(Hold).where(Hold.closed_e.is_(None), Hold.kind != "station")
_IS_ANY = listed("select 1 from hold where closed_e is null and kind <> 'station' limit 1")  # asked by every trace and most acts
_ANY = _IN_FORCE.with_only_columns(Hold.id).limit(1)
_OF_STATION_AND_ANY = select(Hold.id, Hold.kind, Hold.reason).where(
    Hold.closed_e.is_(None), or_((Hold.kind == "station") & (Hold.subject == bindparam("station")), Hold.id == _ANY.scalar_subquery())
)


def _holds_near(session: Session, up: walk.Up, material: list[int]) -> list[Hold]:
    """The holds that the probe finds on what is above: nearly always none."""
    near = holds_near(session, sorted(up.panels), [*material, *up.batches], sorted(up.loose | up.packs))
    return list(session.scalars(_IN_FORCE.where(Hold.id.in_(near)).order_by(Hold.id))) if near else []


def station_stops(session: Session, station: int) -> list[Stop]:
    (found,) = together(session, stops_at(station))
    return stops_here(session, found, ())[0]


class _Above:
    """What is above some items, as a graph from causes down to them. No way leads backward in time.

    Of wafers, batches and lines, which nothing else leads to, only what a hold of these `kinds` may be on.
    """

    def __init__(self, session: Session, items: list[int], up: walk.Up, kinds_held: set[str]) -> None:
        self.up = up
        self.lines = walk.lines_above(session, self.up) if kinds_held & {"line", "run", "span", "batch", "wafer"} else []
        self.uses = uses_of(session, [line.line for line in self.lines]) if kinds_held & {"batch", "wafer"} else []
        self.ways: dict[Node, list[_Way]] = defaultdict(list)
        self.nodes: set[Node] = {("item", item) for item in items}
        self._add_flows()
        self._add_contents(session)
        self._add_lines()
        if "batch" in kinds_held:
            self._add_batches(session)
        if "wafer" in kinds_held:
            self._add_wafers(session)

    def nodes_of(self, session: Session, holds: list[Hold]) -> dict[int, dict[Node, int]]:
        """By hold: the nodes of this graph that its subject is, each with the entry from which on it is meant."""
        sets = [hold.subject for hold in holds if hold.kind == "set"]
        members: dict[int, list[int]] = defaultdict(list)
        if sets and self.up.panels:
            query = select(Member.set, Member.panel).where(Member.set.in_(sets), Member.panel.in_(list(self.up.panels)))
            for one, panel in session.execute(query):
                members[one].append(panel)
        return {hold.id: self._nodes_of(hold, members) for hold in holds}

    def _nodes_of(self, hold: Hold, members: dict[int, list[int]]) -> dict[Node, int]:
        """A lot or container means what is in it at that moment. What the program holds by itself is meant wherever it went."""
        at_that_moment = hold.e if not hold.automatic and (hold.kind == "set" or hold.container is not None) else 0
        if hold.kind == "set":
            return {("item", panel): at_that_moment for panel in members[hold.subject]}
        if hold.kind in ("line", "run", "span"):
            return {("line", line.line): line.e for line in self.lines if is_meant(line, hold)}
        node = ("pack" if hold.kind == "pack" else "item", hold.subject)
        return {node: at_that_moment} if node in self.nodes else {}

    def below(self, subjects: dict[Node, int], released: dict[int, int]) -> set[Node]:
        """Everything that a way reaches from the subjects and that passes nothing released (item -> entry of its release)."""
        since: dict[Node, int] = {}
        waiting = list(subjects.items())
        while waiting:
            node, e = waiting.pop()
            if e >= since.get(node, walk.NEVER + 1):
                continue
            since[node] = e
            for way in self.ways[node]:
                left = (*way.passed, *(((node[1], way.leaves),) if node[0] != "line" else ()))
                if way.leaves >= e and not any(item in released and at > released[item] for item, at in left):
                    waiting.append((way.child, way.arrives))
        return set(since)

    def _link(self, parent: Node, child: Node, leaves: int, arrives: int | None = None, passed: tuple[tuple[int, int], ...] = ()) -> None:
        self.nodes |= {parent, child}
        self.ways[parent].append(_Way(child, leaves, leaves if arrives is None else arrives, passed))

    def _add_flows(self) -> None:
        for edge in self.up.edges:
            if edge.kind != "through":  # what lay in pockets comes by its contents
                self._link(("item", edge.parent), ("item", edge.child), edge.e)

    def _add_contents(self, session: Session) -> None:
        """Pockets came from a loose lot, through packs, to where they are: in a pack, or off the tape in a loose lot or sample."""
        contents = [*((one, walk.NEVER) for one in self.up.contents), *((one, one.was_in[-1][1]) for one in self.up.off_tape)]
        filled = walk.filled_at(session, {(one.was_in[0][0] if one.was_in else one.pack, one.loose) for one, _ in contents})
        for one, arrives in contents:
            child = ("item", one.pack)
            for e in filled[one.was_in[0][0] if one.was_in else one.pack, one.loose]:
                self._link(("item", one.loose), child, e, arrives, one.was_in)
            for i, (pack, left) in enumerate(one.was_in):
                self._link(("pack", pack), child, left, arrives, one.was_in[i + 1 :])
        for pack in self.up.packs:
            self._link(("pack", pack), ("item", pack), walk.NEVER)

    def _add_lines(self) -> None:
        for line in self.lines:
            node = ("line", line.line)
            if line.item is not None:
                self._link(node, ("pack" if line.item in self.up.packs else "item", line.item), line.e)
            for panel in self.up.travels.covered(line.line):
                self._link(node, ("item", panel), line.e)

    def _add_batches(self, session: Session) -> None:
        entries = {line.line: line.e for line in self.lines}
        for batch, lines in walk.batches_above(session, self.up, self.uses).items():
            for used_in in lines:
                self._link(("item", batch), ("line", used_in), entries[used_in])
            self.nodes.add(("item", batch))

    def _add_wafers(self, session: Session) -> None:
        """A wafer reaches what left a panel by the cells that went, so it goes past the panel itself."""
        for way in wafer_ways(session, self.up, mounted(self.up, self.lines, self.uses)):
            if way.child is None:
                self._link(("item", way.wafer), ("item", way.panel), way.since, walk.NEVER)
            else:
                self._link(("item", way.wafer), ("item", way.child), way.since, way.left, ((way.panel, way.left),))


def _released(session: Session, holds: list[Hold]) -> dict[int, dict[int, int]]:
    """By hold, item -> entry of its first release: what had left it before is not freed with it."""
    found: dict[int, dict[int, int]] = defaultdict(dict)
    if holds:
        query = select(Release.hold, ReleaseItem.item, func.min(ReleaseItem.e)).join(Release, Release.id == ReleaseItem.release)
        for hold, item, e in session.execute(query.where(Release.hold.in_([hold.id for hold in holds])).group_by(Release.hold, ReleaseItem.item)):
            found[hold][item] = e
    return found


def is_meant(line: LineAbove, hold: Hold) -> bool:
    """Whether a hold on a line, a run, or what ran at a station in a span of time is on this line."""
    if hold.kind == "span":
        return line.station == hold.subject and _overlaps(line, hold)
    return hold.subject == (line.line if hold.kind == "line" else line.run)


def _overlaps(line: LineAbove, hold: Hold) -> bool:
    begins_before_end = hold.span_to is None or line.started_at <= hold.span_to
    ends_after_begin = hold.span_from is None or line.ended_at is None or line.ended_at >= hold.span_from
    return begins_before_end and ends_after_begin
