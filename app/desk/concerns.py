"""Which entries of the journal wrote something about a thing: found by the indexes of what they wrote, not by reading the journal."""

from typing import Any

from sqlalchemy import CompoundSelect, Select, select, union

from app.journal.models import Entry
from app.journal.record import Closable
from app.ledger.cells import CellMark, LostDie, Placement, PlacementSum
from app.ledger.counts import CountEntry
from app.ledger.flows import Flow, PackContent
from app.ledger.items import DryPack, Item, LotRoute, Opening, Pack
from app.ledger.judgements import AtRisk, Disposition, Judgement
from app.ledger.places import Content, Load, LoadPlace, Mount, Move
from app.ledger.runs import Attendance, Line, Reading, Run, RunVoid, StationState, Use
from app.ledger.sets import LotHolding, Member
from app.ledger.stops import Hold, Release, ReleaseItem
from app.naming.models import Code
from app.naming.resolve import Named
from app.receiving.models import WaferMap

_OF_ITEMS = (Item.id, Flow.child, Flow.parent, Move.item, Mount.item, Content.item, CountEntry.item, ReleaseItem.item, Line.item)
# kind of thing -> the columns that hold its id; an entry that wrote or closed such a row concerns it
_COLUMNS: dict[str, tuple[Any, ...]] = {
    "wafer": (*_OF_ITEMS, WaferMap.wafer, Placement.wafer, LostDie.wafer),
    "batch": (*_OF_ITEMS, Opening.batch),
    "panel": (*_OF_ITEMS, CellMark.panel, Placement.panel),
    "lot": (*_OF_ITEMS, LotHolding.lot, LotRoute.lot, Line.lot, LoadPlace.lot, PlacementSum.lot, Hold.lot),
    "sample": _OF_ITEMS,
    "pack": (*_OF_ITEMS, Pack.item, PackContent.pack, DryPack.pack),
    "station": (Run.station, Mount.station, StationState.station, Attendance.station, Load.station),
    "person": (Attendance.person,),
    "run": (Run.id, Line.run, RunVoid.run, Reading.run, CellMark.run, Placement.run, CountEntry.run),
    "load": (Load.id, LoadPlace.load),
    "hold": (Hold.id, Release.hold),
    "container": (Content.container, Hold.container),
    "shipment": (Move.shipment,),
}
_HELD_AS = {"lot": ("loose",), "station": ("station", "span")}


def entries_about(named: Named) -> CompoundSelect[Any]:
    """The ids of those entries, as a statement."""
    ways: list[Select[Any]] = [select(Code.e).where(Code.kind == named.kind, Code.thing == named.id)]
    for column in _COLUMNS.get(named.kind, ()):
        ways += _rows(column.class_, column == named.id)
    ways += _rows(Hold, Hold.kind.in_(_HELD_AS.get(named.kind, (named.kind,))) & (Hold.subject == named.id))
    if named.kind == "panel":
        ways += _rows(Line, Line.set.in_(select(Member.set).where(Member.panel == named.id)))
    if named.kind in ("batch", "wafer"):
        ways += _rows(Line, Line.id.in_(select(Use.line).where(Use.item == named.id)))
    if named.kind == "run":
        lines = select(Line.id).where(Line.run == named.id)
        ways += [*_rows(Judgement, Judgement.line.in_(lines)), *_rows(AtRisk, AtRisk.line.in_(lines))]
        ways += _rows(Disposition, Disposition.judgement.in_(select(Judgement.id).where(Judgement.line.in_(lines))))
    if named.kind == "person":
        ways.append(select(Entry.id).where(Entry.actor_kind == "person", Entry.actor == named.id))
    return union(*ways)


def _rows(model: Any, where: Any) -> list[Select[Any]]:
    found = [select(model.e).where(where)]
    return [*found, select(model.closed_e).where(where, model.closed_e.is_not(None))] if issubclass(model, Closable) else found
