"""What ever stopped something on the way to a thing, and how it ended: holds with their releases, and marks at risk."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

from sqlalchemy import Boolean, ColumnClause, bindparam, column, select, text
from sqlalchemy.orm import Session

from app.db import Moment
from app.genealogy.doings import Doing
from app.genealogy.origins import Origins
from app.holds.stopped import is_meant, stops_on
from app.holds.words import HoldRow, on_what
from app.journal.entry_rows import EntryRow, entry_rows
from app.ledger.stops import LONG_SPAN, Hold
from app.listed import ask, listed, tuples
from app.naming.resolve import codes_of, codes_of_items

_MONTH = timedelta(days=32)  # more than a span lasts that is not among those of LONG_SPAN
_NEVER = datetime(9999, 12, 31, tzinfo=UTC)
_HOLD_COLUMNS: list[ColumnClause[Any]] = [column(name) for name in ("id", "e", "closed_e", "kind", "subject", "lot", "container", "reason")]
_HOLD_COLUMNS.append(column("automatic", Boolean()))


@dataclass(frozen=True)
class Released:
    """`what` and `words`: the disposition that was signed with it. `things`: the codes of what was let go, where it was not everything."""

    at: datetime
    who: str
    everything: bool
    things: tuple[str, ...]
    units_freed: int
    what: str
    words: str


@dataclass(frozen=True)
class PastHold:
    """`stops`: it stops the subject now. In force and not stopping: the subject was released from it, or is out of its reach."""

    code: str
    reason: str
    on: tuple[tuple[str, str], ...]  # kind, code
    things: tuple[str, ...]  # codes of what it is on: of a container named above, what was in it
    lines: frozenset[int]  # those of the way that it is on: a line alone, of a run that it names, or of a station in a span of time
    who: str
    at: datetime
    automatic: bool
    in_force: bool
    stops: bool
    releases: tuple[Released, ...]


@dataclass(frozen=True)
class Risk:
    """Panels that went on while a judgement was open. `ended`: how, in words; empty while it is open."""

    run: str
    step: str
    panels: int
    reason: str
    who: str
    at: datetime
    ended: str
    ended_at: datetime | None


def holds_ever(session: Session, found: Origins) -> tuple[PastHold, ...]:
    """Every hold on something on the way, ended ones too."""
    holds = _concerning(session, found)
    if not holds:
        return ()
    ids = [hold.id for hold in holds]
    codes, on, lines = codes_of(session, "hold", ids), on_what(session, holds), _lines_on(session, found, holds)
    inside = on_what(session, [hold._replace(container=None) for hold in holds if hold.container is not None])
    in_force = any(hold.closed_e is None for hold in holds)
    now = {stop.hold for stops in stops_on(session, found.up.starts).values() for stop in stops} if in_force else set()
    releases = ask(session, _RELEASES, holds=ids)
    entries = entry_rows(session, [hold.e for hold in holds] + [one.e for one in releases])
    decided = {(hold, e): (what, words) for hold, e, what, words in ask(session, _DECIDED, holds=ids)}
    let_go = _let_go(session, [one.id for one in releases if not one.everything])
    by_hold: defaultdict[int, list[Released]] = defaultdict(list)
    for one in releases:
        entry = entries[one.e]
        what, words = decided.get((one.hold, one.e), ("", ""))
        things = let_go.get(one.id, ())
        by_hold[one.hold].append(Released(entry.happened_at, entry.actor_name, one.everything, things, one.units_freed, what, words))
    return tuple(
        PastHold(
            codes[hold.id], hold.reason, tuple(on[hold.id]), tuple(code for _, code in inside.get(hold.id, on[hold.id])), lines[hold.id],
            entries[hold.e].actor_name, entries[hold.e].happened_at, hold.automatic, hold.closed_e is None, hold.id in now, tuple(by_hold[hold.id]),
        )
        for hold in holds
    )  # fmt: skip


def _let_go(session: Session, releases: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """By release of a part, the codes of it."""
    rows = tuples(session, _RELEASED, releases=releases)
    codes = codes_of_items(session, [item for _, item in rows])
    found: defaultdict[int, list[str]] = defaultdict(list)
    for release, item in rows:
        found[release].append(codes[item])
    return {release: tuple(sorted(some)) for release, some in found.items()}


def _lines_on(session: Session, found: Origins, holds: Sequence[HoldRow]) -> dict[int, frozenset[int]]:
    meant = [hold.id for hold in holds if hold.kind in ("line", "run", "span")]
    whole = {hold.id: hold for hold in session.scalars(select(Hold).where(Hold.id.in_(meant)))} if meant else {}  # with the span
    none = frozenset[int]()
    return {
        hold.id: frozenset(one.line for one in found.lines if is_meant(one, whole[hold.id])) if hold.id in whole else none for hold in holds
    }  # fmt: skip


def _concerning(session: Session, found: Origins) -> list[HoldRow]:
    up = found.up
    asked = {
        "items": [*found.wafers, *found.batches, *up.panels, *up.loose, *up.packs], "panels": list(up.panels),
        "lines": [one.line for one in found.lines], "runs": list({one.run for one in found.lines}),
    }  # fmt: skip
    holds = [HoldRow(*row) for row in session.execute(_CONCERNING, asked)]
    return sorted([*holds, *_spans(session, found)], key=lambda hold: hold.id)


def _spans(session: Session, found: Origins) -> list[HoldRow]:
    """Spans in which a line was at the station, from the first to the last of them; one that goes on has not ended."""
    there: defaultdict[int, list[Any]] = defaultdict(list)
    for one in found.lines:
        there[one.station].append(one)
    if not there:
        return []
    asked: dict[str, Any] = {}
    for n, (station, lines) in enumerate(there.items()):
        began, ended = min(one.started_at for one in lines), max(one.ended_at or _NEVER for one in lines)
        asked |= {f"s{n}": station, f"b{n}": began, f"e{n}": ended, f"f{n}": began - _MONTH}
    rows = session.execute(_spans_at(len(there), session.get_bind().dialect.name), asked)
    return [HoldRow(*row) for row in rows]


@lru_cache(maxsize=256)
def _spans_at(stations: int, dialect: str) -> Any:
    """Of each station those that began within a month before, or later, up to the last line; and the long ones that ended no sooner."""
    values = ", ".join(f"(:s{n}, :b{n}, :e{n}, :f{n})" for n in range(stations))
    columns = "h.id, h.e, h.closed_e, h.kind, h.subject, h.lot, h.container, h.reason, h.automatic"
    of_station = f"select {columns} from at cross join hold h where h.kind = 'span' and h.subject = at.station"
    long = f"{LONG_SPAN[dialect]} and (h.span_from is null or h.span_from <= at.ended)"
    statement = text(f"""
        with at(station, began, ended, far) as (values {values})
        {of_station} and h.span_from between at.far and at.ended and h.span_to >= at.began
        union
        {of_station} and h.span_to >= at.began and {long}
        union
        {of_station} and h.span_to is null and {long}
    """)
    times = [bindparam(f"{name}{n}", type_=Moment()) for n in range(stations) for name in "bef"]
    return statement.bindparams(*times).columns(*_HOLD_COLUMNS)


def risks_of(session: Session, found: Origins, done: Mapping[int, Doing]) -> tuple[Risk, ...]:
    marks = ask(session, _AT_RISK, lines=done)
    panels: dict[int, int] = dict(ask(session, _OF_OURS, sets={mark.set for mark in marks}, panels=found.up.panels))
    entries = entry_rows(session, [mark.e for mark in marks])
    return tuple(_risk(mark, panels[mark.set], entries[mark.e], done[mark.line]) for mark in marks if mark.set in panels)


def _risk(mark: Any, panels: int, entry: EntryRow, doing: Doing) -> Risk:
    ended, ended_at = _end(doing)
    return Risk(doing.run, doing.step or "", panels, mark.reason, entry.actor_name, entry.happened_at, ended, ended_at)


def _end(doing: Doing) -> tuple[str, datetime | None]:
    if doing.judged is None:
        return "", None
    if doing.judged.conforms:
        return f"judged: {doing.judged.verdict}", doing.judged.by.at
    if doing.judged.decided is not None:
        return f"judged: {doing.judged.verdict}; decided: {doing.judged.decided.words}", doing.judged.decided.at
    return "", None


_CONCERNING = listed(
    """
    select id, e, closed_e, kind, subject, lot, container, reason, automatic from hold
    where kind in ('wafer', 'batch', 'panel', 'loose', 'sample', 'pack') and subject in :items
        or kind = 'line' and subject in :lines or kind = 'run' and subject in :runs
        or kind = 'set' and subject in (select m."set" from member m where m.panel in :panels)
    order by id
    """,
    "items", "lines", "runs", "panels",
).columns(automatic=Boolean())  # fmt: skip
_RELEASES = listed("select id, hold, e, everything, units_freed from release where hold in :holds order by id", "holds").columns(everything=Boolean())
_RELEASED = listed("select release, item from release_item where release in :releases", "releases")
_DECIDED = listed("select hold, e, what, words from disposition where hold in :holds", "holds")
_AT_RISK = listed('select line, "set", e, reason from at_risk where line in :lines order by id', "lines")
_OF_OURS = listed('select m."set", count(*) from member m where m."set" in :sets and m.panel in :panels group by m."set"', "sets", "panels")
