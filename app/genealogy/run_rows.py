"""The runs of a trace as rows: station, person and recipe, their lines with material and judgement, readings, and bins of a test."""

import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import JSON, Boolean
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.genealogy.amounts import Share
from app.ledger.judgements import VERDICTS
from app.ledger.travels import LineAbove
from app.ledger.used import Used
from app.listed import ask, listed, tuples
from app.naming.resolve import codes_of, codes_of_items


class ReadingRow(NamedTuple):
    name: str
    value: float
    unit: str
    within: bool
    low: float | None = None
    high: float | None = None


class LineRow(NamedTuple):
    """A run line that touched the subject. `extent`: whole, either (one side of a change-over), open."""

    line: int
    step: str | None
    round: int
    shelf: str | None
    lot: str | None
    extent: str
    least: int
    greatest: int
    materials: tuple[str, ...]
    verdict: str | None
    reasons: tuple[str, ...]
    disposition: str | None
    at_risk: bool

    @property
    def verdict_in_words(self) -> str:
        return VERDICTS[self.verdict] if self.verdict else ""


class RunRow(NamedTuple):
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

    def as_json(self) -> dict[str, Any]:
        return self._asdict() | {"lines": [one._asdict() for one in self.lines], "readings": [one._asdict() for one in self.readings]}


def run_rows(
    session: Session, lines: Iterable[LineAbove], uses: Iterable[Used], codes: dict[int, str], share: Callable[[int], Share], panels: Iterable[int]
) -> tuple[RunRow, ...]:
    """The runs of these lines in the order of their beginnings.

    `uses`: what they had; `codes`: of items, as far as they are known; `share`: of the subject, by line; `panels`: those on the way.
    """
    rows = sorted(lines, key=lambda line: (line.run_started_at, line.run, line.line))
    runs = {row.run: row for row in rows}
    by_run: defaultdict[int, list[LineRow]] = defaultdict(list)
    for line, row in zip(rows, _lines(session, rows, uses, codes, share, panels), strict=True):
        by_run[line.run].append(row)
    readings: defaultdict[int, list[ReadingRow]] = defaultdict(list)
    for run, *one in ask(session, _READINGS, runs=runs):
        readings[run].append(ReadingRow._make(one))
    tests = {run: (by_bin, by_failure) for run, by_bin, by_failure in ask(session, _TESTS, runs=runs)}
    stations = catalogue.with_ids(session, list({run.station for run in runs.values()}))
    station_codes = codes_of(session, "station", list(stations))
    run_codes = codes_of(session, "run", list(runs))
    people = dict(tuples(session, _PEOPLE, people={run.person for run in runs.values() if run.person}))
    recipes = {d: one.name for d, one in catalogue.definitions(session, list({run.recipe for run in runs.values() if run.recipe})).items()}
    return tuple([
        RunRow(
            run_codes[n], run.operation, stations[run.station].name, station_codes.get(run.station, ""), people.get(run.person or 0),
            recipes.get(run.recipe or 0), run.run_started_at, run.run_ended_at, run.outcome, tuple(by_run[n]), tuple(readings.get(n, ())),
            *map(dict, tests.get(n, _NO_TEST)),
        )
        for n, run in runs.items()
    ])  # fmt: skip


def words_of(reason: Any) -> str:
    """A judgement's reason in words: cures keep more beside them."""
    return str(reason["text"]) if isinstance(reason, dict) else str(reason)


def _lines(
    session: Session, lines: list[LineAbove], uses: Iterable[Used], codes: dict[int, str], share: Callable[[int], Share], panels: Iterable[int]
) -> list[LineRow]:
    ids = [line.line for line in lines]
    used: defaultdict[int, list[int]] = defaultdict(list)
    for used_by, item, _ in uses:
        used[used_by].append(item)
    named = {line.lot for line in lines if line.lot} | {item for items in used.values() for item in items}
    codes = codes | codes_of_items(session, [item for item in named if item not in codes])
    judged = _judged(session, ids)
    at_risk = _at_risk(session, ids, panels)
    rows = []
    for line in lines:
        judgement, decided = judged.get(line.line, (None, None))
        rows.append(
            LineRow(
                line.line, line.step, line.round, line.shelf, codes[line.lot] if line.lot else None, line.extent, *share(line.line),
                tuple([codes[item] for item in used.get(line.line, ())]),
                judgement.verdict if judgement else None,
                _reasons(judgement.reasons) if judgement else (),
                decided,
                line.line in at_risk,
            )
        )  # fmt: skip
    return rows


def _reasons(raw: Any) -> tuple[str, ...]:
    """`raw`: as the driver gives it, which is the text of JSON on SQLite; nearly always without any."""
    if raw in ("[]", []):
        return ()
    return tuple([words_of(reason) for reason in (json.loads(raw) if isinstance(raw, str) else raw)])


def _at_risk(session: Session, lines: list[int], panels: Iterable[int]) -> set[int]:
    """The lines that one of the panels was let on from: the signature was for some of a line's panels, and these may be others."""
    marks = tuples(session, _AT_RISK, lines=lines)
    theirs = {one for (one,) in tuples(session, _SETS_WITH, sets={one for _, one in marks}, panels=panels)} if marks else set()
    return {line for line, one in marks if one in theirs}


def _judged(session: Session, lines: list[int]) -> dict[int, tuple[Any, str | None]]:
    """By line, its judgement in force: the one that none replaces; and what was decided of it. A rework outlives the judgement it was signed for."""
    rows = ask(session, _JUDGEMENTS, lines=lines)
    replaced = {row.replaces for row in rows}
    last = {row.line: row.decided for row in rows if row.decided}
    return {row.line: (row, row.decided or ("rework" if last.get(row.line) == "rework" else None)) for row in rows if row.id not in replaced}


_NO_TEST: tuple[dict[str, int], dict[str, int]] = ({}, {})
_READINGS = listed(
    "select run, name, value, unit, within, low, high from reading where run in :runs and closed_e is null order by id", "runs"
).columns(within=Boolean())
_TESTS = listed("select run, by_bin, by_failure from unit_file where run in :runs order by id", "runs").columns(by_bin=JSON(), by_failure=JSON())
_PEOPLE = listed("select id, name from person where id in :people", "people")
_JUDGEMENTS = listed(
    """
    select j.id, j.line, j.verdict, j.reasons, j.replaces, d.what as decided
    from judgement j left join disposition d on d.judgement = j.id where j.line in :lines order by d.id
    """,
    "lines",
)
_AT_RISK = listed('select line, "set" from at_risk where line in :lines', "lines")
_SETS_WITH = listed('select distinct m."set" from member m where m."set" in :sets and m.panel in :panels', "sets", "panels")
