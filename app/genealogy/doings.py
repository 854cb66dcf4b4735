"""What was done to the things of a lot or pack, line by line: who, when, where, with what, counted how, judged how. Voided runs too.

As many statements for one line as for a thousand: each of them asks one question about all lines.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.models import Definition, Thing
from app.final_test.models import UnitFile
from app.floor.dispositions import judgements_in_force
from app.floor.ends import limits_in_words
from app.genealogy.run_rows import words_of
from app.journal.models import Entry
from app.ledger.cells import CellMark, PlacementSum
from app.ledger.counts import CountEntry
from app.ledger.items import Batch, Opening, Wafer
from app.ledger.judgements import AtRisk, Disposition, Judgement
from app.ledger.places import Load
from app.ledger.runs import Cover, Line, Reading, Run, RunVoid, Use
from app.ledger.sets import Member
from app.listed import among
from app.naming.models import Alias
from app.naming.resolve import codes_of
from app.people.models import Person

_TOGETHER = 0  # stands for a lot of all the panels that are asked for; no item has this id
VERDICTS = {"conforms": "conforms", "does_not_conform": "does not conform", "cannot_tell": "cannot be told"}


@dataclass(frozen=True)
class Signed:
    """Something that somebody said or signed: who, when, in which words."""

    who: str
    at: datetime
    words: str


@dataclass(frozen=True)
class Material:
    """A batch or wafer that the line had. `until`: the earlier of its expiry and the end of its pot life."""

    code: str
    words: str
    number: str
    until: datetime | None
    had_lapsed: bool
    place: str


@dataclass(frozen=True)
class Read:
    """A recorded value as text, its limits as text, and whether it is within them."""

    name: str
    value: str
    limits: str
    within: bool


@dataclass(frozen=True)
class Judged:
    """The judgement in force, and what was decided about it."""

    verdict: str
    conforms: bool
    reasons: tuple[str, ...]
    by: Signed
    decided: Signed | None


@dataclass(frozen=True)
class Counted:
    """An amount with its method and standard uncertainty."""

    what: str
    units: int
    method: str
    u: float
    reason: str


@dataclass(frozen=True)
class Doing:
    """One line of one run. `extent` says in words for how many of the lot's panels."""

    line: int
    step: str | None
    run: str
    operation: str
    station: str
    station_code: str
    who: str
    ended_by: str
    started_at: datetime
    ended_at: datetime | None
    told_by: str  # whose word for the times, where it is not the server's
    on_paper: bool
    outcome: str
    void: Signed | None
    round: int
    extent: str
    shelf: str
    load: str
    recipe: str
    units: int | None
    materials: tuple[Material, ...]
    readings: tuple[Read, ...]
    waits: str  # for which judgement, while there is none
    judged: Judged | None
    at_risk: Signed | None
    counts: tuple[Counted, ...]
    marks: tuple[tuple[str, int], ...]  # reason, cells
    placed: str
    bins: tuple[tuple[str, int], ...]
    failures: tuple[tuple[str, int], ...]


def doings_of_lots(session: Session, held: Mapping[int, Sequence[int]], items: Mapping[int, Iterable[int]]) -> dict[int, list[Doing]]:
    """By lot, in order of entry. `held`: panel lot -> its panels; `items`: loose lot or pack -> lines on it that were done before it was itself."""
    panels = {panel for some in held.values() for panel in some}
    lines = _lines_of_panels(session, panels) if panels else []
    lines += _lines_of_items(session, items) if items else []
    facts = _Facts(session, lines, held)
    before = {lot: set(some) for lot, some in items.items()}
    found: dict[int, list[Doing]] = {lot: [] for lot in (*held, *items)}
    for line in lines:
        mine = facts.lots_of_set(line.set) if line.set is not None else [lot for lot in items if line.item == lot or line.id in before[lot]]
        for lot in mine:
            found[lot].append(facts.doing(line, lot))
    return found


def doings_of_lines(session: Session, lines: Sequence[Line], panels: Sequence[int]) -> dict[int, Doing]:
    """By line, whatever lots it was of; extents, marks and covers are those of these panels together."""
    facts = _Facts(session, lines, {_TOGETHER: panels})
    return {line.id: facts.doing(line, _TOGETHER) for line in lines}


def _lines_of_panels(session: Session, panels: set[int]) -> list[Line]:
    """Every line whose set has one of these panels, voided ones too."""
    sets = select(Member.set).where(Member.panel.in_(panels))
    return list(session.scalars(select(Line).where(Line.set.in_(sets)).order_by(Line.id)))


def _lines_of_items(session: Session, items: Mapping[int, Iterable[int]]) -> list[Line]:
    before = {line for some in items.values() for line in some}
    return list(session.scalars(select(Line).where(Line.item.in_(list(items)) | Line.id.in_(before)).order_by(Line.id)))


class _Facts:
    """Everything about some lines, read at once."""

    def __init__(self, session: Session, lines: Sequence[Line], held: Mapping[int, Sequence[int]]) -> None:
        self.held, self.lots_of = held, _lots_of(held)
        ids, run_ids = [line.id for line in lines], sorted({line.run for line in lines})
        self.runs = {run.id: run for run in session.scalars(select(Run).where(among(Run.id, run_ids)))}
        runs = list(self.runs.values())
        self.codes = codes_of(session, "run", run_ids)
        self.stations = catalogue.with_ids(session, list({run.station for run in runs}))
        self.station_codes = codes_of(session, "station", list(self.stations))
        self.people = _people(session, runs)
        self.recipes = _names_of_definitions(session, {run.recipe for run in runs if run.recipe})
        self.loads = _loads(session, run_ids)
        self.voids = {void.run: void for void in session.scalars(select(RunVoid).where(among(RunVoid.run, run_ids)))}
        self.judged = judgements_in_force(session, ids)
        self.decided = _dispositions(session, [one.id for one in self.judged.values()])
        self.at_risk = {one.line: one for one in session.scalars(select(AtRisk).where(among(AtRisk.line, ids)).order_by(AtRisk.id))}
        self.entries = _entries(session, self._entry_numbers(runs))
        self.inside = self._inside(session, {line.set for line in lines if line.set is not None})
        self.covered = self._covered(session, ids)
        self.materials = _materials(session, ids)
        self.readings = _readings(session, run_ids)
        self.counts = _counts(session, run_ids)
        self.marks = self._marks(session, run_ids)
        self.placed = _placed(session, run_ids)
        self.tests = {one.run: one for one in session.scalars(select(UnitFile).where(among(UnitFile.run, run_ids)).order_by(UnitFile.id))}

    def lots_of_set(self, set_id: int) -> list[int]:
        """The lots that have a panel of the set."""
        return [lot for lot in self.held if self.inside[set_id, lot]]

    def doing(self, line: Line, lot: int) -> Doing:
        run, void = self.runs[line.run], self.voids.get(line.run)
        entry = self.entries[run.e]
        test, decided = self.tests.get(run.id), None
        if (judgement := self.judged.get(line.id)) is not None:
            decided = self.decided.get(judgement.id)
        risk = self.at_risk.get(line.id)
        return Doing(
            line=line.id, step=line.step, run=self.codes[run.id], operation=run.operation, station=self.stations[run.station].name,
            station_code=self.station_codes.get(run.station, ""), who=self.people.get(run.person or 0, entry.actor_name),
            ended_by=self._ended_by(run), started_at=line.started_at, ended_at=line.ended_at, told_by=_told_by(run), on_paper=entry.fact,
            outcome=_outcome(run, line), void=self._signed(void.e, void.reason) if void else None, round=line.round,
            extent=self._extent(line, lot), shelf=line.shelf or "", load=self.loads.get(run.id, ""), recipe=self.recipes.get(run.recipe or 0, ""),
            units=line.units, materials=tuple(_material(one, line.started_at) for one in self.materials[line.id]),
            readings=tuple(read for of, read in self.readings[run.id] if of in (None, line.id)),
            waits=line.judged or "" if judgement is None and line.ended_at is not None else "",
            judged=self._judged(judgement, decided) if judgement else None, at_risk=self._signed(risk.e, risk.reason) if risk else None,
            counts=tuple(self.counts[run.id]), marks=_sorted(self.marks[run.id, lot]), placed=self.placed.get((run.id, line.lot, line.step), ""),
            bins=_sorted(test.by_bin) if test else (), failures=_sorted(test.by_failure) if test else (),
        )  # fmt: skip

    def _entry_numbers(self, runs: Sequence[Run]) -> set[int]:
        rows: list[Any] = [*runs, *self.voids.values(), *self.judged.values(), *self.decided.values(), *self.at_risk.values()]
        return {row.e for row in rows} | {run.closed_e for run in runs if run.closed_e}

    def _signed(self, e: int, words: str) -> Signed:
        return Signed(self.entries[e].actor_name, self.entries[e].happened_at, words)

    def _ended_by(self, run: Run) -> str:
        return self.people.get(run.ended_by or 0, self.entries[run.closed_e].actor_name) if run.closed_e else ""

    def _judged(self, judgement: Judgement, decided: Disposition | None) -> Judged:
        reasons = tuple(words_of(reason) for reason in judgement.reasons)
        by = self._signed(judgement.e, VERDICTS[judgement.verdict])
        signed = self._signed(decided.e, f"{decided.what}: {decided.words}") if decided else None
        return Judged(by.words, judgement.verdict == "conforms", reasons, by, signed)

    def _extent(self, line: Line, lot: int) -> str:
        """For how many of the lot's panels: "15 of 24 panels", "perhaps 1 more"."""
        of = len(self.held.get(lot, ()))
        if line.set is None or not of:
            return ""
        if line.closed_e is None:
            return _of(self.inside[line.set, lot], of)
        whole, either = (len(self.covered[line.id, lot, extent]) for extent in ("whole", "either"))
        parts = [_of(whole, of)] if whole else []
        if either:
            parts.append(f"perhaps {either} more" if whole else f"perhaps {_of(either, of)}")
        return ", ".join(parts) or "no panel"

    def _inside(self, session: Session, sets: set[int]) -> Counter[tuple[int, int]]:
        """(set, lot) -> how many of the lot's panels are in it."""
        query = select(Member.set, Member.panel).where(Member.set.in_(sets), Member.panel.in_(list(self.lots_of)))
        return Counter((set_id, lot) for set_id, panel in session.execute(query) for lot in self.lots_of[panel])

    def _covered(self, session: Session, lines: list[int]) -> defaultdict[tuple[int, int, str], set[int]]:
        """(line, lot, whole or either) -> the lot's panels that it covered."""
        found: defaultdict[tuple[int, int, str], set[int]] = defaultdict(set)
        query = select(Cover.line, Cover.extent, Member.panel).join(Member, Member.set == Cover.set)
        for line, extent, panel in session.execute(query.where(Cover.line.in_(lines), Member.panel.in_(list(self.lots_of)))):
            for lot in self.lots_of[panel]:
                found[line, lot, extent].add(panel)
        return found

    def _marks(self, session: Session, runs: list[int]) -> defaultdict[tuple[int, int], Counter[str]]:
        """(run, lot) -> reason -> cells of the lot's panels that were marked in the run."""
        found: defaultdict[tuple[int, int], Counter[str]] = defaultdict(Counter)
        query = select(CellMark.run, CellMark.panel, CellMark.reason, func.sum(CellMark.n)).where(
            CellMark.run.in_(runs), CellMark.panel.in_(list(self.lots_of)), CellMark.closed_e.is_(None)
        )
        for run, panel, reason, n in session.execute(query.group_by(CellMark.run, CellMark.panel, CellMark.reason)):
            for lot in self.lots_of[panel]:
                found[run or 0, lot][reason] += int(n)
        return found


def _lots_of(held: Mapping[int, Sequence[int]]) -> dict[int, list[int]]:
    found: defaultdict[int, list[int]] = defaultdict(list)
    for lot, panels in held.items():
        for panel in panels:
            found[panel].append(lot)
    return dict(found)


def _of(n: int, of: int) -> str:
    return (f"all {of} panels" if of > 1 else "its panel") if n == of else f"{n} of {of} panels"


def _outcome(run: Run, line: Line) -> str:
    if line.closed_e is None:
        return "in work"
    if run.closed_e is None or line.closed_e != run.closed_e:
        return "done, then material changed"
    return run.outcome or ""


def _told_by(run: Run) -> str:
    sources = {run.source, run.ended_source or run.source} - {"server"}
    return f"times as a {' and a '.join(sorted(sources))} said" if sources else ""


def _people(session: Session, runs: Sequence[Run]) -> dict[int, str]:
    wanted = {one for run in runs for one in (run.person, run.ended_by) if one}
    return {person.id: person.name for person in session.scalars(select(Person).where(among(Person.id, wanted)))}


def _names_of_definitions(session: Session, wanted: set[int]) -> dict[int, str]:
    query = select(Definition.id, Thing.name).join(Thing, Thing.id == Definition.thing).where(among(Definition.id, wanted))
    return {definition: name for definition, name in session.execute(query)}


def _loads(session: Session, runs: list[int]) -> dict[int, str]:
    loads = {load: run or 0 for load, run in session.execute(select(Load.id, Load.run).where(among(Load.run, runs)))}
    return {loads[load]: code for load, code in codes_of(session, "load", list(loads)).items()}


def _dispositions(session: Session, judgements: list[int]) -> dict[int, Disposition]:
    query = select(Disposition).where(among(Disposition.judgement, judgements)).order_by(Disposition.id)
    return {one.judgement or 0: one for one in session.scalars(query)}


def _entries(session: Session, wanted: set[int]) -> dict[int, Entry]:
    return {entry.id: entry for entry in session.scalars(select(Entry).where(among(Entry.id, wanted)))}


def _materials(session: Session, lines: list[int]) -> defaultdict[int, list[Material]]:
    used = list(session.execute(select(Use.line, Use.item, Use.place).where(among(Use.line, lines)).order_by(Use.line, Use.item)))
    items = list({item for _, item, _ in used})
    batches = {one.item: one for one in session.scalars(select(Batch).where(among(Batch.item, items)))}
    wafers = {one.item: one for one in session.scalars(select(Wafer).where(among(Wafer.item, items)))}
    opened = {one.batch: one.pot_life_ends_at for one in session.scalars(select(Opening).where(among(Opening.batch, items)))}
    parts = catalogue.with_ids(session, list({one.part for one in batches.values()} | {one.part for one in wafers.values()}))
    codes = codes_of(session, "batch", list(batches)) | codes_of(session, "wafer", list(wafers))
    numbers = _numbers(session, items)
    found: defaultdict[int, list[Material]] = defaultdict(list)
    for line, item, place in used:
        batch = batches.get(item)
        part = parts[batch.part if batch else wafers[item].part]
        words = f"{part.body.kind if batch else wafers[item].role + ' wafer'} {part.name}"
        ends = [moment for moment in (batch.expires_at if batch else None, opened.get(item)) if moment is not None]
        found[line].append(Material(codes[item], words, ", ".join(numbers[item]), min(ends, default=None), False, place or ""))
    return found


def _numbers(session: Session, items: list[int]) -> defaultdict[int, list[str]]:
    """What others call these batches and wafers."""
    found: defaultdict[int, list[str]] = defaultdict(list)
    query = select(Alias.thing, Alias.value).where(Alias.kind.in_(("batch", "wafer")), among(Alias.thing, items), Alias.closed_e.is_(None))
    for item, value in session.execute(query.order_by(Alias.id)):
        found[item].append(value)
    return found


def _material(one: Material, began: datetime) -> Material:
    return replace(one, had_lapsed=one.until is not None and one.until < began)


def _readings(session: Session, runs: list[int]) -> defaultdict[int, list[tuple[int | None, Read]]]:
    """By run: (line or none, the value). Those that a correction replaced are left out."""
    found: defaultdict[int, list[tuple[int | None, Read]]] = defaultdict(list)
    for one in session.scalars(select(Reading).where(among(Reading.run, runs), Reading.closed_e.is_(None)).order_by(Reading.id)):
        read = Read(one.name, f"{one.value:g} {one.unit}".strip(), limits_in_words(one.low, one.high), one.within)
        found[one.run].append((one.line, read))
    return found


def _counts(session: Session, runs: list[int]) -> defaultdict[int, list[Counted]]:
    found: defaultdict[int, list[Counted]] = defaultdict(list)
    for one in session.scalars(select(CountEntry).where(among(CountEntry.run, runs), CountEntry.closed_e.is_(None)).order_by(CountEntry.id)):
        found[one.run or 0].append(Counted(one.kind, one.units, one.method, one.u, one.reason))
    return found


def _placed(session: Session, runs: list[int]) -> dict[tuple[int, int | None, str | None], str]:
    sums = (func.sum(PlacementSum.placed), func.sum(PlacementSum.wrong), func.sum(PlacementSum.lost))
    query = select(PlacementSum.run, PlacementSum.lot, PlacementSum.step, *sums).where(among(PlacementSum.run, runs), PlacementSum.closed_e.is_(None))
    rows = session.execute(query.group_by(PlacementSum.run, PlacementSum.lot, PlacementSum.step))
    return {(run, lot, step): f"{placed:,} dies placed, {wrong:,} at fault, {lost:,} lost" for run, lot, step, placed, wrong, lost in rows}


def _sorted(counts: Mapping[str, Any]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(((name, int(n)) for name, n in counts.items()), key=lambda one: -one[1]))
