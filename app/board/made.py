"""What stations made in a span of time, and their effectiveness: hours by state, units made, good units, against the theoretical rate.

Units count where their run ended. Made: good units of the panels as the run began, by what it covered; of a loose lot or pack the units that
were in it then; of a test the units that went into bins; of a taping the units in packs. Good: less the cells that were marked, or the units
that were scrapped, in that very run; of a test what is no reject.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, text
from sqlalchemy.orm import Session

from app.board.effectiveness import Effectiveness, Output, StateHours, iso_22400, semi_e79
from app.board.open_rows import GOOD_A_PANEL
from app.board.stations import hours_by_state
from app.catalogue import queries as catalogue
from app.db import Moment
from app.floor.amounts import AMOUNTS, OUT_OF_BOOK


@dataclass(frozen=True)
class Made:
    """A station, or all stations of an operation, in a span."""

    name: str
    operation: str
    hours: StateHours
    output: Output
    units_per_hour: float | None

    @property
    def e79(self) -> Effectiveness:
        return semi_e79(self.hours, self.output)

    @property
    def iso(self) -> Effectiveness:
        return iso_22400(self.hours, self.output)


def stations_made(session: Session, begin: datetime, end: datetime) -> list[Made]:
    """Stations that have a theoretical rate in the catalogue: without one there is no effectiveness."""
    things = [one for one in catalogue.every(session, "station") if one.body.units_per_hour]
    hours = hours_by_state(session, [one.id for one in things], begin, end)
    made = _made(session, begin, end)
    return [
        Made(one.name, one.body.operations[0], hours[one.id], _output(*made.get(one.id, (0, 0)), one.body.units_per_hour), one.body.units_per_hour)
        for one in things
    ]


def operations_made(stations: Iterable[Made]) -> list[Made]:
    """The stations of each operation together: their hours, units and theoretical hours add."""
    by_operation: defaultdict[str, list[Made]] = defaultdict(list)
    for one in stations:
        by_operation[one.operation].append(one)
    return [
        Made(name, name, sum((one.hours for one in found), StateHours()), sum((one.output for one in found), Output()), None)
        for name, found in by_operation.items()
    ]


def _output(made: int, good: int, per_hour: float) -> Output:
    return Output(made, good, made / per_hour)


def _made(session: Session, begin: datetime, end: datetime) -> dict[int, tuple[int, int]]:
    found: dict[int, tuple[int, int]] = {}
    for statement in (_PANELS, _LOOSE, _BINNED, _FILLED):
        for row in session.execute(statement, {"begin": begin, "end": end}):
            made, good = found.get(row.station, (0, 0))
            found[row.station] = (made + round(row.made or 0), good + round(row.good or 0))
    return found


def _sql(statement: str) -> Any:
    return text(statement).bindparams(*(bindparam(name, type_=Moment()) for name in ("begin", "end")))


_ENDED = """
    select r.id, r.station, r.operation, r.outcome from thing t cross join run r
    where t.kind = 'station' and r.station = t.id and r.ended_at >= :begin and r.ended_at < :end
      and not exists (select 1 from run_void v where v.run = r.id)
"""
_DONE_PANELS = """
    select p.panel from line d join cover w on w.line = d.id and w.done join member p on p."set" = w."set" where d.run = e.id
"""
_PANELS = _sql(f"""
    select w.station, sum(w.made) as made, sum(w.made - w.marked) as good
    from (
        select e.station, e.id,
            (select sum(part.n * {GOOD_A_PANEL}) from line l cross join cover c cross join panel_set part cross join panel_set s
             where l.run = e.id and c.line = l.id and c.done and part.id = c."set" and s.id = l."set") as made,
            coalesce((select sum(m.n) from cell_mark m
                      where m.run = e.id and m.closed_e is null and m.reason <> 'sample' and m.panel in ({_DONE_PANELS})), 0)
            + coalesce((select sum(k.units) from count_entry k
                        where k.run = e.id and k.kind = 'scrapped' and k.closed_e is null and k.item in ({_DONE_PANELS})), 0) as marked
        from ({_ENDED}) e where e.operation not in ('test', 'tape')
    ) w where w.made is not null group by w.station
""")
_KINDS, _OUT = (", ".join(f"'{kind}'" for kind in kinds) for kinds in (AMOUNTS, OUT_OF_BOOK))
_LOOSE = _sql(f"""
    select w.station, sum(w.made) as made, sum(w.made - w.scrapped) as good
    from (
        select e.station,
            coalesce(
                l.units,
                (select sum(f.units) from flow f where f.child = l.item and f.e <= l.e and f.kind in ({_KINDS}))
                - coalesce((select sum(f.units) from flow f where f.parent = l.item and f.e <= l.e and f.kind in ({_KINDS})), 0)
                - coalesce((select sum(k.units) from count_entry k where k.item = l.item and k.e <= l.e and k.kind in ({_OUT})
                            and k.closed_e is null), 0)
            ) as made,
            coalesce((select sum(k.units) from count_entry k where k.item = l.item and k.run = e.id and k.kind = 'scrapped'
                      and k.closed_e is null), 0) as scrapped
        from ({_ENDED}) e cross join line l
        where e.outcome = 'done' and e.operation not in ('test', 'tape') and l.run = e.id and l.item is not null
          and l.id = (select max(o.id) from line o where o.run = e.id and o.item = l.item)
    ) w where w.made is not null group by w.station
""")
_BINNED = _sql(f"""
    select e.station, sum(f.units) as made, sum(case when o.grade = 'reject' then 0 else f.units end) as good
    from ({_ENDED}) e cross join line l cross join flow f cross join lot o
    where e.operation = 'test' and l.run = e.id and f.parent = l.item and f.kind = 'bin' and f.run = e.id and o.item = f.child
    group by e.station
""")
_FILLED = _sql(f"""
    select p.station, sum(f.units) as made, sum(f.units) as good
    from (select distinct e.station, l.item from ({_ENDED}) e cross join line l where e.operation = 'tape' and l.run = e.id) p cross join flow f
    where f.child = p.item and f.kind = 'fill'
    group by p.station
""")
