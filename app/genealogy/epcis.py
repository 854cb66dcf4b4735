"""The chain of a pack or lot as a GS1 EPCIS 2.0 document in JSON-LD (ISO/IEC 19987), in the words of the CBV 2.0.

Which word stands for which work is our choice, for the vocabulary has none for this trade: what puts something on a panel is *assembling*,
what makes units loose, splits or joins them *commissioning* of what comes out, a cure, a cleaning or a lot that panels join *other*. A batch
and a loose lot are classes with a quantity, all else instances. The operation's own name stands beside, under our prefix.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from app.genealogy.chain import Chain, Moved, Passing, Work
from app.genealogy.uris import Uris
from app.receiving.cbv import CONTEXT

Event = dict[str, Any]
STEPS = {
    "die attach": "assembling", "wire bond": "assembling", "encapsulate": "assembling", "mould": "assembling", "cure": "other",
    "plasma clean": "other", "clean": "other", "inspect": "inspecting", "singulate": "disassembling", "test": "inspecting", "tape": "packing",
    "dry pack": "packing", "outside work": "other",
}  # fmt: skip
VERDICTS = {"conforms": "conformant", "does_not_conform": "non_conformant", "cannot_tell": "unknown", "": "in_progress"}
MOVES = {  # of what is moved: step and condition
    "shipped": ("shipping", "in_transit"), "returned": ("receiving", "returned"), "stock": ("storing", "sellable_not_accessible"),
    "outside": ("departing", "in_transit"), "floor": ("arriving", "in_progress"),
}  # fmt: skip
FLOWS = {
    "frame": "commissioning", "mix": "commissioning", "cells": "commissioning", "merge": "commissioning", "split": "commissioning",
    "bin": "inspecting", "draw": "sampling", "through": "unpacking", "dies": "assembling",
}  # fmt: skip


def epcis_document(chain: Chain, uris: Uris, now: datetime, zone: str) -> dict[str, Any]:
    """Events in order of time; of one time, what came into being before what was done to it. Each has an id that stays the same from export
    to export."""
    return {
        "@context": [CONTEXT, {"reelroot": uris.namespace("terms")}],
        "type": "EPCISDocument",
        "id": uris.of("export", f"epcis-{chain.subject.code}"),
        "schemaVersion": "2.0",
        "creationDate": _time(now),
        "epcisBody": {"eventList": sorted(_Events(chain, uris, ZoneInfo(zone)).all(), key=lambda one: one["eventTime"])},
    }


class _Events:
    def __init__(self, chain: Chain, uris: Uris, zone: ZoneInfo) -> None:
        self.chain, self.uris, self.zone = chain, uris, zone
        self.epc = {item: uris.of(thing.kind, thing.code) for item, thing in chain.things.items()}

    def all(self) -> Iterator[Event]:
        chain = self.chain
        for item, e in chain.came.items():
            made_here = any(one.kind == "mix" and one.child == item for one in chain.passings)
            if not made_here:
                yield self._event("ObjectEvent", f"receipt-{chain.things[item].code}", e, "receiving", "in_progress") | self._seen([item])
        yield from self._passings()
        yield from self._lots()
        for work in chain.works:
            yield from self._work(work)
        yield from self._moves()
        for pack, (at, e) in chain.sealed.items():
            name = f"seal-{chain.things[pack].code}"
            yield self._event("ObjectEvent", name, e, "packing", "container_closed", at=at, operation="dry pack") | self._seen([pack])
        yield from self._holds()

    def _passings(self) -> Iterator[Event]:
        """What came from the same in one entry is one event; so is what came together into one loose lot."""
        groups: defaultdict[tuple[int, str, int], list[Passing]] = defaultdict(list)
        for one in self.chain.passings:
            kind = "merge" if one.kind == "carry" else one.kind
            by = one.child if kind in ("cells", "merge", "mix", "fill", "repack") else one.parent
            groups[one.e, kind, by].append(one)
        for (e, kind, by), some in groups.items():
            name = f"{kind}-{e}-{self.chain.things[by].code}"
            if kind in ("fill", "repack", "untape"):
                yield from self._packing(name, e, kind, some)
            else:
                parents, children = Counter[int](), Counter[int]()
                for one in some:
                    parents[one.parent] += one.units
                    children[one.child] += one.units
                yield self._event("TransformationEvent", name, e, FLOWS[kind], "in_progress") | self._made(parents, children)

    def _lots(self) -> Iterator[Event]:
        """Panels that began to travel together: a lot is their parent, until another is."""
        parent: dict[int, int] = {}
        for e, lot in sorted({(e, lot) for lot, panels in self.chain.travelled.items() for e in panels.values()}):
            inside = [panel for panel, since in self.chain.travelled[lot].items() if since == e]
            for before in dict.fromkeys(parent[panel] for panel in inside if panel in parent):
                yield self._together("lot-left", e, "DELETE", before, [panel for panel in inside if parent.get(panel) == before])
            yield self._together("lot", e, "ADD", lot, inside)
            parent |= dict.fromkeys(inside, lot)

    def _together(self, name: str, e: int, action: str, lot: int, panels: Sequence[int]) -> Event:
        event = self._event("AggregationEvent", f"{name}-{e}-{self.chain.things[lot].code}", e, "other", "in_progress")
        return event | {"action": action, "parentID": self.epc[lot], "childEPCs": [self.epc[panel] for panel in panels]}

    def _packing(self, name: str, e: int, kind: str, some: Sequence[Passing]) -> Iterator[Event]:
        """Units are put into a pack, or taken out of one; a piece that came out of another comes from it as a whole, too."""
        if kind == "fill":
            yield self._aggregation(name, e, "ADD", some[0].child, "packing", [self._quantity(one.parent, one.units) for one in some])
            return
        step = "repackaging" if kind == "repack" else "unpacking"
        for one in some:
            name = f"{kind}-{e}-{self.chain.things[one.parent].code}-{self.chain.things[one.child].code}"
            over = [self._quantity(lot, units) for lot, units in self.chain.inside.get((one.parent, one.child, e), {}).items()]
            if over:
                yield self._aggregation(f"{name}-out", e, "DELETE", one.parent, "unpacking", over)
            made = self._made({one.parent: one.units}, {one.child: one.units})
            yield self._event("TransformationEvent", name, e, step, "in_progress") | made
            if over and kind == "repack":
                yield self._aggregation(f"{name}-in", e, "ADD", one.child, step, over)

    def _aggregation(self, name: str, e: int, action: str, pack: int, step: str, children: list[dict[str, Any]]) -> Event:
        event = self._event("AggregationEvent", name, e, step, "in_progress")
        return event | {"action": action, "parentID": self.epc[pack], "childQuantityList": children}

    def _work(self, work: Work) -> Iterator[Event]:
        step, verdict = STEPS[work.operation], VERDICTS[work.verdict]
        for extent in ("whole", "either"):
            things: tuple[int, ...] = getattr(work, extent)
            if not things:
                continue
            base: dict[str, Any] = {
                "readPoint": {"id": self.uris.of("station", work.station)}, "reelroot:run": work.run, "reelroot:extent": extent,
            }  # fmt: skip
            if work.ended_at is not None:
                base["reelroot:endedAt"] = _time(work.ended_at)
            name = f"line-{work.line}-{extent}"
            same: dict[str, Any] = {"at": work.started_at, "operation": work.operation}
            outputs = dict.fromkeys(things, 0)
            for of, materials, how in (("material", work.materials, extent), ("perhaps", work.perhaps, "either")):
                if materials:
                    made = self._made(dict.fromkeys(materials, 0), outputs) | {"transformationID": self.uris.of("run", work.run)}
                    event = self._event("TransformationEvent", f"{name}-{of}", work.e, step, verdict, **same) | made | base
                    yield event | {"reelroot:extent": how}
            for wafer, on in work.wafers.items():
                if some := dict.fromkeys((one for one in things if one in on), 0):
                    made = self._made({wafer: 0}, some) | {"transformationID": self.uris.of("run", work.run)}
                    named = f"{name}-{self.chain.things[wafer].code}"
                    yield self._event("TransformationEvent", named, work.e, step, verdict, **same) | made | base
            event = self._event("ObjectEvent", name, work.e, step, verdict, **same) | self._seen(things) | base
            yield event | ({"sensorElementList": list(self._sensors(work))} if work.operation == "cure" and work.sensors else {})

    def _sensors(self, work: Work) -> Iterator[dict[str, Any]]:
        """Least and greatest of each sensor between door closed and door open, as the judgement counted them."""
        for one in work.sensors:
            if one.get("least_c") is not None and one.get("greatest_c") is not None:
                span = {"startTime": _time(work.started_at), "endTime": _time(work.ended_at or work.started_at)}
                report = {"type": "Temperature", "minValue": one["least_c"], "maxValue": one["greatest_c"], "uom": "CEL"}
                yield {"sensorMetadata": span | {"deviceID": self.uris.of("sensor", one["sensor"])}, "sensorReport": [report]}

    def _moves(self) -> Iterator[Event]:
        """Panels that went together are one event."""
        groups: defaultdict[tuple[int, str], list[Moved]] = defaultdict(list)
        for move in self.chain.moves:
            thing = self.chain.things[move.item]
            groups[move.e, "panels" if thing.kind == "panel" else thing.code].append(move)
        for (e, name), some in groups.items():
            yield self._move(f"move-{e}-{name}", some[0], {move.item: move.units for move in some})

    def _move(self, name: str, move: Moved, items: Mapping[int, int]) -> Event:
        step, disposition = MOVES[move.kind]
        event = self._event("ObjectEvent", name, move.e, step, disposition, at=move.at) | self._seen(items)
        orders = [{"type": "po", "bizTransaction": self.uris.of("order", move.order)}] if move.order else []
        papers = [{"type": "desadv", "bizTransaction": self.uris.of("shipment", move.shipment)}] if move.shipment else []
        event |= {"bizTransactionList": orders + papers} if orders or papers else {}
        event |= {"reelroot:place": move.place} if move.place and not move.customer else {}  # of stock or an outside firm: a name alone
        if move.customer:
            way = "source" if move.kind == "returned" else "destination"
            event[f"{way}List"] = [{"type": "owning_party", way: self.uris.of("customer", move.customer)}]
        return event

    def _holds(self) -> Iterator[Event]:
        by_code = {thing.code: item for item, thing in self.chain.things.items()}
        of_line = {work.line: set(work.done_to) for work in self.chain.works}
        for hold in self.chain.holds:
            items = {by_code[code] for code in hold.things if code in by_code}.union(*(of_line.get(line, ()) for line in hold.lines))
            if not items:
                continue
            base = {"reelroot:hold": hold.code, "reelroot:reason": hold.reason}
            yield self._head("ObjectEvent", f"hold-{hold.code}", hold.at, "holding", "unavailable") | base | self._seen(sorted(items))
            for n, one in enumerate(hold.releases):
                if free := items if one.everything else {by_code[code] for code in one.things if code in by_code}:
                    head = self._head("ObjectEvent", f"release-{hold.code}-{n}", one.at, "inspecting", "available")
                    yield head | base | self._seen(sorted(free))

    def _seen(self, items: Iterable[int] | Mapping[int, int]) -> dict[str, Any]:
        """What an object event is about; a mapping has units."""
        instances, classes = self._lists(items if isinstance(items, Mapping) else dict.fromkeys(items, 0))
        lists = {"epcList": instances} if instances or not classes else {}
        return {"action": "OBSERVE"} | lists | ({"quantityList": classes} if classes else {})

    def _made(self, parents: Mapping[int, int], children: Mapping[int, int]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for way, things in (("input", parents), ("output", children)):
            instances, classes = self._lists(things)
            found |= {f"{way}EPCList": instances} if instances else {}
            found |= {f"{way}QuantityList": classes} if classes else {}
        return found

    def _lists(self, things: Mapping[int, int]) -> tuple[list[str], list[dict[str, Any]]]:
        counted = {item for item in things if self.chain.things[item].is_counted}
        instances = [self.epc[item] for item in things if item not in counted]
        return instances, [self._quantity(item, things[item]) for item in things if item in counted]

    def _quantity(self, item: int, units: int) -> dict[str, Any]:
        """A class with its number of units, where that is known; a batch's amount is not."""
        known = units or (self.chain.held.get(item, 0) if self.chain.things[item].kind == "lot" else 0)
        return {"epcClass": self.epc[item]} | ({"quantity": known} if known else {})

    def _event(self, type_: str, name: str, e: int, step: str, disposition: str, at: datetime | None = None, operation: str = "") -> Event:
        moment = self.chain.moments[e]
        head = self._head(type_, name, at or moment.at, step, disposition) | {"recordTime": _time(moment.recorded_at)}
        return head | ({"reelroot:operation": operation} if operation else {})

    def _head(self, type_: str, name: str, at: datetime, step: str, disposition: str) -> Event:
        return {
            "type": type_, "eventID": self.uris.of("event", name), "eventTime": _time(at), "eventTimeZoneOffset": _offset(at, self.zone),
            "bizStep": step, "disposition": disposition,
        }  # fmt: skip


def _time(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _offset(at: datetime, zone: ZoneInfo) -> str:
    """The site's, at that time: +01:00."""
    text = f"{at.astimezone(zone):%z}"
    return f"{text[:3]}:{text[3:5]}"
