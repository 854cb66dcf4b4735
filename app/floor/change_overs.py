"""Change material over in mid-run: what was done so far closes as a line that had the old, the rest goes on as one that has the new."""

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.floor.ends import Said, check_said, close_line, hold_ends_out_of_time, open_lines_of, parted, travelling
from app.floor.gate_facts import loaded_on
from app.floor.line_steps import step_of_line
from app.floor.mounts import mount, swap
from app.floor.starts import use_what_is_loaded
from app.floor.told_late import add_to_lines_before, add_what_lay_there
from app.holds.place import against_rules, hold_line
from app.journal.act import By, lock, lock_in_order
from app.journal.record import AtOnce, enter
from app.ledger.items import Item
from app.ledger.runs import Claim, Line, Run
from app.ledger.sets import set_of
from app.naming.resolve import Named


def change_over(session: Session, by: By, station: int, item: Named, place: str | None, said: Said) -> list[Line]:
    """Puts `item` on the place instead of what is there, and begins a new line in every run that is open at the station.

    Where it is there already, nothing changes.
    """
    lock_in_order(session, (Item, [item.id]), (Thing, [station]))  # what starts just now would go on with `item` on a line that had another
    runs = list(session.scalars(select(Run).where(Run.station == station, Run.closed_e.is_(None)).order_by(Run.id)))
    lock(session, Run, [run.id for run in runs])
    check_said(session, said, [run.id for run in runs])
    there, broken = swap(session, by, station, item.id, place)
    if there.e != by.e:
        return []  # it was on the place already
    opened = []
    for run in runs:
        lines = open_lines_of(session, run)
        travel = travelling(session, lines)
        ended: dict[Line, list[int]] = {}
        for line in lines:
            done, done_before, either = parted(travel[line.id], said)
            ended[line] = done + done_before
            over = set(ended[line])
            rest = [panel for panel in travel[line.id].panels if panel not in over]
            with AtOnce(session) as writes:
                close_line(writes, by, line, whole=done, either=either, done=True, either_done=False, done_by_either=done_before)
            _are_out_of_work(session, run, over)
            if line.set is None or rest:
                opened.append(_next_line(session, by, line, rest))
        hold_ends_out_of_time(session, by, {line: panels for line, panels in ended.items() if panels})
        add_what_lay_there(session, by, run, lines, by.happened_at)
    for line in opened if broken else []:
        hold_line(session, by, line.id, against_rules(broken))
    add_to_lines_before(session, by, there)
    return opened


def put_on(session: Session, by: By, station: int, item: Named, place: str | None = None) -> None:
    """`mount`; told of a station with an open run it was a change-over, or the run would go on with what none of its lines has."""
    lock_in_order(session, (Item, [item.id]), (Thing, [station]))
    if by.fact and session.scalar(select(Run.id).where(Run.station == station, Run.closed_e.is_(None)).limit(1)) is not None:
        change_over(session, by, station, item, place, Said())
    else:
        add_to_lines_before(session, by, mount(session, by, station, item.id, place))


def _are_out_of_work(session: Session, run: Run, panels: set[int]) -> None:
    """Panels that are done while their run goes on over others may be split off, or start their next step."""
    if panels:
        session.execute(delete(Claim).where(Claim.run == run.id, Claim.item.in_(panels)))


def _next_line(session: Session, by: By, line: Line, panels: list[int]) -> Line:
    new = Line(
        e=by.e, run=line.run, set=set_of(session, by, panels) if panels else None, item=line.item, lot=line.lot, route=line.route,
        step=line.step, round=line.round, shelf=line.shelf, units=None, judged=line.judged, started_at=by.happened_at,
    )  # fmt: skip
    enter(session, new)
    run = session.get_one(Run, line.run)
    use_what_is_loaded(session, by, new, loaded_on(session, run.station), run.operation, step_of_line(session, line))
    return new
