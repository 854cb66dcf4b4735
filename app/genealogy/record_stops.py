"""What ever stopped something on the way to a thing, and how it ended: holds with their releases, and marks at risk."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Boolean
from sqlalchemy.orm import Session

from app.db import Moment
from app.genealogy.doings import Doing
from app.genealogy.origins import Origins
from app.holds.stopped import stops_on
from app.holds.words import HoldRow, on_what
from app.journal.entry_rows import EntryRow, entry_rows
from app.listed import ask, listed
from app.naming.resolve import codes_of


@dataclass(frozen=True)
class Released:
    """`what` and `words`: the disposition that was signed with it."""

    at: datetime
    who: str
    everything: bool
    units_freed: int
    what: str
    words: str


@dataclass(frozen=True)
class PastHold:
    """`stops`: it stops the subject now. In force and not stopping: the subject was released from it, or is out of its reach."""

    code: str
    reason: str
    on: tuple[tuple[str, str], ...]  # kind, code
    who: str
    at: datetime
    by_itself: bool
    is_in_force: bool
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
    codes, on = codes_of(session, "hold", ids), on_what(session, holds)
    in_force = any(hold.closed_e is None for hold in holds)
    now = {stop.hold for stops in stops_on(session, found.up.starts).values() for stop in stops} if in_force else set()
    releases = ask(session, _RELEASES, holds=ids)
    entries = entry_rows(session, [hold.e for hold in holds] + [one.e for one in releases])
    decided = {(hold, e): (what, words) for hold, e, what, words in ask(session, _DECIDED, holds=ids)}
    by_hold: defaultdict[int, list[Released]] = defaultdict(list)
    for one in releases:
        entry = entries[one.e]
        what, words = decided.get((one.hold, one.e), ("", ""))
        by_hold[one.hold].append(Released(entry.happened_at, entry.actor_name, one.everything, one.units_freed, what, words))
    return tuple(
        PastHold(
            codes[hold.id], hold.reason, tuple(on[hold.id]), entries[hold.e].actor_name, entries[hold.e].happened_at, hold.automatic,
            hold.closed_e is None, hold.id in now, tuple(by_hold[hold.id]),
        )
        for hold in holds
    )  # fmt: skip


def _concerning(session: Session, found: Origins) -> list[HoldRow]:
    up = found.up
    asked = {
        "items": [*found.wafers, *found.batches, *up.panels, *up.loose, *up.packs], "panels": list(up.panels),
        "lines": [one.line for one in found.lines], "runs": list({one.run for one in found.lines}),
        "stations": list({one.station for one in found.lines}),
    }  # fmt: skip
    holds = [HoldRow(*row[:-2]) if row.kind != "span" or _was_there(found, row) else None for row in session.execute(_CONCERNING, asked)]
    return [hold for hold in holds if hold is not None]


def _was_there(found: Origins, span: Any) -> bool:
    """A line was at the station in its span, from the first to the last of them; one that goes on has not ended."""
    there = [one for one in found.lines if one.station == span.subject]
    latest = max(one.ended_at or datetime.max.replace(tzinfo=one.started_at.tzinfo) for one in there)
    began = span.span_from is None or span.span_from <= latest
    return began and (span.span_to is None or span.span_to >= min(one.started_at for one in there))


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
    select id, e, closed_e, kind, subject, lot, container, reason, automatic, span_from, span_to from hold
    where kind in ('wafer', 'batch', 'panel', 'loose', 'sample', 'pack') and subject in :items
        or kind = 'line' and subject in :lines or kind = 'run' and subject in :runs or kind = 'span' and subject in :stations
        or kind = 'set' and subject in (select m."set" from member m where m.panel in :panels)
    order by id
    """,
    "items", "lines", "runs", "stations", "panels",
).columns(automatic=Boolean(), span_from=Moment(), span_to=Moment())  # fmt: skip
_RELEASES = listed("select hold, e, everything, units_freed from release where hold in :holds order by id", "holds").columns(everything=Boolean())
_DECIDED = listed("select hold, e, what, words from disposition where hold in :holds", "holds")
_AT_RISK = listed('select line, "set", e, reason from at_risk where line in :lines order by id', "lines")
_OF_OURS = listed('select m."set", count(*) from member m where m."set" in :sets and m.panel in :panels group by m."set"', "sets", "panels")
