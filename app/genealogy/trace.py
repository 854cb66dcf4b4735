"""A trace, ready to be read: back to the origins, forward to packs and customers. Rows carry codes, words and bounds."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.final_test.models import UnitFile
from app.floor.moves import place_of, shipped_with
from app.genealogy.amounts import Share
from app.genealogy.origins import Origins, origins
from app.genealogy.reach import Reached, reach
from app.genealogy.ways import SUBJECT, Way, ways_back, ways_forward
from app.holds.stopped import stops_on
from app.ledger.corrections import not_void
from app.ledger.items import Batch, Lot, Opening, Pack, Sample, Wafer
from app.ledger.judgements import AtRisk, Disposition, Judgement
from app.ledger.places import Shipment
from app.ledger.runs import Line, Reading, Run, Use
from app.ledger.sets import LotHolding, Member, panels_of_lot
from app.ledger.walk import NEVER
from app.naming.models import Alias
from app.naming.resolve import Named, codes_of
from app.people.models import Person


@dataclass(frozen=True)
class ItemRow:
    """An item in a trace. `least` and `most`: units of the subject that must and can be of it (back), or in it (forward)."""

    kind: str
    code: str
    words: str  # part and role, form and bin, ...
    least: int
    most: int
    units: int | None = None
    numbers: tuple[str, ...] = ()  # other people's numbers
    where: str = ""
    customer: str | None = None
    order: str | None = None
    shipment: str | None = None
    stopped_by: tuple[str, ...] = ()
    expires_at: datetime | None = None  # of a batch
    opened_at: datetime | None = None
    pot_life_ends_at: datetime | None = None

    @property
    def must(self) -> bool:
        return self.least > 0

    @property
    def is_bounded(self) -> bool:
        """A panel lot has no bounds of its own: its panels have them."""
        return not (self.kind == "lot" and self.words.startswith("panel"))


@dataclass(frozen=True)
class ReadingRow:
    name: str
    value: float
    unit: str
    within: bool
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class WayRow:
    """One thing went into another, by their codes; how many of the subject's units can have gone that way."""

    source: str
    target: str
    most: int


@dataclass(frozen=True)
class LineRow:
    """A run line that touched the subject. `extent`: whole, either (one side of a change-over), open."""

    line: int
    step: str | None
    round: int
    shelf: str | None
    lot: str | None
    extent: str
    least: int
    most: int
    materials: tuple[str, ...]
    verdict: str | None
    reasons: tuple[str, ...]
    disposition: str | None
    at_risk: bool


@dataclass(frozen=True)
class RunRow:
    run: str
    operation: str
    station: str
    station_code: str
    person: str | None
    recipe: str | None
    started_at: datetime
    ended_at: datetime | None
    outcome: str | None
    lines: tuple[LineRow, ...]
    readings: tuple[ReadingRow, ...]
    by_bin: dict[str, int]  # of a test run whose unit results were imported
    by_failure: dict[str, int]


@dataclass(frozen=True)
class Trace:
    """Everything that a subject comes from, or everything that it went into."""

    direction: str
    subject: ItemRow
    wafers: tuple[ItemRow, ...] = ()
    batches: tuple[ItemRow, ...] = ()
    panels: tuple[ItemRow, ...] = ()
    lots: tuple[ItemRow, ...] = ()
    samples: tuple[ItemRow, ...] = ()
    packs: tuple[ItemRow, ...] = ()
    runs: tuple[RunRow, ...] = ()
    customers: dict[str, int] = field(default_factory=dict)  # customer -> packs that can hold something of it
    ways: tuple[WayRow, ...] = ()  # where they were asked for

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def trace_back(session: Session, subject: Named, *, with_ways: bool = False) -> Trace:
    """The origins of an item, run, line or batch: what can be in it, and what must."""
    return trace_of(session, subject, origins_of(session, subject), with_ways=with_ways)


def origins_of(session: Session, subject: Named) -> Origins:
    return origins(session, _starts(session, subject))


def trace_of(session: Session, subject: Named, found: Origins, *, with_ways: bool = False, with_runs: bool = True) -> Trace:
    """Origins that were found, ready to be read."""
    rows = _Rows(session)
    wafers = rows.items("wafer", {wafer: found.share("wafer", wafer) for wafer in found.wafers})
    batches = rows.items("batch", {batch: found.share("batch", batch) for batch in found.batches})
    panels = rows.items("panel", {panel: found.share("panel", panel) for panel in found.up.panels})
    kinds = rows.kinds(found.up.loose)
    loose = [item for item in found.up.loose if kinds[item] == "lot"]
    held_them = _lots_of_panels(session, {panel: found.up.exits[panel] for panel in found.up.panels})
    lots = rows.items("lot", dict.fromkeys([*held_them, *loose], Share(0, 0)))
    samples = rows.items("sample", {item: Share(0, 0) for item in found.up.loose if kinds[item] == "sample"})
    packs = rows.items("pack", dict.fromkeys(found.up.packs, Share(0, 0)))
    runs = rows.runs([line.line for line in found.lines], found) if with_runs else ()
    ways = rows.ways(ways_back(session, found, _panel_lot(session, subject)), subject) if with_ways else ()
    return Trace("back", _subject(session, rows, subject, found.units), wafers, batches, panels, lots, samples, packs, runs, ways=ways)


def trace_forward(session: Session, subject: Named, *, with_ways: bool = False) -> Trace:
    """Everything that an item, run, line or batch went into, where it is, and how much of it can and must be there."""
    found = reach(session, subject)
    rows = _Rows(session)
    kinds = rows.kinds(found.loose)
    panels = rows.items("panel", found.panels)
    held_them = dict.fromkeys(_lots_of_panels(session, dict.fromkeys(found.panels, NEVER)), Share(0, 0))
    lots = rows.items("lot", held_them | {item: share for item, share in found.loose.items() if kinds[item] == "lot"}, found.units)
    samples = rows.items("sample", {item: share for item, share in found.loose.items() if kinds[item] == "sample"}, found.units)
    packs = rows.items("pack", found.packs, found.units)
    customers: defaultdict[str, int] = defaultdict(int)
    for pack in packs:
        if pack.customer and pack.most:
            customers[pack.customer] += 1
    units = sum(share.most for share in found.panels.values()) or None
    is_apart = subject.kind in ("wafer", "batch", "run", "line")
    ways = rows.ways(ways_forward(session, found, is_apart), subject) if with_ways else ()
    return Trace(
        "forward", _subject(session, rows, subject, units), panels=panels, lots=lots, samples=samples, packs=packs,
        runs=rows.runs(list(found.lines), found), customers=dict(customers), ways=ways,
    )  # fmt: skip


def _starts(session: Session, subject: Named) -> list[int]:
    """The items at which a walk begins: a panel lot is its panels (those that it holds, else those that it ever held)."""
    if subject.kind == "lot" and session.get_one(Lot, subject.id).form == "panel":
        ever = select(Member.panel).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.lot == subject.id).distinct()
        return panels_of_lot(session, subject.id) or list(session.scalars(ever))
    if subject.kind in ("run", "line"):
        column = Line.run if subject.kind == "run" else Line.id
        lines = list(session.scalars(select(Line).where(column == subject.id)))
        sets = [line.set for line in lines if line.set is not None]
        panels = list(session.scalars(select(Member.panel).where(Member.set.in_(sets)).distinct()))
        return panels + [line.item for line in lines if line.item is not None]
    return [subject.id] if subject.kind != "wafer" else []


def _panel_lot(session: Session, subject: Named) -> int | None:
    return subject.id if subject.kind == "lot" and session.get_one(Lot, subject.id).form == "panel" else None


def _lots_of_panels(session: Session, exits: dict[int, int]) -> list[int]:
    """Every lot that ever held one of the panels before what is traced had left it."""
    query = select(Member.panel, LotHolding.lot, LotHolding.e).join(LotHolding, Member.set == LotHolding.set).where(Member.panel.in_(list(exits)))
    return sorted({lot for panel, lot, e in session.execute(query) if e < exits[panel]})


def _subject(session: Session, rows: "_Rows", subject: Named, units: int | None) -> ItemRow:
    if subject.kind in ("run", "line"):
        return ItemRow(subject.kind, subject.code, "", 0, 0, units)
    row = rows.items(subject.kind, {subject.id: Share(0, 0)}, {subject.id: units} if units is not None else {})
    return row[0]


def words_of(reason: Any) -> str:
    """A judgement's reason in words: cures keep more beside them."""
    return str(reason["text"]) if isinstance(reason, dict) else str(reason)


class _Rows:
    """Turns ids into rows, a few statements a kind."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.codes: dict[int, str] = {}  # of every item that became a row

    def ways(self, ways: list[Way], subject: Named) -> tuple[WayRow, ...]:
        """The ways between things that have a row, or the subject."""
        codes = self.codes | {SUBJECT: subject.code}
        found = [WayRow(codes[way.source], codes[way.target], way.most) for way in ways if way.source in codes and way.target in codes]
        return tuple(sorted(found, key=lambda way: (way.source, way.target)))

    def kinds(self, items: Iterable[int]) -> dict[int, str]:
        wanted = list(items)
        samples = set(self.session.scalars(select(Sample.item).where(Sample.item.in_(wanted))))
        return {item: "sample" if item in samples else "lot" for item in wanted}

    def items(self, kind: str, shares: dict[int, Share], units: dict[int, Any] | None = None) -> tuple[ItemRow, ...]:
        ids = list(shares)
        codes, words, numbers = codes_of(self.session, kind, ids), self._words(kind, ids), self._numbers(kind, ids)
        self.codes |= codes
        shelf_lives = self._shelf_lives(ids) if kind == "batch" else {}
        places = place_of(self.session, ids) if kind in ("lot", "pack", "sample", "panel") else {}
        sales = self._sales(ids) if kind == "pack" else {}
        stops = stops_on(self.session, ids) if kind != "panel" else {}
        holds = codes_of(self.session, "hold", list({stop.hold for found in stops.values() for stop in found}))
        rows = [
            ItemRow(
                kind, codes[item], words.get(item, ""), share.least, share.most, (units or {}).get(item), numbers.get(item, ()),
                str(places.get(item, "")), *sales.get(item, (None, None, None)),
                tuple(sorted({holds[stop.hold] for stop in stops.get(item, [])})), *shelf_lives.get(item, ()),
            )
            for item, share in shares.items()
        ]  # fmt: skip
        return tuple(sorted(rows, key=lambda row: row.code))

    def runs(self, lines: list[int], found: Origins | Reached) -> tuple[RunRow, ...]:
        session = self.session
        line_rows = list(session.scalars(select(Line).where(Line.id.in_(lines)).order_by(Line.id)))
        runs = list(session.scalars(select(Run).where(Run.id.in_({line.run for line in line_rows})).order_by(Run.started_at, Run.id)))
        stations = catalogue.with_ids(session, list({run.station for run in runs}))
        station_codes = codes_of(session, "station", list(stations))
        codes = codes_of(session, "run", [run.id for run in runs])
        people = {p.id: p.name for p in session.scalars(select(Person).where(Person.id.in_([run.person for run in runs if run.person])))}
        recipes = {d: one.name for d, one in catalogue.definitions(session, [run.recipe for run in runs if run.recipe]).items()}
        by_run: defaultdict[int, list[LineRow]] = defaultdict(list)
        for row, line in zip(self._lines(line_rows, found), line_rows, strict=True):
            by_run[line.run].append(row)
        readings: defaultdict[int, list[ReadingRow]] = defaultdict(list)
        for r in session.scalars(select(Reading).where(Reading.run.in_(list(by_run)), Reading.closed_e.is_(None)).order_by(Reading.id)):
            readings[r.run].append(ReadingRow(r.name, r.value, r.unit, r.within, r.low, r.high))
        tests = {one.run: one for one in session.scalars(select(UnitFile).where(UnitFile.run.in_(list(by_run))).order_by(UnitFile.id))}
        return tuple(
            RunRow(
                codes[run.id], run.operation, stations[run.station].name, station_codes.get(run.station, ""), people.get(run.person or 0),
                recipes.get(run.recipe or 0), run.started_at, run.ended_at, run.outcome, tuple(by_run[run.id]), tuple(readings[run.id]),
                dict(tests[run.id].by_bin) if run.id in tests else {}, dict(tests[run.id].by_failure) if run.id in tests else {},
            )
            for run in runs
        )  # fmt: skip

    def _lines(self, lines: list[Line], found: Origins | Reached) -> list[LineRow]:
        session, ids = self.session, [line.id for line in lines]
        above = {one.line: one.extent for one in found.lines} if isinstance(found, Origins) else {}
        lots = codes_of(session, "lot", [line.lot for line in lines if line.lot])
        used: defaultdict[int, list[int]] = defaultdict(list)
        for used_by, item in session.execute(select(Use.line, Use.item).where(Use.line.in_(ids), not_void()).order_by(Use.line, Use.item)):
            used[used_by].append(item)
        all_used = [item for items in used.values() for item in items]
        materials = codes_of(session, "batch", all_used) | codes_of(session, "wafer", all_used)
        replaced = select(Judgement.replaces).where(Judgement.replaces.is_not(None))
        judged = {j.line: j for j in session.scalars(select(Judgement).where(Judgement.line.in_(ids), Judgement.id.not_in(replaced)))}
        decided = {
            d.judgement: d.what for d in session.scalars(select(Disposition).where(Disposition.judgement.in_([j.id for j in judged.values()])))
        }
        at_risk = set(session.scalars(select(AtRisk.line).where(AtRisk.line.in_(ids))))
        rows = []
        for line in lines:
            share = found.share("line", line.id) if isinstance(found, Origins) else Share(0, 0)
            judgement = judged.get(line.id)
            rows.append(
                LineRow(
                    line.id,
                    line.step,
                    line.round,
                    line.shelf,
                    lots.get(line.lot or 0),
                    above.get(line.id, ""),
                    share.least,
                    share.most,
                    tuple(materials[item] for item in used[line.id] if item in materials),
                    judgement.verdict if judgement else None,
                    tuple(words_of(reason) for reason in judgement.reasons) if judgement else (),
                    decided.get(judgement.id) if judgement else None,
                    line.id in at_risk,
                )
            )
        return rows

    def _words(self, kind: str, ids: list[int]) -> dict[int, str]:
        session = self.session
        if kind in ("wafer", "batch"):
            model: Any = Wafer if kind == "wafer" else Batch
            rows = list(session.scalars(select(model).where(model.item.in_(ids))))
            parts = catalogue.with_ids(session, list({row.part for row in rows}))
            return {row.item: f"{row.role if kind == 'wafer' else parts[row.part].body.kind} {parts[row.part].name}" for row in rows}
        if kind == "lot":
            return {r.item: " ".join(w for w in (r.form, r.bin, r.grade) if w) for r in session.scalars(select(Lot).where(Lot.item.in_(ids)))}
        if kind == "pack":
            found = session.scalars(select(Pack).where(Pack.item.in_(ids)))
            return {r.item: " ".join(w for w in (r.form, r.part_number, r.bin, r.grade, r.date_code) if w) for r in found}
        if kind == "sample":
            return {row.item: row.purpose for row in session.scalars(select(Sample).where(Sample.item.in_(ids)))}
        return {}

    def _shelf_lives(self, batches: list[int]) -> dict[int, tuple[datetime | None, datetime | None, datetime | None]]:
        """(expires, opened, end of pot life)."""
        query = select(Batch.item, Batch.expires_at, Opening.opened_at, Opening.pot_life_ends_at).outerjoin(Opening, Opening.batch == Batch.item)
        return {item: (expires, opened, ends) for item, expires, opened, ends in self.session.execute(query.where(Batch.item.in_(batches)))}

    def _numbers(self, kind: str, ids: list[int]) -> dict[int, tuple[str, ...]]:
        found: defaultdict[int, list[str]] = defaultdict(list)
        query = select(Alias.thing, Alias.value).where(Alias.kind == kind, Alias.thing.in_(ids), Alias.closed_e.is_(None)).order_by(Alias.id)
        for thing, value in self.session.execute(query):
            found[thing].append(value)
        return {thing: tuple(values) for thing, values in found.items()}

    def _sales(self, packs: list[int]) -> dict[int, tuple[str | None, str | None, str | None]]:
        """(customer, order, shipment) of packs that are with a customer now."""
        session = self.session
        shipped = shipped_with(session, packs)
        shipments = {s.id: s for s in session.scalars(select(Shipment).where(Shipment.id.in_(list(shipped.values()))))}
        names = catalogue.with_ids(session, [x for s in shipments.values() for x in (s.customer, s.order) if x])
        codes = codes_of(session, "shipment", list(shipments))
        return {
            item: (names[shipments[s].customer].name, names[o].name if (o := shipments[s].order) else None, codes[s]) for item, s in shipped.items()
        }
