"""What holds stop, by following every touch and every state from the held thing onward, cut at what was released.

A hold stops a thing when some path leads from its subject to what is in the thing now and passes nothing released from that hold.
Lots and containers, held or released, mean what is in them at that moment. A held loose lot or pack means what had left it before as well.
The rules do not say more about time, so three readings of a release are tried: it cuts every path through the item, whenever (`ever`);
those of what is in it then or comes later (`then_on`); those of what is in it then (`then`). What is stopped under every reading is
`surely` stopped; under some only, `arguably`: a driver should not ask about these.
"""

from dataclasses import dataclass, field

from tests.oracle.answers import possible_of_unit, sources_of
from tests.oracle.state import State
from tests.oracle.things import Exit, Hold, Line, Node, Panel, Released, Unit

READINGS = ("ever", "then_on", "then")


@dataclass(frozen=True)
class Stops:
    """Holds that stop a thing, and holds of which it could be argued."""

    surely: frozenset[str]
    arguably: frozenset[str]


def stops_of(state: State, thing: str) -> Stops:
    """Of a panel, panel lot (any of its panels), loose lot, sample, pack, wafer or batch."""
    surely, arguably = set(), set()
    for hold in in_force(state):
        answers = {Follow(state, hold, release).stops(thing) for release in READINGS}
        if answers == {True}:
            surely.add(hold.name)
        elif True in answers:
            arguably.add(hold.name)
    return Stops(frozenset(surely), frozenset(arguably))


def station_stops(state: State, station: str) -> frozenset[str]:
    """Holds by which a station starts nothing."""
    return frozenset(hold.name for hold in in_force(state) if hold.subject == f"station:{station}" and hold.span is None)


def in_force(state: State) -> list[Hold]:
    return [hold for hold in state.holds.values() if not hold.ended]


@dataclass
class Follow:
    """One hold under one reading."""

    state: State
    hold: Hold
    release: str
    known: dict[int, bool] = field(default_factory=dict)

    def stops(self, thing: str) -> bool:
        if thing in self.state.batches:
            return self._batch_reached(thing, self.state.now + 1)
        if thing in self.state.wafers:
            return self.hold.subject == thing and not self._passed_item(thing, self.state.now + 1)
        return any(self._reached(source) for source in sources_of(self.state, thing))

    def _reached(self, source: Node | Exit) -> bool:
        """Whether a path reaches a state (and may go on from it)."""
        waiting = [source]
        while waiting:
            one = waiting[-1]
            if id(one) in self.known:
                waiting.pop()
                continue
            above = [before for before, _ in one.inputs if id(before) not in self.known] if isinstance(one, Node) else []
            if above:
                waiting += above
                continue
            self.known[id(one)] = self._node(one) if isinstance(one, Node) else any(self._cell(unit, one) for unit in one.cells)
            waiting.pop()
        return self.known[id(source)]

    def _node(self, node: Node) -> bool:
        if any(self._cuts_state(released, node) for released in self._released(node.thing)):
            return False
        return self._begins_at(node) or any(self.known[id(before)] for before, _ in node.inputs)

    def _begins_at(self, node: Node) -> bool:
        subject = self.hold.subject
        if subject == node.thing:
            again = self.release == "then" and any(released.at < node.born for released in self._released(node.thing))
            return not again
        return node is self.hold.node or any(self._line_reached(line) for line in node.lines)

    def _cuts_state(self, released: Released, node: Node) -> bool:
        how = self._reading(released)
        if how == "ever":
            return True
        return node.died > released.at and (how == "then_on" or node.born <= released.at)

    def _cell(self, unit: Unit, exit_: Exit) -> bool:
        """Whether a path leads to this cell as it left its panel, or as it is there now."""
        return any(not self._panel_cut(unit.panel, touched, exit_.at) for touched in self._touches(unit, exit_))

    def _panel_cut(self, panel: Panel, touched: float, left: float) -> bool:
        for released in self._released(panel.name):
            how = self._reading(released)
            if how == "ever" or (left > released.at and (how == "then_on" or touched <= released.at)):
                return True
        return False

    def _touches(self, unit: Unit, exit_: Exit) -> list[float]:
        """When the held thing came to this cell."""
        hold, panel = self.hold, unit.panel
        found: list[float] = []
        if hold.subject == panel.name:
            found.append(panel.received)
        if panel in hold.panels and exit_.at > hold.at:
            found.append(hold.at)
        if self._batch_reached(panel.frame, panel.received):
            found.append(panel.received)
        lines = [line for _, lines, _ in exit_.works for line in lines]
        found += [line.opened for line in lines if self._line_reached(line)]
        if hold.subject in self.state.wafers and hold.subject in possible_of_unit(self.state, unit, exit_):
            onto = [line.opened for line in lines if hold.subject in line.uses and not self._passed_item(hold.subject, line.opened)]
            found += onto
        return found

    def _line_reached(self, line: Line) -> bool:
        if line.run.void:
            return False
        hold = self.hold
        if hold.subject in (line.name, line.run.name):
            return True
        if hold.span is not None and hold.subject == f"station:{line.run.station}":
            begins, ends = hold.span
            return (ends is None or line.opened <= ends) and (line.closed is None or line.closed >= begins)
        return any(use in self.state.batches and self._batch_reached(use, line.opened) for use in line.uses)

    def _batch_reached(self, batch: str, used: int) -> bool:
        """Whether a chain of mixings leads from the held batch to this one, as it was used at a tick."""
        waiting = [(batch, used)]
        while waiting:
            one, left = waiting.pop()
            if self._passed_item(one, left):
                continue
            if one == self.hold.subject:
                return True
            waiting += [(parent, self.state.batches[one].made) for parent in self.state.batches[one].parents]
        return False

    def _passed_item(self, item: str, left: float) -> bool:
        """What left a batch or wafer at a tick passes a release of it."""
        return any(self._reading(released) == "ever" or left > released.at for released in self._released(item))

    def _released(self, item: str) -> list[Released]:
        return [released for released in self.hold.released if released.item == item]

    def _reading(self, released: Released) -> str:
        """Lots and containers are read as they say: what is in them at that moment."""
        return "then_on" if released.moment and self.release == "ever" else self.release
