"""Panels from a lead-frame batch: by the marks on the frames, by a range of them, or just a number of them."""

import re
from collections import Counter

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import codes
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Part
from app.clock import told
from app.errors import Reason, Refused, bad_input, few, refuse
from app.holds.place import against_rules, hold_panels
from app.holds.stopped import stops_on
from app.journal.act import By, lock, turn_to_name
from app.ledger.flows import Flow
from app.ledger.items import Batch, Item, Panel
from app.listed import together
from app.naming.models import Alias, Code
from app.naming.resolve import Named, dated_code

_MOST = 5000


def receive_panels(
    session: Session, by: By, frames: Named, *, marks: list[str] | None = None, count: int | None = None,
    rows: int | None = None, columns: int | None = None,
) -> list[Named]:  # fmt: skip
    """Panels of a lead-frame batch. `marks`: what stands on the frames; a mark that is a free panel code of ours becomes the code.

    Rows and columns come from the lead-frame part, or are stated.
    """
    part: Part = catalogue.with_id(session, session.get_one(Batch, frames.id).part).body
    if part.kind != "lead frame":
        raise refuse("material_wrong", f"{frames.code} is not a lead-frame batch.", f"It is {part.kind} {part.number}.", "Name the lead-frame batch.")
    size = (rows or part.rows, columns or part.columns)
    if not size[0] or not size[1]:
        raise bad_input("The panels' size is not known.", "rows", f"{part.number} has no rows and columns.", "State rows and columns.")
    wanted: list[str | None] = [mark.strip() for mark in marks] if marks else [None] * (count or 0)
    _check_marks(session, wanted)
    lock(session, Item, [frames.id])
    if not by.fact and (stops := stops_on(session, [frames.id])):
        raise refuse("material_held", f"{frames.code} is on hold.", stops[frames.id][0].reason, "Use another batch.")
    lapsed = _lapsed(session, by, frames)
    if lapsed and not by.fact:
        raise Refused(f"No panels were received from {frames.code}.", *lapsed)
    items = [Item(e=by.e, kind="panel") for _ in wanted]
    session.add_all(items)
    session.flush()
    panels = []
    for item, mark in zip(items, wanted, strict=True):
        code = mark.upper() if mark and _is_panel_code(mark) else dated_code("panel", item.id, by.now)
        session.add_all(
            [
                Code(e=by.e, code=code, kind="panel", thing=item.id),
                Panel(e=by.e, item=item.id, rows=size[0], columns=size[1]),
                Flow(e=by.e, child=item.id, parent=frames.id, kind="frame", walked=True, run=None, units=1),
            ]
        )
        if mark and mark.upper() != code:
            session.add(Alias(e=by.e, kind="panel", thing=item.id, whose="us", what="frame mark", value=mark))
        panels.append(Named("panel", item.id, code))
    session.flush()
    if lapsed:
        hold_panels(session, by, [panel.id for panel in panels], against_rules(lapsed))
    return panels


def _lapsed(session: Session, by: By, frames: Named) -> list[Reason]:
    """Frames go on no station: that they are made panels is their use."""
    end = session.get_one(Batch, frames.id).expires_at
    if end is None or by.happened_at <= end:
        return []
    return [Reason("material_lapsed", f"{frames.code} expired at {told(end, catalogue.site(session).zone)}.", "Take a fresh batch.")]


def marks_between(first: str, last: str) -> list[str]:
    """All marks from `first` to `last`: the same but for the last number in them, which counts up."""
    if _is_panel_code(first) and _is_panel_code(last):
        return [codes.make("panel", serial) for serial in _between(first[1:-2], last[1:-2])]
    return _between(first.strip(), last.strip())


def _between(first: str, last: str) -> list[str]:
    a, b = _parted(first), _parted(last)
    if a is None or b is None or a[0] != b[0] or a[2] != b[2] or int(b[1]) < int(a[1]):
        raise bad_input(
            "That is not a range.", "last", f"From {first} to {last} nothing counts up.", "Give a first and a last that differ in one number."
        )
    if int(b[1]) - int(a[1]) >= _MOST:
        raise bad_input("That range is too long.", "last", f"It has more than {_MOST} panels.", "Receive it in parts.")
    return [f"{a[0]}{n:0{len(a[1])}d}{a[2]}" for n in range(int(a[1]), int(b[1]) + 1)]


def _parted(mark: str) -> tuple[str, str, str] | None:
    """(before, last number, after) of a mark."""
    found = re.fullmatch(r"(.*?)(\d+)(\D*)", mark)
    return (found[1], found[2], found[3]) if found else None


def _is_panel_code(mark: str) -> bool:
    text = codes.tidy(mark)
    return text[:1] == "P" and codes.is_valid(text)


def _check_marks(session: Session, marks: list[str | None]) -> None:
    if not 0 < len(marks) <= _MOST:
        raise bad_input("No panels.", "marks", f"Between 1 and {_MOST} panels can be received at once.", "Give marks, a range or a count.")
    given = [codes.tidy(mark) for mark in marks if mark is not None]
    for i, mark in enumerate(given):
        if not mark or len(mark) > 60 or not mark.isprintable():
            raise bad_input(
                "A mark can't be read.", f"marks[{i}]", f"{mark[:60]!r} is empty, too long, or has signs that do not print.", "Correct it."
            )
    if len(set(given)) < len(given):
        twice = next(mark for mark, times in Counter(given).items() if times > 1)
        raise bad_input(
            "A mark appears twice.", f"marks[{given.index(twice)}]", f"{twice} appears more than once.", "Every panel has a mark of its own."
        )
    together(session, *turn_to_name(session))
    known = set(session.scalars(select(Code.code).where(Code.code.in_(given))))
    known |= set(
        session.scalars(select(Alias.value).where(Alias.kind == "panel", Alias.value.in_([m for m in marks if m]), Alias.closed_e.is_(None)))
    )
    if known:
        why = f"Received before: {few(sorted(known), 5)}."
        raise bad_input("A mark is known already.", "marks", why, "Leave what was received before out.")
