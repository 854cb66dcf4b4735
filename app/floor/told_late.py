"""Facts that were entered in another order than they happened in: by its own time, material met a run that by the order of entry it did not.

Neither order is believed alone: the paper's clock may be wrong, and so may be who entered it. What lay on the station by time is told of the
line beside what lay there by order, as material of which each unit may have had either, and the line is held.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from app.floor.line_steps import step_of_line
from app.floor.mounts import going_into, part_of
from app.holds.place import hold_line
from app.journal.act import By
from app.ledger.corrections import MountCorrection
from app.ledger.items import Item
from app.ledger.places import Mount
from app.ledger.runs import Line, Run, Use, is_void
from app.naming.resolve import code_of

SAME = timedelta(minutes=1)  # paper is cut to the minute, and clocks differ


def is_late(by: By) -> bool:
    """A fact that is told some time after it happened: others may have been entered meanwhile."""
    return by.fact and by.now - by.happened_at > SAME


def add_what_lay_there(session: Session, by: By, run: Run, lines: Sequence[Line], end: datetime | None = None) -> None:
    """Lines were begun, or ended: what was on the station by time, from their begin to `end`. None: as they began. Of facts alone."""
    if not is_late(by):
        return
    for line in lines:
        _add(session, by, run, line, lay_by_time(session, run.station, line.started_at, end))


def add_to_lines_before(session: Session, by: By, put_on: Mount) -> None:
    """Material was put on: lines of the station that were entered before, and by time were under way after it. Of facts alone."""
    if put_on.e != by.e or not is_late(by):
        return
    until = session.scalar(
        select(func.min(Mount.on_at)).where(
            Mount.station == put_on.station, Mount.place == put_on.place, Mount.on_at > put_on.on_at, Mount.id != put_on.id, _STANDS
        )
    )
    query = select(Line, Run).join(Run, Run.id == Line.run).where(Run.station == put_on.station, ~is_void(Run.id), Line.e < by.e)
    query = query.where(Line.ended_at > put_on.on_at + SAME)
    for line, run in session.execute(query.where(Line.started_at < until - SAME) if until else query).all():
        _add(session, by, run, line, [put_on])


def lines_that_it_was_added_to(session: Session, mount: Mount) -> list[Line]:
    """Lines that a mount was told of though they were entered before it. No voided runs."""
    query = select(Line).join(Use, Use.line == Line.id).join(Run, Run.id == Line.run).where(Run.station == mount.station, ~is_void(Run.id))
    return list(session.scalars(query.where(Use.item == mount.item, Use.e == mount.e, Line.e < mount.e).order_by(Line.id)))


def lay_by_time(session: Session, station: int, begin: datetime, end: datetime | None) -> list[Mount]:
    """What was on a station by its times, as mounts stand corrected: on a place until the next went on it. `end` None: at `begin`."""
    query = select(Mount).where(Mount.station == station, Mount.on_at <= max(begin, (end or begin) - SAME), _STANDS)
    query = query.where(Mount.off_at.is_(None) | (Mount.off_at > begin + SAME)).order_by(Mount.place, Mount.on_at, Mount.id)
    rows = list(session.scalars(query))
    next_on_place = dict(zip([row.id for row in rows], rows[1:], strict=False))
    return [
        one for one in rows if (after := next_on_place.get(one.id)) is None or after.place != one.place or after.on_at > begin + SAME
    ]


def _add(session: Session, by: By, run: Run, line: Line, lay: Iterable[Mount]) -> None:
    told = set(session.scalars(select(Use.item).where(Use.line == line.id)))
    missing = {one.item: one for one in lay if one.item not in told}
    parts = [part_of(session, item).body for item in missing]
    goes = going_into([(part.kind, part.roles) for part in parts], run.operation, step_of_line(session, line))
    into = [one for one, is_in in zip(missing.values(), goes, strict=True) if is_in]
    if not into:
        return
    session.add_all(Use(e=by.e, line=line.id, item=one.item, place=one.place) for one in into)
    names = " and ".join(code_of(session, session.get_one(Item, one.item).kind, one.item) for one in into)
    hold_line(session, by, line.id, f"Entered in another order than it happened in: by time {names} lay there, and units may have had that.")


_STANDS = ~exists(select(MountCorrection.mount).where(MountCorrection.mount == Mount.id).correlate(Mount))  # no correction replaces it
