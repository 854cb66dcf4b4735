"""What ever stopped something on the way to a thing, and how it ended: holds with their releases, and marks at risk."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from app.genealogy.doings import Doing
from app.genealogy.origins import Origins
from app.holds.stopped import stops_on
from app.holds.words import on_what
from app.journal.models import Entry
from app.ledger.judgements import AtRisk, Disposition
from app.ledger.runs import Line
from app.ledger.sets import Member
from app.ledger.stops import Hold, Release
from app.listed import among
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


def holds_ever(session: Session, found: Origins, lines: Sequence[Line]) -> tuple[PastHold, ...]:
    """Every hold on something on the way, ended ones too."""
    holds = list(session.scalars(select(Hold).where(_concerns(found, lines)).order_by(Hold.id)))
    if not holds:
        return ()
    ids = [hold.id for hold in holds]
    codes, on = codes_of(session, "hold", ids), on_what(session, holds)
    now = {stop.hold for stops in stops_on(session, found.up.starts).values() for stop in stops}
    releases = list(session.scalars(select(Release).where(among(Release.hold, ids)).order_by(Release.id)))
    entries = _entries(session, [hold.e for hold in holds] + [one.e for one in releases])
    decided = {(one.hold, one.e): one for one in session.scalars(select(Disposition).where(among(Disposition.hold, ids)))}
    by_hold: defaultdict[int, list[Released]] = defaultdict(list)
    for one in releases:
        entry, why = entries[one.e], decided.get((one.hold, one.e))
        what, words = (why.what, why.words) if why else ("", "")
        by_hold[one.hold].append(Released(entry.happened_at, entry.actor_name, one.everything, one.units_freed, what, words))
    return tuple(
        PastHold(
            codes[hold.id], hold.reason, tuple(on[hold.id]), entries[hold.e].actor_name, entries[hold.e].happened_at, hold.automatic,
            hold.closed_e is None, hold.id in now, tuple(by_hold[hold.id]),
        )
        for hold in holds
    )  # fmt: skip


def _concerns(found: Origins, lines: Sequence[Line]) -> ColumnElement[bool]:
    panels = list(found.up.panels)
    of_panels = select(Member.set).where(Member.panel.in_(panels))
    items = {
        "wafer": found.wafers, "batch": found.batches, "panel": panels, "loose": found.up.loose, "sample": found.up.loose, "pack": found.up.packs,
    }  # fmt: skip
    stations = {one.station for one in found.lines}
    spans = [
        and_(
            Hold.kind == "span", Hold.subject == station,
            or_(Hold.span_to.is_(None), Hold.span_to >= min(one.started_at for one in found.lines if one.station == station)),
            or_(Hold.span_from.is_(None), Hold.span_from <= _latest(found, station)),
        )
        for station in stations
    ]  # fmt: skip
    return or_(
        and_(Hold.kind == "set", Hold.subject.in_(of_panels)),
        and_(Hold.kind == "line", Hold.subject.in_([line.id for line in lines])),
        and_(Hold.kind == "run", Hold.subject.in_({line.run for line in lines})),
        *(and_(Hold.kind == kind, Hold.subject.in_(list(ids))) for kind, ids in items.items()),
        *spans,
    )


def _latest(found: Origins, station: int) -> datetime:
    """When the last line at the station ended; one that goes on has not."""
    return max(one.ended_at or datetime.max.replace(tzinfo=one.started_at.tzinfo) for one in found.lines if one.station == station)


def risks_of(session: Session, found: Origins, done: Mapping[int, Doing]) -> tuple[Risk, ...]:
    marks = list(session.scalars(select(AtRisk).where(among(AtRisk.line, done)).order_by(AtRisk.id)))
    if not marks:
        return ()
    of_ours = Member.set.in_({mark.set for mark in marks}), Member.panel.in_(list(found.up.panels))
    panels = {set_id: n for set_id, n in session.execute(select(Member.set, func.count()).where(*of_ours).group_by(Member.set))}
    entries = _entries(session, [mark.e for mark in marks])
    return tuple(_risk(mark, panels[mark.set], entries[mark.e], done[mark.line]) for mark in marks if mark.set in panels)


def _risk(mark: AtRisk, panels: int, entry: Entry, doing: Doing) -> Risk:
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


def _entries(session: Session, ids: Sequence[int]) -> dict[int, Entry]:
    return {entry.id: entry for entry in session.scalars(select(Entry).where(among(Entry.id, ids)))}
