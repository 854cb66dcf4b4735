"""Correct a mount: another material was on the place, or none, or it was on another place. What lines had is told anew.

The wrong mount stays, named by its correction; the right one takes its time on the station. Holds follow by themselves: a stop on the
right material stops what the lines did, one on the wrong material does not any more. Right material that breaks a rule holds the lines.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.models import Thing
from app.errors import Reason, Refused, bad_input
from app.floor.corrections import Corrected, checked_words, corrections_of, why_not_by
from app.floor.gates import material_grounds
from app.floor.line_steps import step_of_line
from app.floor.mounts import checked_place, going_into, material_reasons, part_of
from app.floor.scrapped_wafers import scrapped_reasons
from app.floor.told_late import lay_by_time, lines_that_it_was_added_to
from app.holds.place import hold_line
from app.journal.act import By, lock
from app.ledger.corrections import MountCorrection, UseVoid, corrected_before
from app.ledger.items import Item, Wafer
from app.ledger.places import Mount
from app.ledger.runs import Line, Run, Use, is_void
from app.naming.resolve import code_of, codes_of

_OPEN = 1 << 62


@dataclass(frozen=True)
class MountRow:
    """A mount as pages show it, with its correction if it was wrong."""

    mount: int
    station: int
    place: str
    item: str
    on_at: datetime
    off_at: datetime | None
    is_on: bool
    corrected: Corrected | None


@dataclass(frozen=True)
class Spell:
    """A mount with the entries from which to which it was on the station: a right one has those of the wrong one."""

    mount: Mount
    since: int
    until: int

    def is_on(self, entry: int) -> bool:
        return self.since <= entry < self.until


def correct_mount(session: Session, by: By, mount: Mount, item: int | None, place: str | None, reason: str) -> Mount | None:
    """`item`: what was on the place in truth; None: nothing was put on then. `place`: where, if not on the same place."""
    by.must_be_alone()
    lock(session, Item, sorted({mount.item, *([item] if item else [])}))
    lock(session, Thing, [mount.station])
    session.refresh(mount)
    words = checked_words(reason)
    spell = _spell(session, mount)
    lines = _lines_in(session, spell) + lines_that_it_was_added_to(session, mount)
    in_another_order = _in_another_order(session, mount.station, lines)
    where = checked_place(catalogue.station(session, mount.station), place) if place else mount.place
    _may(session, by, spell, lines, item, where)
    right = _right_one(session, by, mount, item, where)
    session.add(MountCorrection(e=by.e, mount=mount.id, right=right.id if right else None, reason=words))
    session.flush()
    on = spells(session, mount.station)
    for line in lines:
        had = [one.mount for one in on if one.is_on(line.e)]
        if line.id in in_another_order:
            had += [one for one in lay_by_time(session, mount.station, line.started_at, line.ended_at) if one not in had]
        operation, step = session.get_one(Run, line.run).operation, step_of_line(session, line)
        parts = [part_of(session, one.item).body for one in had]
        goes = going_into([(part.kind, part.roles) for part in parts], operation, step)
        into = [one for one, is_in in zip(had, goes, strict=True) if is_in]
        _tell_anew(session, by, line, {one.item: one.place for one in into})
        _hold_what_broke_a_rule(session, by, line, had, right)
    return right


def spells(session: Session, station: int) -> list[Spell]:
    """What was on a station in truth, from when to when: mounts that no correction replaces."""
    rows = {row.id: row for row in session.scalars(select(Mount).where(Mount.station == station).order_by(Mount.id))}
    corrected = _corrections(session, station)
    root = {right: wrong for wrong, right in corrected.items() if right is not None}
    return [_with_span(row, rows, root) for row in rows.values() if row.id not in corrected]


def mounts_told(session: Session, station: int, most: int = 50, before: int | None = None) -> list[MountRow]:
    """What was said to be on a station, the newest first (`before`: below this number); wrong mounts with what corrected them."""
    query = select(Mount, Item.kind).join(Item, Item.id == Mount.item).where(Mount.station == station).order_by(Mount.id.desc()).limit(most)
    rows = session.execute(query if before is None else query.where(Mount.id < before)).all()
    batches, wafers = ([row.item for row, kind in rows if kind == wanted] for wanted in ("batch", "wafer"))
    names = codes_of(session, "batch", batches) | codes_of(session, "wafer", wafers)
    corrected = corrections_of(session, MountCorrection, [row.id for row, _ in rows])
    return [
        MountRow(row.id, station, row.place, names[row.item], row.on_at, row.off_at, row.closed_e is None, corrected.get(row.id)) for row, _ in rows
    ]


def _corrections(session: Session, station: int) -> dict[int, int | None]:
    query = select(MountCorrection.mount, MountCorrection.right).join(Mount, Mount.id == MountCorrection.mount)
    return {wrong: right for wrong, right in session.execute(query.where(Mount.station == station))}


def _with_span(row: Mount, rows: dict[int, Mount], before: dict[int, int]) -> Spell:
    """Closed in the entry that made it: it ended when the one that it replaces ended."""
    since, until = row, row
    while since.id in before:
        since = rows[before[since.id]]
    while until.closed_e == until.e and until.id in before:
        until = rows[before[until.id]]
    return Spell(row, since.e, until.closed_e if until.closed_e is not None else _OPEN)


def _spell(session: Session, mount: Mount) -> Spell:
    return next((one for one in spells(session, mount.station) if one.mount.id == mount.id), Spell(mount, mount.e, mount.e))


def _lines_in(session: Session, spell: Spell) -> list[Line]:
    """Lines that opened at the station while the mount was on it. No voided runs."""
    query = select(Line).join(Run, Run.id == Line.run).where(Run.station == spell.mount.station, Line.e >= spell.since, Line.e < spell.until)
    return list(session.scalars(query.where(~is_void(Run.id)).order_by(Line.id)))


def _in_another_order(session: Session, station: int, lines: Sequence[Line]) -> set[int]:
    """Of these lines those that were told of material which by the order of entry did not lie there (`told_late.py`)."""
    by_entry = spells(session, station)
    found = set()
    for line in lines:
        void = select(UseVoid.item).where(UseVoid.line == line.id, UseVoid.closed_e.is_(None))
        had = set(session.scalars(select(Use.item).where(Use.line == line.id, Use.item.not_in(void))))
        if had - {one.mount.item for one in by_entry if one.is_on(line.e)}:
            found.add(line.id)
    return found


def _may(session: Session, by: By, spell: Spell, lines: list[Line], item: int | None, place: str) -> None:
    mount = spell.mount
    name = f"{_name(session, mount.item)} on {catalogue.station(session, mount.station).name}"
    if before := corrected_before(session, MountCorrection, mount.id):
        raise Refused(f"The mount of {name} was not corrected.", before)
    if item == mount.item and place == mount.place:
        raise bad_input("Nothing to correct.", "item", f"{name}, place {place}, is what the record says.", "Name what was there in truth.")
    found = why_not_by(session, by, mount.e, came_after=any(line.closed_e is not None for line in lines))
    if item is not None:
        part_of(session, item)  # refuses what can't be put on a station
        found += _is_elsewhere(session, spell, item, place)
    if found:
        raise Refused(f"The mount of {name} was not corrected.", *found)


def _is_elsewhere(session: Session, spell: Spell, item: int, place: str) -> list[Reason]:
    """In that time another thing was on the place, or a wafer was on another, or scrapped."""
    found = []
    station = catalogue.station(session, spell.mount.station)
    for other in spells(session, spell.mount.station):
        if other.mount.id != spell.mount.id and other.mount.place == place and _overlap(other, spell):
            found.append(Reason("container_taken", f"{_name(session, other.mount.item)} was on {place} then.", "Correct that mount first."))
    if session.get(Wafer, item) is None:
        return found
    found += scrapped_reasons(session, item, spell.until)
    for at in set(session.scalars(select(Mount.station).where(Mount.item == item))):
        for other in spells(session, at):
            if other.mount.item == item and other.mount.id != spell.mount.id and _overlap(other, spell):
                there = station.name if at == station.id else catalogue.station(session, at).name
                found.append(Reason("in_work", f"{_name(session, item)} was on {there} then.", "Correct that mount first."))
    return found


def _overlap(one: Spell, other: Spell) -> bool:
    return one.since < other.until and other.since < one.until


def _right_one(session: Session, by: By, wrong: Mount, item: int | None, place: str) -> Mount | None:
    was_open = wrong.closed_e is None
    if was_open:
        wrong.closed_e, wrong.off_at = by.e, by.happened_at
        session.flush()
    if item is None:
        return None
    right = Mount(
        e=by.e, station=wrong.station, place=place, item=item, on_at=wrong.on_at, off_at=None if was_open else wrong.off_at,
        closed_e=None if was_open else by.e,
    )  # fmt: skip
    session.add(right)
    session.flush()
    return right


def _tell_anew(session: Session, by: By, line: Line, had: dict[int, str]) -> None:
    """A line had what was on its station in truth when it opened: uses that are not so become void, those that are missing are told."""
    told = {use.item: use for use in session.scalars(select(Use).where(Use.line == line.id))}
    void = {row.item: row for row in session.scalars(select(UseVoid).where(UseVoid.line == line.id, UseVoid.closed_e.is_(None)))}
    for item in set(told) - set(void) - set(had):
        session.add(UseVoid(e=by.e, line=line.id, item=item))
    for item, place in had.items():
        if item in void:
            void[item].closed_e = by.e
        elif item not in told:
            session.add(Use(e=by.e, line=line.id, item=item, place=place))
    session.flush()


def _hold_what_broke_a_rule(session: Session, by: By, line: Line, had: list[Mount], right: Mount | None) -> None:
    step = step_of_line(session, line)
    reasons = material_grounds(session, line, step, had) if step else []
    if right is not None:
        station = catalogue.station(session, right.station)
        reasons += [reason for reason in material_reasons(session, station, right.item, line.started_at) if reason.kind != "material_held"]
    if reasons:  # a hold on the material stops the line by itself
        words = dict.fromkeys(reason.why for reason in reasons)
        hold_line(session, by, line.id, "By a corrected mount: " + " ".join(words))


def _name(session: Session, item: int) -> str:
    return code_of(session, session.get_one(Item, item).kind, item)
