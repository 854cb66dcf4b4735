"""What went past a gate by signature or as a fact, by gate: at-risk marks, concessions, signed differences, facts that broke a rule."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Text, cast, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from app.board.production_day import Span
from app.floor.open_differences import NOT_SIGNED
from app.journal.models import Entry
from app.journal.since import first_since
from app.ledger.counts import CountEntry
from app.ledger.judgements import AtRisk, Disposition, Judgement
from app.ledger.runs import Line
from app.ledger.sets import PanelSet
from app.ledger.stops import Hold

TOLD_AS_FACT = "Recorded as a fact"  # how floor and packing begin the reason of such a hold


@dataclass(frozen=True)
class Override:
    """`gate`: what would have stopped it; `what`: how it went past; `how_many` times, on so many panels (0: not of panels)."""

    gate: str
    what: str
    how_many: int
    panels: int


def overrides(session: Session, span: Span) -> list[Override]:
    """Five statements, by the entries since the span began."""
    first = first_since(session, span.begin)
    signed = [*_at_risk(session, span, first), *_concessions(session, span, first)]
    every = [*signed, _signed(session, span, first), _told_as_facts(session, span, first)]
    return [one for one in every if one.how_many]


def _at_risk(session: Session, span: Span, first: int) -> Iterator[Override]:
    query = (
        select(Line.judged, func.count(), func.sum(PanelSet.n))
        .select_from(AtRisk)
        .join(Line, Line.id == AtRisk.line)
        .join(PanelSet, PanelSet.id == AtRisk.set)
        .join(Entry, Entry.id == AtRisk.e)
        .where(*happened(span, first, AtRisk.e))
    )
    for judged, n, panels in session.execute(query.group_by(Line.judged).order_by(Line.judged)):
        yield Override(f"{judged} judgement", "gone on at risk", n, panels)


def _concessions(session: Session, span: Span, first: int) -> Iterator[Override]:
    query = (
        select(Line.judged, func.count())
        .select_from(Disposition)
        .join(Judgement, Judgement.id == Disposition.judgement)
        .join(Line, Line.id == Judgement.line)
        .join(Entry, Entry.id == Disposition.e)
        .where(Disposition.what == "concession", *happened(span, first, Disposition.e))
    )
    for judged, n in session.execute(query.group_by(Line.judged).order_by(Line.judged)):
        yield Override(f"{judged} judgement", "concession", n, 0)


def _signed(session: Session, span: Span, first: int) -> Override:
    query = select(func.count()).select_from(CountEntry).join(Entry, Entry.id == CountEntry.e)
    n = session.scalar(query.where(*signed_for(), *happened(span, first, CountEntry.e)))
    return Override("count", "difference signed for", n or 0, 0)


def _told_as_facts(session: Session, span: Span, first: int) -> Override:
    query = select(func.count()).select_from(Hold).join(Entry, Entry.id == Hold.e)
    told = Hold.automatic, cast(Hold.reason, Text).startswith(TOLD_AS_FACT)
    return Override("gates of a start", "told as a fact, and held", session.scalar(query.where(*told, *happened(span, first, Hold.e))) or 0, 0)


def signed_for() -> Sequence[ColumnElement[bool]]:
    """Conditions on count entries: a difference that someone signed for, and that was not taken back."""
    return CountEntry.kind == "difference", CountEntry.within.is_(False), CountEntry.reason.not_in(NOT_SIGNED), CountEntry.closed_e.is_(None)


def happened(span: Span, first: int, column: InstrumentedAttribute[Any]) -> Sequence[ColumnElement[bool]]:
    """Conditions on rows, joined with their entries: by something that happened in the span, and so was recorded since its first entry."""
    return (column >= first, Entry.id >= first, Entry.happened_at >= span.begin, Entry.happened_at < span.end)
