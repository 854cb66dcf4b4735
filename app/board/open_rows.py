"""The rows of what is open, now or at a past moment: lots, the sets that their panels travelled in, what was done and what runs.

One statement a question, by indexes over open rows. `parts.py` puts them together. PostgreSQL is kept to index look-ups for them
(`House.walking`): from thousands of sets it would read the lines, covers and panels of all history whole, to join them.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import bindparam, text
from sqlalchemy.orm import Session

from app.db import Moment
from app.floor.bitmaps import count
from app.floor.marks import good_cells
from app.ledger.judgements import is_reworked
from app.ledger.walk import NEVER
from app.listed import ask, listed, tuples


class OpenLot(NamedTuple):
    """A lot that holds panels or units now; or a pack that waits for its bag, of form "pack"."""

    item: int
    code: str
    form: str
    product: int
    order: int | None
    bin: str | None
    grade: str | None
    route: int | None
    made_at: datetime


class Doing(NamedTuple):
    """A step that was done for a set: on which line, when it ended, good units a panel as its run began; `is_open`: its judgement is.

    `again`: the step comes again all the same, sent to rework, or by a test that left units without a bin.
    """

    covered: int
    line: int
    step: str
    ended_at: datetime
    good: float | None
    is_open: bool
    again: bool


@dataclass(frozen=True)
class Running:
    """An open line: where, since when, on which shelf."""

    run: int
    station: int
    step: str | None
    since: datetime
    shelf: str | None


@dataclass(frozen=True)
class Past:
    """How it stood: entries up to `e`, and what had ended by `at`."""

    e: int
    at: datetime


def lots_of(session: Session, past: Past | None) -> dict[int, OpenLot]:
    rows = session.execute(_THEN_LOTS if past else _LOTS, {"e": past.e} if past else {})
    return {row.item: OpenLot(*row) for row in rows}


def spent_panels(session: Session, past: Past | None) -> set[int]:
    """Panels in open lots without a good cell left: nothing goes on with them. The sum finds who may be, marks may overlap."""
    statement = _MAY_BE_SPENT.format(held=_HELD_THEN if past else _HELD_NOW)
    near = list(session.scalars(text(statement), {"e": past.e if past else NEVER}))
    return {panel for panel, good in good_cells(session, near).items() if not count(good)} if near else set()


def alike(session: Session, past: Past | None, spent: set[int]) -> list[tuple[int, frozenset[int], int]]:
    """(lot, the sets that its panels travelled in, how many panels): panels with the same sets are one. Spent panels are none."""
    statement = _ALIKE[session.get_bind().dialect.name, past is not None]
    found: defaultdict[tuple[int, frozenset[int]], int] = defaultdict(int)
    for lot, held, others, n in tuples(session, statement, **({"e": past.e} if past else {})):
        found[lot, frozenset((held,))] += -n if others else n
        if others:
            found[lot, frozenset((held, *map(int, others.split(","))))] += n
    gone = Counter(sets_of(session, spent).values())  # a set that a lot holds is among them, so they name the lot as well
    return [(lot, sets, n - gone[sets]) for (lot, sets), n in found.items() if n > gone[sets]]


def sets_of(session: Session, panels: Iterable[int]) -> dict[int, frozenset[int]]:
    """The sets that each panel travelled in."""
    sets: defaultdict[int, set[int]] = defaultdict(set)
    for panel, one in ask(session, _SETS_OF, panels=panels):
        sets[panel].add(one)
    return {panel: frozenset(found) for panel, found in sets.items()}


def doings_of(session: Session, sets: list[int], past: Past | None) -> dict[int, dict[int, Doing]]:
    """Set -> line -> what was done there."""
    found: defaultdict[int, dict[int, Doing]] = defaultdict(dict)
    for done in ask(session, _DOINGS, sets=sets, e=past.e if past else NEVER):  # its rows have a doing's names
        if past is None or done.ended_at <= past.at:
            found[done.covered][done.line] = done
    return found


def signed_at_risk(session: Session, lines: list[int]) -> dict[int, set[int]]:
    """Line -> the sets of panels that a lead let go on at risk."""
    found: defaultdict[int, set[int]] = defaultdict(set)
    for line, one in ask(session, _AT_RISK, lines=lines):
        found[line].add(one)
    return found


def running_lines(session: Session, past: Past | None) -> tuple[dict[int, Running], dict[int, Running]]:
    """By the set of panels at work, and by loose lot: a pack that is being filled is its lot at work."""
    of_sets: dict[int, Running] = {}
    of_lots: dict[int, Running] = {}
    for row in session.execute(*((_RAN, {"at": past.at}) if past else (_RUNNING,))):
        found, thing = (of_lots, row.lot) if row.panels is None else (of_sets, row.panels)
        found[thing] = Running(row.run, row.station, row.step, row.started_at, row.shelf)
    return of_sets, of_lots


def load_places(session: Session) -> dict[int, tuple[int, str]]:
    return {row.panels: (row.load, row.shelf) for row in session.execute(_LOADING)}


def last_places(session: Session, spent: set[int]) -> dict[int, str]:
    """Where each lot is, if not on the floor: all of it but the spent panels, which may lie broken where it was. One of which a part is elsewhere is
    in no place."""
    return {row.lot: f"{row.kind}: {row.place}" if row.place else row.kind for row in session.execute(_PLACES, {"spent": spent})}


_LOT_COLUMNS = """
    select l.item, c.code, l.form, l.product, l."order", l.bin, l.grade, r.route, e.happened_at
    from ({open}) o cross join lot l cross join code c cross join entry e left join lot_route r on r.lot = l.item and r.closed_e is null
    where l.item = o.lot and c.kind = 'lot' and c.thing = l.item and e.id = l.e
"""
_LOTS = text(
    _LOT_COLUMNS.format(open="select lot from lot_holding where closed_e is null union select lot from loose_stock where emptied_e is null")
).columns(happened_at=Moment())
_THEN_LOTS = text(
    _LOT_COLUMNS.format(
        open="""
    select lot from lot_holding where closed_e is null and e <= :e union select lot from lot_holding where closed_e > :e and e <= :e
    union select lot from loose_stock where emptied_e is null union select lot from loose_stock where emptied_e > :e
    """
    )
    + " and l.e <= :e"
).columns(happened_at=Moment())
_HELD_NOW = 'select lot, "set" from lot_holding where closed_e is null'
_HELD_THEN = """
    select lot, "set" from lot_holding where closed_e is null and e <= :e
    union all select lot, "set" from lot_holding where closed_e > :e and e <= :e
"""
# a row a lot with all its panels, and one for those of them that travelled in the same other sets too
_ALIKE = {
    (dialect, is_past): text(f"""
        select h.lot, h."set" as held, '' as others, s.n from ({held}) h cross join panel_set s where s.id = h."set"
        union all
        select lot, held, others, count(*)
        from (
            select h.lot, h."set" as held, {concat}(cast(m2."set" as text), ',') as others
            from ({held}) h cross join member m cross join member m2
            where m."set" = h."set" and m2.panel = m.panel and m2."set" <> h."set"
            group by h.lot, h."set", m.panel
        ) as travelled
        group by lot, held, others
    """)
    for dialect, concat in (("sqlite", "group_concat"), ("postgresql", "string_agg"))
    for is_past, held in ((False, _HELD_NOW), (True, _HELD_THEN))
}
_MAY_BE_SPENT = """
    select m.panel from ({held}) h cross join member m cross join cell_mark c
    where m."set" = h."set" and c.panel = m.panel and c.closed_e is null and c.e <= :e
    group by m.panel having sum(c.n) >= (select p.rows * p.columns from panel p where p.item = m.panel)
"""
_SETS_OF = listed('select panel, "set" from member where panel in :panels', "panels")
_AT_RISK = listed('select line, "set" from at_risk where line in :lines', "lines")
# good units a panel as the run of a line `l` over the set `s` began: a change-over's new line has no count of its own, but one before it in the
# run has
GOOD_A_PANEL = """
    coalesce(l.units * 1.0 / s.n, (
        select b.units * 1.0 / whole.n from member m join line b on b."set" = m."set" join panel_set whole on whole.id = b."set"
        where m.panel = (select min(one.panel) from member one where one."set" = l."set") and b.run = l.run and b.units is not null
        order by b.id limit 1
    ))
"""
# one row a step that was done for a set; sent to rework, it is open again; voided, it never was
_DOINGS = listed(
    f"""
    select c."set" as covered, l.id as line, l.step, l.ended_at, cast({GOOD_A_PANEL} as double precision) as good,
        case when l.judged is not null and not exists (
            select 1 from judgement j where j.line = l.id and not exists (select 1 from judgement later where later.replaces = j.id)
            and (j.verdict = 'conforms' or exists (select 1 from disposition d where d.judgement = j.id))
        ) then 1 else 0 end as is_open,
        case when l.judged is not null and {is_reworked("l.id", ":e")} then 1 else 0 end as again
    from cover c cross join line l cross join panel_set s
    where c."set" in :sets and c.done and c.e <= :e and l.id = c.line and s.id = l."set" and l.step is not null
    and not exists (select 1 from run_void v where v.run = l.run and v.e <= :e)
""",
    "sets",
).columns(ended_at=Moment())
_RUNNING = text("""
    select l."set" as panels, l.lot, l.step, l.shelf, r.id as run, r.station, r.started_at
    from run r cross join line l
    where r.closed_e is null and l.run = r.id and l.closed_e is null and not exists (select 1 from run_void v where v.run = r.id)
""").columns(started_at=Moment())
# by their ends, of which few are later; why a range with both its ends, says `floor/station_states.py`
_RAN = (
    text("""
    select l."set" as panels, l.lot, l.step, l.shelf, r.id as run, r.station, r.started_at
    from (
        select r.id, r.station, r.started_at from thing t cross join run r
        where t.kind = 'station' and r.station = t.id and r.ended_at > :at and r.ended_at < 'infinity'
        union all
        select r.id, r.station, r.started_at from run r where r.closed_e is null
    ) r cross join line l
    where r.started_at < :at and l.run = r.id and l.started_at < :at and (l.ended_at is null or l.ended_at > :at)
      and not exists (select 1 from run_void v where v.run = r.id)
""")
    .bindparams(bindparam("at", type_=Moment()))
    .columns(started_at=Moment())
)
_LOADING = text("""
    select p."set" as panels, p.load, p.shelf from load o cross join load_place p where p.load = o.id and o.closed_e is null and p.closed_e is null
""")
# a lot is elsewhere when all its panels but the spent are, and of most not even the first ever was: their others are not looked up
_PLACES = listed(
    """
    select lot, kind, place
    from (
        select t.lot, t.things, v.kind, v.place, row_number() over (
            partition by t.thing order by coalesce((select c.stands_at from move_correction c where c."right" = v.id), v.id) desc
        ) as n
        from (
            select h.lot, m.panel as thing, s.n - (select count(*) from member x where x."set" = h."set" and x.panel in :spent) as things
            from lot_holding h cross join panel_set s cross join member m
            where h.closed_e is null and s.id = h."set" and m."set" = h."set" and not (m.panel in :spent)
              and exists (
                select 1 from move v
                where v.item = (select min(one.panel) from member one where one."set" = h."set" and not (one.panel in :spent))
              )
            union all
            select s.lot, s.lot, 1 from loose_stock s where s.emptied_e is null
        ) t join move v on v.item = t.thing
        where not exists (select 1 from move_correction c where c.move = v.id)
    ) moved
    where n = 1 and kind <> 'floor'
    group by lot, kind, place having count(*) = max(things)
    """,
    "spent",
)
