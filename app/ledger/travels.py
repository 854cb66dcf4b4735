"""What panels travelled in, and the run lines that they met there. Panels that were always together met the same ones: one look-up for all."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.db import Moment
from app.listed import ask, listed, tuples


class LineAbove(NamedTuple):
    """A run line on the way: what it was, and the panels (by extent) or item through which it is on the way."""

    line: int
    run: int
    operation: str
    station: int
    set: int | None
    item: int | None
    extent: str  # whole, either; of an open line: open
    started_at: datetime
    ended_at: datetime | None
    e: int
    step: str | None
    round: int
    shelf: str | None
    lot: int | None
    person: int | None  # and the rest of the run
    recipe: int | None
    run_started_at: datetime
    run_ended_at: datetime | None
    outcome: str | None


class Cover(NamedTuple):
    """The panels of `set` were covered by a line: whole, either or, while it is open, open; `done`: then the step was done for them."""

    line: int
    set: int
    extent: str
    done: bool


@dataclass(frozen=True)
class Travels:
    """`sets`: those that each panel travelled in. `members`: the panels of each set, of those that were asked for."""

    sets: dict[int, tuple[int, ...]] = field(default_factory=dict)
    members: dict[int, list[int]] = field(default_factory=dict)
    lines: list[LineAbove] = field(default_factory=list)
    covers: dict[int, list[Cover]] = field(default_factory=dict)  # by line
    spells: dict[int, list[tuple[int, tuple[str, int]]]] = field(default_factory=dict)  # run -> set, (step or nothing, round) of each of its lines

    def covered(self, line: int) -> Iterator[int]:
        """The panels that a line covered, of those that were asked for. One may come twice."""
        for cover in self.covers.get(line, ()):
            yield from self.members.get(cover.set, ())


def travels_of(session: Session, panels: Iterable[int]) -> Travels:
    """Of these panels, with every line that covered one of them, or may: open ones too. No voided runs."""
    members: defaultdict[int, list[int]] = defaultdict(list)
    sets: defaultdict[int, list[int]] = defaultdict(list)
    for panel, one in tuples(session, _SETS, panels=panels):
        members[one].append(panel)
        sets[panel].append(one)
    found = Travels({panel: tuple(some) for panel, some in sets.items()}, dict(members))
    for row in ask(session, _LINES, sets=found.members):
        _add(found, LineAbove._make(row[:_WIDTH]), row[_WIDTH], bool(row[_WIDTH + 1]))
    return found


def _add(found: Travels, line: LineAbove, covered: int | None, done: bool) -> None:
    """A row of a line with one of its covers; it has none where nothing was reached."""
    if line.line not in found.covers:
        found.covers[line.line] = []
        found.spells.setdefault(line.run, []).append((line.set or 0, (line.step or "", line.round)))
    if covered in found.members:
        covers = found.covers[line.line]
        if not covers:
            found.lines.append(line)
        elif line.extent != covers[0].extent:  # for some certainly, for others perhaps
            found.lines[:] = [one._replace(extent="either") if one.line == line.line else one for one in found.lines]
        covers.append(Cover(line.line, covered, line.extent, done))


def lines_numbered(session: Session, lines: Iterable[int]) -> list[LineAbove]:
    """Those whose runs stand; the extent is not asked."""
    return _lines(session, _LINE, lines=lines)


def lines_of_run(session: Session, run: int) -> list[LineAbove]:
    """In their order; none of a voided run."""
    return _lines(session, _LINES_OF_RUN, runs=[run])


def lines_that_had(session: Session, items: Iterable[int]) -> list[LineAbove]:
    """Those that used one of these batches or wafers, as their mounts stand corrected; in their order. No voided runs."""
    return _lines(session, _LINES_THAT_HAD, items=items)


def _lines(session: Session, statement: Any, **lists: Iterable[int]) -> list[LineAbove]:
    return [LineAbove._make(row) for row in ask(session, statement, **lists)]


def lines_of_items(session: Session, items: Iterable[int]) -> list[LineAbove]:
    """Every line over these loose lots, samples and packs. No voided runs."""
    return _lines(session, _LINES_OF_ITEMS, items=items)


def panels_of_lines(session: Session, lines: Iterable[int]) -> dict[int, dict[int, str]]:
    """Line -> {panel: extent}: the covers of closed lines, the whole set of open ones."""
    return {line: {panel: extent for panel, (extent, _) in on.items()} for line, on in covers_of_lines(session, lines).items()}


def covers_of_lines(session: Session, lines: Iterable[int]) -> dict[int, dict[int, tuple[str, bool]]]:
    """As `panels_of_lines`, with whether the step was done for the panel when the line closed."""
    found: dict[int, dict[int, tuple[str, bool]]] = {}
    for line, panel, extent, done in tuples(session, _COVERS_OF_LINES, lines=lines):
        found.setdefault(line, {})[panel] = (extent, bool(done))
    return found


_WIDTH = len(LineAbove._fields)
_COLUMNS = """l.id, l.run, r.operation, r.station, l."set", l.item, {extent} as extent, l.started_at, l.ended_at, l.e, l.step, l.round,
    l.shelf, l.lot, r.person, r.recipe, r.started_at as run_started_at, r.ended_at as run_ended_at, r.outcome"""
_TIMES = dict.fromkeys(("started_at", "ended_at", "run_started_at", "run_ended_at"), Moment())  # text alone would give SQLite's own strings
# of a use: its mount stands as it was
HAD = "not exists (select 1 from use_void x where x.line = u.line and x.item = u.item and x.closed_e is null)"
_NOT_VOID = "not exists (select 1 from run_void v where v.run = l.run)"
_SETS = listed('select panel, "set" from member where panel in :panels', "panels")
_LINES = listed(
    f"""
    select {_COLUMNS.format(extent="case when l.closed_e is null then 'open' else c.extent end")},
    case when l.closed_e is null then l."set" else c."set" end as covered, c.done
    from line l cross join run r left join cover c on c.line = l.id
    where l."set" in :sets and r.id = l.run and {_NOT_VOID}
    """,
    "sets",
).columns(**_TIMES)
_LINES_OF_ITEMS = listed(
    f"""
    select {_COLUMNS.format(extent="case when l.closed_e is null then 'open' else 'whole' end")}
    from line l cross join run r where l.item in :items and r.id = l.run and {_NOT_VOID}
    """,
    "items",
).columns(**_TIMES)
_STANDING = f"""{_COLUMNS.format(extent="''")} from line l cross join run r where r.id = l.run and {_NOT_VOID}"""
_LINE = listed(f"select {_STANDING} and l.id in :lines", "lines").columns(**_TIMES)
_LINES_OF_RUN = listed(f"select {_STANDING} and l.run in :runs order by l.id", "runs").columns(**_TIMES)
_LINES_THAT_HAD = listed(
    f"""
    select distinct {_COLUMNS.format(extent="''")} from use u cross join line l cross join run r
    where u.item in :items and l.id = u.line and r.id = l.run and {HAD} and {_NOT_VOID} order by l.id
    """,
    "items",
).columns(**_TIMES)
_COVERS_OF_LINES = listed(
    """
    select c.line, m.panel, c.extent, c.done from cover c cross join member m where c.line in :lines and m."set" = c."set"
    union all
    select l.id, m.panel, 'open', false from line l cross join member m where l.id in :lines and l.closed_e is null and m."set" = l."set"
    """,
    "lines",
)
