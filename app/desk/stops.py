"""The list of holds."""

from sqlalchemy import ColumnElement, exists, func, select
from sqlalchemy.orm import Session

from app.desk.listing import Cell, Column, Filter, Linked, Listing, Row, Sort, State, coded, contains, named_like, whole
from app.desk.names import day_is, times_of
from app.holds.words import on_what, spans_in_words
from app.journal.models import Entry
from app.ledger.runs import Line
from app.ledger.sets import Member
from app.ledger.stops import Hold, Release, ReleaseItem
from app.naming.resolve import codes_of


def _hold_rows(session: Session, holds: list[Hold]) -> list[Row]:
    ids = [one.id for one in holds]
    codes, named, at = codes_of(session, "hold", ids), on_what(session, holds), times_of(session, [one.e for one in holds])
    who = {e: name for e, name in session.execute(select(Entry.id, Entry.actor_name).where(Entry.id.in_([one.e for one in holds])))}
    freed, spans = _released(session, ids), spans_in_words(session, holds)
    return [
        [
            coded(codes[one.id]), _state(one), (*(_on(kind, code) for kind, code in named[one.id]), *_span(spans.get(one.id))), one.reason,
            "by itself" if one.automatic else who[one.e], at[one.e], freed.get(one.id),
        ]
        for one in holds
    ]  # fmt: skip


def _state(hold: Hold) -> State:
    return State("in force", "stop") if hold.closed_e is None else State("released", "go")


def _on(kind: str, code: str) -> Cell:
    return Linked(f"{kind} {code}", code)


def _span(words: str | None) -> tuple[str, ...]:
    return (words,) if words else ()


def _released(session: Session, holds: list[int]) -> dict[int, int]:
    """How many items each hold has let go by name."""
    query = select(Release.hold, func.count()).join(ReleaseItem, ReleaseItem.release == Release.id)
    return {hold: n for hold, n in session.execute(query.where(Release.hold.in_(holds)).group_by(Release.hold))}


def _is(session: Session, value: str) -> ColumnElement[bool]:
    return Hold.closed_e.is_(None) if value == "in force" else Hold.closed_e.is_not(None)


def _placed(session: Session, value: str) -> ColumnElement[bool]:
    return Hold.automatic.is_(value == "by itself")


def _on_thing(session: Session, text: str) -> ColumnElement[bool]:
    """Holds placed on a thing, by its code or number; what they stop besides is what its own page says."""
    by_kind = [
        (Hold.kind == held) & named_like(session, kind, Hold.subject, text)
        for held, kind in (
            ("wafer", "wafer"), ("batch", "batch"), ("panel", "panel"), ("loose", "lot"), ("pack", "pack"), ("sample", "sample"),
            ("run", "run"), ("station", "station"), ("span", "station"),
        )
    ]  # fmt: skip
    found = named_like(session, "lot", Hold.lot, text) | named_like(session, "container", Hold.container, text)
    found |= (Hold.kind == "set") & Hold.subject.in_(select(Member.set).where(named_like(session, "panel", Member.panel, text)))
    found |= (Hold.kind == "line") & Hold.subject.in_(select(Line.id).where(named_like(session, "run", Line.run, text)))
    for one in by_kind:
        found |= one
    return found


def _at(session: Session, value: str) -> ColumnElement[bool]:
    return exists().where(Entry.id == Hold.e, day_is(Entry.happened_at)(session, value))


HOLDS = Listing(
    name="holds",
    title="Holds",
    about="A hold stops a thing and all that comes of it, now or later. Quality ends it by signature, for everything or for named items.",
    empty="Nothing is on hold. A hold is placed below, or by itself when a fact breaks a rule.",
    records=select(Hold),
    key=Hold.id,
    kind="hold",
    columns=(
        Column("hold", "Hold"), Column("state", "State"), Column("on", "On"), Column("reason", "Reason"), Column("placed_by", "Placed by"),
        Column("placed_at", "Placed"), Column("released", "Items released", True),
    ),
    rows=_hold_rows,
    sorts=(
        Sort("in_force", "in force first", Hold.id + 0, whole, falling=True, first=Hold.closed_e.is_(None)),  # those are few: no index for their ids
        Sort("newest", "newest first", falling=True),
        Sort("oldest", "oldest first"),
    ),
    filters=(
        Filter("state", "State", _is, ("in force", "released")),
        Filter("placed", "Placed", _placed, ("by itself", "by someone")),
        Filter("reason", "Reason has", contains(Hold.reason)),
        Filter("day", "Placed on", _at, kind="date"),
    ),
    search=_on_thing,
    template="desk/holds.html",
)  # fmt: skip
