"""The lists of a trace's page, stage by stage, each a page at a time by code; and the holds that stop something of it."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.genealogy.item_rows import ItemRow
from app.genealogy.run_rows import RunRow
from app.genealogy.trace import Trace
from app.journal.models import Entry
from app.ledger.runs import Line
from app.ledger.stops import Hold
from app.listed import among
from app.naming.models import Code

ROWS = 50  # of a list that stand on the page at once
STAGES = {
    "wafers": "Wafers", "batches": "Materials", "panels": "Panels", "lots": "Lots", "samples": "Samples", "packs": "Packs", "runs": "Runs",
}  # fmt: skip


@dataclass(frozen=True)
class ItemList:
    """A page of one stage. `certain` and `possible`: how many rows must and only can be in it; `following`: the next page begins after it."""

    name: str
    title: str
    rows: tuple[ItemRow, ...]
    total: int
    certain: int
    possible: int
    held: int
    least: int  # of the smallest and greatest row
    greatest: int
    has_numbers: bool  # other people's
    is_first: bool
    following: str | None


@dataclass(frozen=True)
class RunList:
    rows: tuple[RunRow, ...]
    total: int
    is_first: bool
    following: str | None


@dataclass(frozen=True)
class HoldRow:
    code: str
    reason: str
    placed_by: str
    placed_at: datetime
    in_force: bool
    on: tuple[str, ...]  # what it stops of the trace


def item_list(trace: Trace, name: str, after: str = "") -> ItemList:
    rows: tuple[ItemRow, ...] = getattr(trace, name)
    page = [row for row in rows if row.code > after][:ROWS]
    bounded = [row for row in rows if row.is_bounded]
    certain = sum(row.must for row in bounded)
    return ItemList(
        name, STAGES[name], tuple(page), len(rows), certain, len(bounded) - certain, sum(bool(row.stopped_by) for row in rows),
        min((row.least for row in bounded), default=0), max((row.greatest for row in bounded), default=0), any(row.numbers for row in rows),
        page[:1] == list(rows[:1]), page[-1].code if page and page[-1] is not rows[-1] else None,
    )  # fmt: skip


def run_list(trace: Trace, after: str = "") -> RunList:
    """Runs stand by their beginning; a page begins after a run's code."""
    codes = [run.run for run in trace.runs]
    first = codes.index(after) + 1 if after in codes else 0
    page = trace.runs[first : first + ROWS // 2]
    return RunList(page, len(trace.runs), first == 0, page[-1].run if page and page[-1] is not trace.runs[-1] else None)


def steps_of(session: Session, runs: RunList) -> dict[int, str]:
    """By line of these runs: its step as people call it."""
    lines = [line.line for run in runs.rows for line in run.lines]
    rows = session.execute(select(Line.id, Line.route, Line.step).where(among(Line.id, lines))).all()
    routes = catalogue.with_ids(session, list({route for _, route, _ in rows if route}))
    return {line: catalogue.step_name(routes[route].body if route else None, step or "") for line, route, step in rows}


def holds_on(session: Session, trace: Trace) -> list[HoldRow]:
    """The holds that stop something of a trace, with what. One statement."""
    on: defaultdict[str, list[str]] = defaultdict(list)
    for row in dict.fromkeys([trace.subject, *_items(trace)]):
        for hold in row.stopped_by:
            if row.code not in on[hold]:
                on[hold].append(row.code)
    if not on:
        return []
    query = (
        select(Code.code, Hold.reason, Entry.actor_name, Entry.happened_at, Hold.closed_e)
        .join(Hold, (Code.kind == "hold") & (Code.thing == Hold.id)).join(Entry, Entry.id == Hold.e)
        .where(Code.code.in_(list(on))).order_by(Code.code)
    )  # fmt: skip
    return [HoldRow(code, why, who, at, closed is None, tuple(on[code])) for code, why, who, at, closed in session.execute(query)]


def only(trace: Trace, name: str) -> Trace:
    """The trace with one of its lists; all of it where the name says none."""
    if name not in STAGES:
        return trace
    empty: dict[str, tuple[()]] = {other: () for other in STAGES if other != name}
    return replace(trace, ways=(), customers={}, **empty)  # type: ignore[arg-type]


def after_of(many: Sequence[str]) -> dict[str, str]:
    """Where each list begins, from the address: `list:code`."""
    return {name: code for one in many for name, colon, code in [one.partition(":")] if colon}


def _items(trace: Trace) -> list[ItemRow]:
    return [row for rows in (trace.wafers, trace.batches, trace.lots, trace.samples, trace.packs) for row in rows]


