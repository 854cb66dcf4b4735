"""Place a hold: one row. What comes of its subject, now or later, is stopped without copying anything."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import Reason, bad_input, refuse
from app.journal.act import By
from app.ledger.inside import is_inside
from app.ledger.items import Lot
from app.ledger.places import Content
from app.ledger.sets import Member, panels_of_lot, set_of
from app.ledger.stops import Hold
from app.naming.resolve import Named, code_of, give_code, resolve

_HELD_AS_THEY_ARE = ("wafer", "batch", "panel", "sample", "pack", "run", "line", "station")  # of a lot or container, what is in it
_MOST_TOLD = 5


def place_hold(
    session: Session, by: By, subject: Named, reason: str, *, span: tuple[datetime, datetime | None] | None = None
) -> Hold:
    """Stops `subject` and all that comes of it. `span` holds every line that was open at a station between two times."""
    if not reason.strip():
        raise bad_input("A hold needs a reason.", "reason", "It is empty.", "Say in a few words what is wrong.")
    if span is not None:
        if subject.kind != "station":
            raise bad_input("A span of time belongs to a station.", "span", f"{subject.code} is a {subject.kind}.", "Name a station.")
        if span[1] is not None and span[1] < span[0]:
            raise bad_input("The span ends before it begins.", "span", "No work lies in it.", "Swap them.")
        return _insert(session, by, "span", subject.id, reason, span=span)
    if subject.kind == "lot":
        return _hold_lot(session, by, subject, reason)
    if subject.kind == "container":
        return _hold_content(session, by, subject, reason)
    if subject.kind not in _HELD_AS_THEY_ARE:
        raise bad_input(f"A {subject.kind} can't be held.", "subject", f"{subject.code} is a {subject.kind}.", "Name an item, run or station.")
    return _insert(session, by, subject.kind, subject.id, reason)


def place_holds(session: Session, by: By, subjects: Iterable[str], reason: str) -> list[str]:
    """A hold on each of these things, all in one entry; the codes of the holds."""
    holds = [place_hold(session, by, resolve(session, one), reason) for one in dict.fromkeys(subjects)]
    return [code_of(session, "hold", hold.id) for hold in holds]


def against_rules(broken: Sequence[Reason]) -> str:
    """Why a fact is held that an intention would have been refused for: as many reasons as a label or screen can bear."""
    return "Recorded as a fact against a rule: " + " ".join(reason.brief for reason in broken[:_MOST_TOLD])


def hold_line(session: Session, by: By, line: int, reason: str) -> Hold:
    """The hold that a line gets by itself: its readings or its judgement are not as they should be."""
    return _insert(session, by, "line", line, reason, automatic=True)


def hold_panels(session: Session, by: By, panels: list[int], reason: str, lot: int | None = None) -> Hold:
    """The hold that panels get by themselves, wherever they go."""
    return _insert(session, by, "set", set_of(session, by, panels), reason, automatic=True, lot=lot)


def hold_item(session: Session, by: By, kind: str, item: int, reason: str) -> Hold:
    """The hold that a loose lot, sample, pack, wafer or batch gets by itself. `kind` as in `Hold`."""
    return _insert(session, by, kind, item, reason, automatic=True)


def _hold_lot(session: Session, by: By, subject: Named, reason: str) -> Hold:
    lot = session.get_one(Lot, subject.id)
    if lot.form == "loose":
        return _insert(session, by, "loose", lot.item, reason, lot=lot.item)
    panels = panels_of_lot(session, lot.item)
    if not panels:
        raise refuse("not_here", f"Lot {subject.code} holds nothing now.", "Its panels have left it.", "Hold the lots or packs that they went into.")
    return _insert(session, by, "set", set_of(session, by, panels), reason, lot=lot.item)


def _hold_content(session: Session, by: By, subject: Named, reason: str) -> Hold:
    rows = list(session.scalars(select(Content).where(Content.container == subject.id, is_inside())))
    panels = [panel for row in rows if row.set for panel in session.scalars(select(Member.panel).where(Member.set == row.set))]
    held = [("set", set_of(session, by, panels))] if panels else []
    held += [("loose" if session.get(Lot, row.item) else "sample", row.item) for row in rows if row.item]
    if not held:
        raise refuse("not_here", f"{subject.code} is empty.", "There is nothing in it to hold.", "Scan the container that is meant.")
    holds = [_insert(session, by, kind, item, reason, container=subject.id) for kind, item in held]
    return holds[0]  # the others, where it holds several things, stand beside it in the list


def _insert(
    session: Session, by: By, kind: str, subject: int, reason: str, *, automatic: bool = False,
    lot: int | None = None, container: int | None = None, span: tuple[datetime, datetime | None] | None = None,
) -> Hold:  # fmt: skip
    by.must_be_alone()
    hold = Hold(
        e=by.e, kind=kind, subject=subject, lot=lot, container=container, reason=reason.strip(), automatic=automatic,
        span_from=span[0] if span else None, span_to=span[1] if span else None,
    )  # fmt: skip
    session.add(hold)
    session.flush()
    give_code(session, by, "hold", hold.id)
    return hold
