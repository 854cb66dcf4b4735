"""The cure trace of a load, shelf by shelf: what the sensors said, and where in time the judgement found what."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Recipe, Station
from app.drawing.cure_trace import Pin, SensorLine, TraceChart, cure_trace
from app.floor.dispositions import JudgementRow, judgements_in_force
from app.ledger.judgements import VERDICTS
from app.ledger.places import Load
from app.ledger.ran import AnyLine, AnyRun, Ran
from app.ledger.runs import Line, Run
from app.listed import ask, listed
from app.naming.resolve import codes_of
from app.ovens.curves import curve, joined
from app.ovens.judging import watches_of
from app.ovens.trace import Trace
from app.ovens.traces import Spell, Told, evidence_told, traces_of

BEFORE_AND_AFTER = timedelta(minutes=10)  # of the doors, drawn as well
_INTERVALS = 24  # rows of the table of readings


SENSOR_COLUMNS = (
    "shelf", "sensor", "entered_band_at", "soak_from", "soak_to", "soak_minutes", "least_c", "greatest_c", "steepest_rise", "steepest_fall",
    "overshoot_c", "equivalent_minutes", "degree",
)  # fmt: skip


@dataclass(frozen=True)
class ReasonShown:
    """`number`: of its pin, where it has one. `place`: in words where it has no time of its own, or one outside this load."""

    number: int | None
    text: str
    at_from: datetime | None
    at_to: datetime | None
    place: str


@dataclass(frozen=True)
class LotOnShelf:
    lot: str
    step: str
    panels: int
    verdict: str


@dataclass(frozen=True)
class SensorRow:
    """As the judgement counted them; the values are None where it has none."""

    sensor: str
    facts: dict[str, Any]


@dataclass(frozen=True)
class Interval:
    """Least and greatest of each sensor in a stretch of time; None where it has no reading."""

    at_from: datetime
    at_to: datetime
    temps_c: tuple[tuple[float, float] | None, ...]


@dataclass(frozen=True, eq=False)
class ShelfTrace:
    """The picture and its numbers are made when they are asked for: JSON has neither."""

    shelf: str
    lots: tuple[LotOnShelf, ...]
    soak: dict[str, Any] | None
    reasons: tuple[ReasonShown, ...]
    rows: tuple[SensorRow, ...]
    sensors: tuple[str, ...]
    run: AnyRun
    recipe: Recipe
    trace: Trace | None
    ended: datetime
    zone: str

    @cached_property
    def svg(self) -> str:
        return cure_trace(_chart(self))

    @cached_property
    def intervals(self) -> tuple[Interval, ...]:
        return _intervals(self.trace, self.sensors, self.run.started_at, self.ended)


@dataclass(frozen=True, eq=False)
class LoadTrace:
    """`trace`: all readings that the logger files have of this time; None while there are none."""

    run: AnyRun
    trace: Trace | None
    shelves: tuple[ShelfTrace, ...]


def load_trace(session: Session, load: Load, now: datetime, zone: str) -> LoadTrace | None:
    """None for a load that never started."""
    if load.run is None:
        return None
    lines = list(session.scalars(select(Line).where(Line.run == load.run).order_by(Line.id)))
    return _pictures(session, [session.get_one(Run, load.run)], lines, now, zone, Told(), None)[load.run]


def files_of(session: Session, run: AnyRun, now: datetime) -> list[int]:
    """The numbers of the logger files (evidence) that tell of a load, without those that were replaced."""
    spell = Spell(run.station, run.started_at, run.ended_at or now)
    return evidence_told(session, [spell])[spell]


def cure_traces(
    session: Session, lines: Sequence[Ran], now: datetime, zone: str, told: Told, judged: Mapping[int, JudgementRow] | None = None
) -> dict[int, LoadTrace]:
    """By run: the shelves of these lines, with nothing else on them. As many statements for one load as for a hundred.

    `told`: what logger files say, read before. `judged`: the lines' judgements in force, read before.
    """
    runs = {run.id: run for _, run in lines}
    return _pictures(session, sorted(runs.values(), key=lambda run: (run.started_at, run.id)), [line for line, _ in lines], now, zone, told, judged)


def _pictures(
    session: Session, runs: Sequence[AnyRun], lines: Sequence[AnyLine], now: datetime, zone: str, told: Told,
    judged: Mapping[int, JudgementRow] | None,
) -> dict[int, LoadTrace]:  # fmt: skip
    facts = _Facts(session, runs, lines, now, told, judged)
    return {run.id: LoadTrace(run, facts.trace(run), facts.shelves(run, now, zone)) for run in runs}


class _Facts:
    """Everything about some loads, read at once."""

    def __init__(
        self, session: Session, runs: Sequence[AnyRun], lines: Sequence[AnyLine], now: datetime, told: Told,
        judged: Mapping[int, JudgementRow] | None,
    ) -> None:  # fmt: skip
        self.lines = lines
        self.spells = {run.id: Spell(run.station, run.started_at, run.ended_at or now) for run in runs}
        self.traces = traces_of(session, self.spells.values(), told)
        self.recipes = catalogue.definitions(session, [run.recipe for run in runs if run.recipe])
        things = {run.station for run in runs} | {line.route for line in lines if line.route}
        self.things = catalogue.with_ids(session, list(things))
        self.judgements = judgements_in_force(session, [line.id for line in lines]) if judged is None else judged
        self.lots = codes_of(session, "lot", [line.lot for line in lines if line.lot is not None])
        self.panels: dict[int, int] = dict(ask(session, _SIZES, sets={line.set for line in lines if line.set is not None}))

    def trace(self, run: AnyRun) -> Trace | None:
        return self.traces[self.spells[run.id]]

    def shelves(self, run: AnyRun, now: datetime, zone: str) -> tuple[ShelfTrace, ...]:
        by_shelf: dict[str, list[AnyLine]] = {}
        for line in self.lines:
            if line.run == run.id:
                by_shelf.setdefault(line.shelf or "", []).append(line)
        return tuple(self._shelf(run, run.ended_at or now, shelf, lines, zone) for shelf, lines in by_shelf.items())

    def _shelf(self, run: AnyRun, ended: datetime, shelf: str, lines: Sequence[AnyLine], zone: str) -> ShelfTrace:
        recipe: Recipe = self.recipes[run.recipe or 0].body
        oven: Station = self.things[run.station].body
        trace, judgements = self.trace(run), [self.judgements.get(line.id) for line in lines]
        on = tuple(self._on(line) for line in lines)
        facts: dict[str, Any] = next((found.facts for found in judgements if found and found.facts), {})
        soak = (facts.get("line") or {}).get("soak")
        reasons = _reasons(judgements, soak, run.started_at, ended)
        names = tuple(dict.fromkeys(watch.sensor for watch in watches_of(oven, shelf or None, trace)))
        rows = tuple(SensorRow(one["sensor"], one) for one in facts.get("sensors", ()))
        return ShelfTrace(shelf, on, soak, reasons, rows, names, run, recipe, trace, ended, zone)

    def _on(self, line: AnyLine) -> LotOnShelf:
        found = self.judgements.get(line.id)
        step = self.things[line.route].body if line.route is not None and line.step is not None else None
        return LotOnShelf(
            self.lots.get(line.lot or 0, ""), catalogue.step_name(step, line.step or ""),
            self.panels.get(line.set or 0, 0), VERDICTS[found.verdict] if found else "waits for its judgement",
        )  # fmt: skip


def readings(found: LoadTrace | None) -> Iterator[Sequence[object]]:
    """A row a time: UTC, then each sensor; empty where it has no reading."""
    if found is None or found.trace is None:
        return
    for at, temps in zip(found.trace.times.tolist(), found.trace.temps_c.tolist(), strict=True):
        yield (datetime.fromtimestamp(at, UTC).isoformat(), *("" if np.isnan(temp) else round(temp, 3) for temp in temps))


def sensor_rows(found: LoadTrace | None) -> Iterator[Sequence[object]]:
    """By SENSOR_COLUMNS."""
    for shelf in found.shelves if found else ():
        for row in shelf.rows:
            soak = row.facts.get("soak") or {}
            facts = row.facts | {f"soak_{name}": soak.get(key) for name, key in (("from", "at_from"), ("to", "at_to"), ("minutes", "minutes"))}
            yield (shelf.shelf, *("" if facts.get(name) is None else facts[name] for name in SENSOR_COLUMNS[1:]))


def _chart(of: ShelfTrace) -> TraceChart:
    recipe, trace, shelf, soak, start, end = of.recipe, of.trace, of.shelf, of.soak, of.run.started_at, of.ended
    begin, finish = (start - BEFORE_AND_AFTER).timestamp(), (end + BEFORE_AND_AFTER).timestamp()
    lines, gaps = [], []
    for name in of.sensors:
        column = trace.column(name) if trace else None
        if trace is None or column is None:
            continue
        lines.append(SensorLine(trace.sensors[column], curve(trace, column, begin, finish, recipe.max_gap_seconds).pieces()))
        watched = curve(trace, column, start.timestamp(), end.timestamp(), recipe.max_gap_seconds)
        gaps += [(a, b, f"{name}: no reading") for a, b in joined(watched.unknown) if b - a > recipe.max_gap_seconds]
    known = trace.temps_c[np.isfinite(trace.temps_c)] if trace else np.zeros(0)
    low = min(20.0, float(known.min()) if len(known) else 20.0)
    high = max(recipe.band_high_c, recipe.set_point_c, float(known.max()) if len(known) else 0.0)
    return TraceChart(
        title=f"Cure trace of {'shelf ' + shelf if shelf else 'the oven'}", description=_in_words(of), start=begin, end=finish, low_c=low,
        high_c=high * 1.05, band=(recipe.band_low_c, recipe.band_high_c), set_point_c=recipe.set_point_c, door_closed=start.timestamp(),
        door_open=end.timestamp() if of.run.ended_at else None, sensors=lines, zone=of.zone,
        soak=(_time(soak["at_from"]).timestamp(), _time(soak["at_to"]).timestamp()) if soak else None, gaps=gaps,
        pins=[
            Pin(one.number, one.at_from.timestamp(), (one.at_to or one.at_from).timestamp(), f"{one.number}: {one.text}")
            for one in of.reasons
            if one.number is not None and one.at_from is not None
        ],
    )  # fmt: skip


def _reasons(judgements: Sequence[JudgementRow | None], soak: dict[str, Any] | None, start: datetime, end: datetime) -> tuple[ReasonShown, ...]:
    """Each reason once, in order of time; what is about the soak is pinned to the soak."""
    told = [_with_code(one) for found in judgements if found for one in found.reasons]
    every = {(one["code"], one["text"]): one for one in told}
    placed, others = [], []
    for one in every.values():
        at_from, at_to = one.get("at_from"), one.get("at_to")
        if at_from is None and soak and one["code"].startswith("soak_"):
            at_from, at_to = soak["at_from"], soak["at_to"]
        if at_from is None:
            placed.append(ReasonShown(0, one["text"], start, end, "the whole load"))
            continue
        begin, finish = _time(at_from), _time(at_to or at_from)
        if finish < start - BEFORE_AND_AFTER or begin > end + BEFORE_AND_AFTER:
            others.append(ReasonShown(None, one["text"], begin, finish, "in an earlier round"))
        else:
            placed.append(ReasonShown(0, one["text"], begin, finish, ""))
    placed.sort(key=lambda one: (one.at_from, one.text))
    return (*(replace(one, number=n) for n, one in enumerate(placed, 1)), *others)


def _with_code(reason: dict[str, Any] | str) -> dict[str, Any]:
    """A disposition without a judgement before it left its reason in words alone."""
    return {"code": "", "text": reason} if isinstance(reason, str) else reason


def _intervals(trace: Trace | None, names: Sequence[str], start: datetime, end: datetime) -> tuple[Interval, ...]:
    """The picture's numbers: the load in equal stretches of whole minutes."""
    if trace is None:
        return ()
    minutes = max(1, -(-int((end - start).total_seconds()) // 60 // _INTERVALS))
    columns = [trace.column(name) for name in names]
    found = []
    at = start
    while at < end:
        until = min(at + timedelta(minutes=minutes), end)
        inside = (trace.times >= at.timestamp()) & (trace.times < until.timestamp())
        temps = [trace.temps_c[inside, column] if column is not None else np.zeros(0) for column in columns]
        read = [one[np.isfinite(one)] for one in temps]
        found.append(Interval(at, until, tuple((float(one.min()), float(one.max())) if len(one) else None for one in read)))
        at = until
    return tuple(found)


def _in_words(of: ShelfTrace) -> str:
    said = [f"Sensors {', '.join(of.sensors)}." if of.sensors else "No sensor watches this shelf."]
    said += [f"Lot {one.lot}: {one.verdict}." for one in of.lots]
    said += [f"Soak {of.soak['minutes']:.1f} min."] if of.soak else []
    return " ".join([*said, *(one.text for one in of.reasons)])


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


_SIZES = listed("select id, n from panel_set where id in :sets", "sets")
