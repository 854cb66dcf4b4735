"""What was done to the things of a lot or pack, line by line: who, when, where, with what, counted how, judged how. Voided runs too.

As many statements for one line as for a thousand: each of them asks one question about all lines.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import JSON
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.floor.dispositions import JudgementRow, judgements_in_force
from app.genealogy.line_facts import Counted, Material, Read, as_used, counts_of, materials_of, readings_of
from app.genealogy.run_rows import words_of
from app.journal.entry_rows import entry_rows
from app.ledger.judgements import VERDICTS
from app.ledger.ran import AnyRun, LineRow, Ran, RunRow, ran
from app.ledger.travels import Travels
from app.listed import ask, listed, tuples
from app.naming.resolve import codes_of

_TOGETHER = 0  # stands for a lot of all the panels that are asked for; no item has this id


@dataclass(frozen=True)
class Signed:
    """Something that somebody said or signed: who, when, in which words."""

    who: str
    at: datetime
    words: str


@dataclass(frozen=True)
class Judged:
    """The judgement in force, and what was decided about it, or the rework that was signed before it came."""

    verdict: str
    conforms: bool
    reasons: tuple[str, ...]
    by: Signed
    decided: Signed | None


@dataclass(frozen=True)
class Doing:
    """One line of one run. `extent` says in words for how many of the lot's panels."""

    line: int
    step: str | None
    step_name: str  # as people call it; empty where it was at no step of a route
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
    lines = _lines_of_panels(session, {panel for some in held.values() for panel in some})
    lines += _lines_of_items(session, items)
    facts = _Facts(session, lines, held)
    before = {lot: set(some) for lot, some in items.items()}
    found: dict[int, list[Doing]] = {lot: [] for lot in (*held, *items)}
    for line, run in lines:
        mine = facts.lots_of_set(line.set) if line.set is not None else [lot for lot in items if line.item == lot or line.id in before[lot]]
        for lot in mine:
            found[lot].append(facts.doing(line, run, lot))
    return found


def doings_of_lines(session: Session, lines: Sequence[Ran], travels: Travels, judged: Mapping[int, JudgementRow]) -> dict[int, Doing]:
    """By line, whatever lots it was of; extents, marks and covers are those of the panels that travelled, together. `judged`: in force."""
    facts = _Facts(session, lines, {_TOGETHER: list(travels.sets)}, judged, travels)
    return {line.id: facts.doing(line, run, _TOGETHER) for line, run in lines}


def _lines_of_panels(session: Session, panels: set[int]) -> list[Ran]:
    """Every line whose set has one of these panels, voided ones too."""
    return ran(session, [line for (line,) in ask(session, _LINES_OF_PANELS, panels=panels)])


def _lines_of_items(session: Session, items: Mapping[int, Iterable[int]]) -> list[Ran]:
    before = {line for some in items.values() for line in some}
    return ran(session, before | {line for (line,) in ask(session, _LINES_OF_ITEMS, items=items)})


class _Facts:
    """Everything about some lines, read at once."""

    def __init__(
        self, session: Session, lines: Sequence[Ran], held: Mapping[int, Sequence[int]], judged: Mapping[int, JudgementRow] | None = None,
        travels: Travels | None = None,
    ) -> None:  # fmt: skip
        self.held, self.lots_of = held, _lots_of(held)
        ids, runs = [line.id for line, _ in lines], {run.id: run for _, run in lines}
        self.codes = codes_of(session, "run", sorted(runs))
        self.stations = catalogue.with_ids(session, list({run.station for run in runs.values()}))
        self.routes = {route: of.body for route, of in catalogue.with_ids(session, list({line.route for line, _ in lines if line.route})).items()}
        self.station_codes = codes_of(session, "station", list(self.stations))
        people = {one for run in runs.values() for one in (run.person, run.ended_by) if one}
        self.people: dict[int, str] = dict(tuples(session, _PEOPLE, people=people))
        self.recipes: dict[int, str] = dict(tuples(session, _RECIPES, recipes={run.recipe for run in runs.values() if run.recipe}))
        self.loads: dict[int, str] = dict(tuples(session, _LOADS, runs=runs))
        self.judged = judgements_in_force(session, ids) if judged is None else judged
        self.decided = {row[0]: row[1:] for row in tuples(session, _DECIDED, lines=self.judged)}
        self.at_risk: defaultdict[int, list[tuple[int, int, str]]] = defaultdict(list)  # line -> panels, entry, reason
        for line_id, *mark in tuples(session, _AT_RISK, lines=ids):
            self.at_risk[line_id].append((mark[0], mark[1], mark[2]))
        self.entries = entry_rows(session, self._entry_numbers(runs.values()))
        if travels is not None:
            self.inside = Counter({(one, _TOGETHER): len(members) for one, members in travels.members.items()})
            self.covered = _covered_by(travels)
        else:
            signed = {marked for marks in self.at_risk.values() for marked, _, _ in marks}
            self.inside = self._inside(session, {line.set for line, _ in lines if line.set is not None} | signed)
            self.covered = self._covered(session, ids)
        self.materials = materials_of(session, ids)
        self.readings = readings_of(session, runs)
        self.counts = counts_of(session, runs)
        self.marks = self._marks(session, runs)
        self.placed = {row[:3]: _PLACED_IN_WORDS.format(*row[3:]) for row in tuples(session, _PLACED, runs=runs)}
        self.tests = {run: (_sorted(by_bin), _sorted(by_failure)) for run, by_bin, by_failure in ask(session, _TESTS, runs=runs)}

    def lots_of_set(self, set_id: int) -> list[int]:
        """The lots that have a panel of the set."""
        return [lot for lot in self.held if self.inside[set_id, lot]]

    def doing(self, line: LineRow, run: RunRow, lot: int) -> Doing:
        entry = self.entries[run.e]
        judgement = self.judged.get(line.id)
        risk = next((mark[1:] for mark in reversed(self.at_risk.get(line.id, ())) if self.inside[mark[0], lot]), None)  # for other panels: none
        bins, failures = self.tests.get(run.id, ((), ()))
        return Doing(
            line=line.id, step=line.step, step_name=catalogue.step_name(self.routes.get(line.route or 0), line.step or ""),
            run=self.codes[run.id], operation=run.operation, station=self.stations[run.station].name,
            station_code=self.station_codes.get(run.station, ""), who=self.people.get(run.person or 0, entry.actor_name),
            ended_by=self._ended_by(run), started_at=line.started_at, ended_at=line.ended_at, told_by=_told_by(run), on_paper=entry.fact,
            outcome=_outcome(run, line), void=self._signed(run.void_e, run.void_reason or "") if run.void_e else None, round=line.round,
            extent=self._extent(line, lot), shelf=line.shelf or "", load=self.loads.get(run.id, ""), recipe=self.recipes.get(run.recipe or 0, ""),
            units=line.units, materials=tuple([as_used(one, line.started_at) for one in self.materials.get(line.id, ())]),
            readings=tuple([read for of, read in self.readings.get(run.id, ()) if of in (None, line.id)]),
            waits=line.judged or "" if judgement is None and line.ended_at is not None else "",
            judged=self._judged(judgement) if judgement else None, at_risk=self._signed(*risk) if risk else None,
            counts=self._counts(line, lot), marks=_sorted(self.marks.get((run.id, lot), _NOTHING)),
            placed=self.placed.get((run.id, line.lot, line.step), ""), bins=bins, failures=failures,
        )  # fmt: skip

    def _entry_numbers(self, runs: Iterable[RunRow]) -> set[int]:
        of_runs = {e for run in runs for e in (run.e, run.closed_e, run.void_e) if e}
        signed = {e for e, *_ in self.decided.values()} | {e for marks in self.at_risk.values() for _, e, _ in marks}
        return of_runs | {one.e for one in self.judged.values()} | signed

    def _signed(self, e: int, words: str) -> Signed:
        return Signed(self.entries[e].actor_name, self.entries[e].happened_at, words)

    def _ended_by(self, run: RunRow) -> str:
        return self.people.get(run.ended_by or 0, self.entries[run.closed_e].actor_name) if run.closed_e else ""

    def _judged(self, judgement: JudgementRow) -> Judged:
        reasons = tuple(words_of(reason) for reason in judgement.reasons)
        by, decided = self._signed(judgement.e, VERDICTS[judgement.verdict]), self.decided.get(judgement.line)
        signed = self._signed(decided[0], f"{decided[1]}: {decided[2]}") if decided else None
        return Judged(by.words, judgement.verdict == "conforms", reasons, by, signed)

    def _extent(self, line: LineRow, lot: int) -> str:
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

    def _counts(self, line: LineRow, lot: int) -> tuple[Counted, ...]:
        """Of what was in the line and of what the run made of it; other lots of the same run have their own."""
        return tuple(
            [
                told
                for item, is_panel, was_in, told in self.counts.get(line.run, ())
                if (lot in self.lots_of.get(item, ()) if is_panel else not was_in or item in (line.item, line.lot))
            ]
        )

    def _inside(self, session: Session, sets: set[int]) -> Counter[tuple[int, int]]:
        """(set, lot) -> how many of the lot's panels are in it."""
        return Counter((set_id, lot) for set_id, panel in tuples(session, _INSIDE, sets=sets, panels=self.lots_of) for lot in self.lots_of[panel])

    def _covered(self, session: Session, lines: list[int]) -> defaultdict[tuple[int, int, str], set[int]]:
        """(line, lot, whole or either) -> the lot's panels that it covered."""
        found: defaultdict[tuple[int, int, str], set[int]] = defaultdict(set)
        for line, extent, panel in tuples(session, _COVERED, lines=lines):
            for lot in self.lots_of.get(panel, ()):
                found[line, lot, extent].add(panel)
        return found

    def _marks(self, session: Session, runs: Iterable[int]) -> defaultdict[tuple[int, int], Counter[str]]:
        """(run, lot) -> reason -> cells of the lot's panels that were marked in the run."""
        found: defaultdict[tuple[int, int], Counter[str]] = defaultdict(Counter)
        for run, panel, reason, n in tuples(session, _MARKED, runs=runs, panels=self.lots_of):
            for lot in self.lots_of[panel]:
                found[run, lot][reason] += int(n)
        return found


def _covered_by(travels: Travels) -> defaultdict[tuple[int, int, str], set[int]]:
    """(line, together, whole or either) -> the panels that it covered, of those that travelled."""
    found: defaultdict[tuple[int, int, str], set[int]] = defaultdict(set)
    for line, covers in travels.covers.items():
        for cover in covers:
            found[line, _TOGETHER, cover.extent].update(travels.members[cover.set])
    return found


def _lots_of(held: Mapping[int, Sequence[int]]) -> dict[int, list[int]]:
    found: defaultdict[int, list[int]] = defaultdict(list)
    for lot, panels in held.items():
        for panel in panels:
            found[panel].append(lot)
    return dict(found)


def _of(n: int, of: int) -> str:
    return (f"all {of} panels" if of > 1 else "its panel") if n == of else f"{n} of {of} panels"


def _outcome(run: AnyRun, line: LineRow) -> str:
    if line.closed_e is None:
        return "in work"
    if run.closed_e is None or line.closed_e != run.closed_e:
        return "done, then material changed"
    return run.outcome or ""


def _told_by(run: AnyRun) -> str:
    sources = {run.source, run.ended_source or run.source} - {"server"}
    return f"times as a {' and a '.join(sorted(sources))} said" if sources else ""


def _sorted(counts: Mapping[str, Any]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(((name, int(n)) for name, n in counts.items()), key=lambda one: -one[1]))


_NOTHING: Counter[str] = Counter()
_LINES_OF_PANELS = listed('select l.id from line l where l."set" in (select m."set" from member m where m.panel in :panels)', "panels")
_LINES_OF_ITEMS = listed("select id from line where item in :items", "items")
_PEOPLE = listed("select id, name from person where id in :people", "people")
_RECIPES = listed("select d.id, t.name from definition d join thing t on t.id = d.thing where d.id in :recipes", "recipes")
_LOADS = listed("select l.run, c.code from load l cross join code c where l.run in :runs and c.kind = 'load' and c.thing = l.id", "runs")
# what was decided last of a line: of its judgement in force, or a rework, which outlives the judgement that it was signed for
_DECIDED = listed(
    """
    select j.line, d.e, d.what, d.words from judgement j join disposition d on d.judgement = j.id
    where j.line in :lines and (d.what = 'rework' or not exists (select 1 from judgement n where n.replaces = j.id))
    and not exists (select 1 from judgement k join disposition n on n.judgement = k.id where k.line = j.line and n.id > d.id)
    """,
    "lines",
)
_AT_RISK = listed('select line, "set", e, reason from at_risk where line in :lines order by id', "lines")
_INSIDE = listed('select m."set", m.panel from member m where m."set" in :sets and m.panel in :panels', "sets", "panels")
# of all panels: PostgreSQL would seek each in a list of those that are meant, from its beginning
_COVERED = listed('select c.line, c.extent, m.panel from cover c cross join member m where c.line in :lines and m."set" = c."set"', "lines")
_MARKED = listed(
    "select run, panel, reason, sum(n) from cell_mark where run in :runs and panel in :panels and closed_e is null group by run, panel, reason",
    "runs", "panels",
)  # fmt: skip
_PLACED_IN_WORDS = "{:,} dies placed in this run, {:,} at fault, {:,} lost"
_PLACED = listed(
    """
    select run, lot, step, cast(sum(placed) as bigint), cast(sum(wrong) as bigint), cast(sum(lost) as bigint) from placement_sum
    where run in :runs and closed_e is null group by run, lot, step
    """,
    "runs",
)
_TESTS = listed("select run, by_bin, by_failure from unit_file where run in :runs order by id", "runs").columns(by_bin=JSON(), by_failure=JSON())
