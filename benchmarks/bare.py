"""The yardstick of a trace: the best statements that fetch the same rows, on the driver's own connection, and nothing made of them.

Ids go in as one array (a JSON one on SQLite), so that a statement is prepared once; recursions are over ids alone, and look-ups by index.
"""

import json
import sqlite3
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import psycopg
from sqlalchemy.engine import make_url

from app.db import House

_LOOK_UPS = "-c jit=off -c enable_hashjoin=off -c enable_mergejoin=off -c enable_seqscan=off -c enable_memoize=off"
_GUIDED = f"{_LOOK_UPS} -c plan_cache_mode=force_generic_plan -c work_mem=4MB"
ITEMS = "('wafer', 'batch', 'panel', 'lot', 'sample', 'pack')"


class Bare:
    """A connection of the driver. `read` counts the rows."""

    def __init__(self, house: House) -> None:
        self.kind, self.read = house.kind, 0
        if house.kind == "sqlite":
            self.raw: Any = sqlite3.connect(house.data_dir / "reelroot.db", isolation_level=None, cached_statements=500)
            self.raw.execute("pragma cache_size=-65536")
        else:
            url = make_url(house.settings.url)
            _, given = url.get_dialect()().create_connect_args(url)  # a socket's folder, port and certificates stand where SQLAlchemy looks for them
            self.raw = psycopg.connect(**given | {"autocommit": True, "options": _GUIDED, "prepare_threshold": 1})

    def rows(self, statement: str, **lists: Iterable[int]) -> list[Any]:
        """`:name` in a statement stands for a list of ids after `in`."""
        values: dict[str, Any] = {}
        for name, ids in lists.items():
            if self.kind == "sqlite":
                statement = statement.replace(f"in :{name}", f"in (select value from json_each(:{name}))")
                values[name] = json.dumps(list(ids))
            else:
                statement = statement.replace(f"in :{name}", f"= any(%({name})s)")
                values[name] = list(ids)
        found = self.raw.execute(statement, values).fetchall()
        self.read += len(found)
        return found  # type: ignore[no-any-return]

    def close(self) -> None:
        with suppress(Exception):
            self.raw.close()


# the condition names the outer table too: else SQLite reads all flows first, into a filter (Bloom), and takes several times as long
UP = """
    with recursive above(id) as (
        select id from item where id in :seeds union select f.parent from above cross join flow f
        where f.child = above.id and (f.walked or above.id < 0)
    ) select f.child, f.parent, f.kind, f.units, f.e from above cross join flow f where f.child = above.id and (f.walked or above.id < 0)
"""
DOWN = """
    with recursive below(id) as (
        select id from item where id in :seeds union select f.child from below cross join flow f
        where f.parent = below.id and (f.walked or below.id < 0)
    ) select f.child, f.parent, f.kind, f.units, f.e from below cross join flow f where f.parent = below.id and (f.walked or below.id < 0)
"""
CONTENTS_OF_PACKS = "select pack, pocket_from, pocket_to, loose, was_in from pack_content where pack in :packs and closed_e is null"
CONTENTS_OF_LOOSE = "select pack, pocket_from, pocket_to, loose, was_in from pack_content where loose in :loose and closed_e is null"
_RUN = """l.id, l.step, l.round, l.shelf, l.lot, l."set", l.item, l.started_at, l.ended_at, l.e, r.id, r.operation, r.station, r.person, r.recipe,
    r.started_at, r.ended_at, r.outcome"""
LINES_OF_PANELS = f"""
    with travelled(id) as (select distinct m."set" from member m where m.panel in :panels)
    select {_RUN}, c.extent from travelled cross join cover c cross join line l cross join run r
    where c."set" = travelled.id and l.id = c.line and r.id = l.run
"""
LINES_OF_ITEMS = f"select {_RUN} from line l join run r on r.id = l.run where l.item in :items"
LINES = f"select {_RUN} from line l join run r on r.id = l.run where l.id in :lines"
MEMBERS = 'select m."set", m.panel from member m where m."set" in :sets'
USES = "select u.line, u.item, u.place from use u where u.line in :lines"
USES_OF = "select u.line from use u where u.item in :items"
READINGS = "select run, line, name, value, unit, low, high, within from reading where run in :runs and closed_e is null"
JUDGEMENTS = "select line, id, verdict, reasons, replaces from judgement where line in :lines"
PLACEMENTS = "select panel, wafer, cells, run from placement where panel in :panels and closed_e is null"
PLACEMENTS_OF = "select panel, wafer, cells, run from placement where wafer in :wafers and closed_e is null"
MARKS = "select panel, cells, e, closed_e from cell_mark where panel in :panels"
EXITS = "select parent, child, units, e from flow where parent in :panels and kind = 'cells'"
HOLDINGS = 'select m.panel, h.lot, h.e from member m join lot_holding h on h."set" = m."set" where m.panel in :panels'
CODES = f"select thing, code from code where kind in {ITEMS} and thing in :things"
RUN_CODES = "select thing, code from code where kind = 'run' and thing in :things"
ALIASES = f"select thing, value from alias where kind in {ITEMS} and thing in :things and closed_e is null"
WAFERS = "select item, part, role from wafer where item in :items"
BATCHES = """select b.item, b.part, b.expires_at, o.opened_at, o.pot_life_ends_at from batch b left join opening o on o.batch = b.item
    where b.item in :items"""
LOTS = "select item, form, bin, grade from lot where item in :items"
PACKS = "select item, form, part_number, bin, grade, date_code, units from pack where item in :items"
MOVES = """select m.item, m.kind, m.place, m.shipment, s.customer, s."order" from move m left join shipment s on s.id = m.shipment
    where m.item in :items"""
COUNTS = "select item, kind, units, method, u from count_entry where item in :items and closed_e is null"
UNIT_FILES = "select run, by_bin, by_failure from unit_file where run in :runs"
HOLDS = "select id, kind, subject from hold where closed_e is null"


@dataclass(frozen=True)
class WayBack:
    """What stands between a reel and its origins: `lines` as LINES answers them; `loose` with samples; `items`: all that have a code."""

    panels: set[int]
    loose: set[int]
    packs: set[int]
    held: set[int]  # lots that held the panels
    lines: list[Any]
    items: set[int]


def back(bare: Bare, pack: int) -> int:
    """Everything that stands in the trace of a reel back to its origins; how many rows."""
    bare.read = 0
    rows_of_back(bare, way_back(bare, pack))
    return bare.read


def way_back(bare: Bare, pack: int) -> WayBack:
    contents = bare.rows(CONTENTS_OF_PACKS, packs=[pack])
    edges = bare.rows(UP, seeds=[row[3] for row in contents])
    panels = {parent for _, parent, kind, _, _ in edges if kind == "cells"}
    frames = {parent for _, parent, kind, _, _ in edges if kind in ("frame", "mix")}
    loose = {child for child, _, kind, _, _ in edges if kind not in ("frame", "mix")} | {row[3] for row in contents}
    packs = {pack} | {one for row in contents for one, _ in (json.loads(row[4]) if isinstance(row[4], str) else row[4])}
    lines = bare.rows(LINES_OF_PANELS, panels=panels) + bare.rows(LINES_OF_ITEMS, items=loose | packs)
    uses = bare.rows(USES, lines=[row[0] for row in lines])
    held = {lot for _, lot, _ in bare.rows(HOLDINGS, panels=panels)}
    return WayBack(panels, loose, packs, held, lines, {row[1] for row in uses} | frames | panels | loose | packs | held)


def rows_of_back(bare: Bare, way: WayBack) -> None:
    _of_lines(bare, way.lines)
    bare.rows(PLACEMENTS, panels=way.panels)
    bare.rows(MARKS, panels=way.panels)
    bare.rows(EXITS, panels=way.panels)
    _of_items(bare, way.items, way.panels, way.loose | way.held, way.packs)


def forward(bare: Bare, *, wafer: int = 0, run: int = 0, batch: int = 0) -> int:
    """Everything that stands in the trace of a wafer, an oven run or a batch forward; how many rows."""
    bare.read = 0
    if wafer:
        placed = bare.rows(PLACEMENTS_OF, wafers=[wafer])
        lines = bare.rows(LINES, lines=[row[0] for row in bare.rows(USES_OF, items=[wafer])])
        panels = {row[0] for row in placed}
    else:
        of = USES_OF if batch else "select l.id from line l where l.run in :items"
        lines = bare.rows(LINES, lines=[row[0] for row in bare.rows(of, items=[batch or run])])
        panels = {panel for _, panel in bare.rows(MEMBERS, sets={row[5] for row in lines if row[5]})}
    bare.rows(EXITS, panels=panels)
    bare.rows(MARKS, panels=panels) if wafer else None
    edges = bare.rows(DOWN, seeds=panels)
    loose = {child for child, _, _, _, _ in edges}
    packs = {row[0] for row in bare.rows(CONTENTS_OF_LOOSE, loose=loose)}
    bare.rows(CONTENTS_OF_PACKS, packs=packs)
    uses = bare.rows(USES, lines=[row[0] for row in lines])
    _of_lines(bare, lines)
    held = {lot for _, lot, _ in bare.rows(HOLDINGS, panels=panels)}
    _of_items(bare, {row[1] for row in uses} | panels | loose | packs | held, panels, loose | held, packs)
    return bare.read


def _of_lines(bare: Bare, lines: list[Any]) -> None:
    ids, runs = [row[0] for row in lines], {row[10] for row in lines}
    bare.rows(RUN_CODES, things=runs)
    bare.rows(READINGS, runs=runs)
    bare.rows(JUDGEMENTS, lines=ids)
    bare.rows(UNIT_FILES, runs=runs)


def _of_items(bare: Bare, items: set[int], panels: set[int], lots: set[int], packs: set[int]) -> None:
    bare.rows(CODES, things=items)
    bare.rows(ALIASES, things=items)
    others = items - panels - lots - packs
    bare.rows(WAFERS, items=others)
    bare.rows(BATCHES, items=others)
    bare.rows(LOTS, items=lots)
    bare.rows(PACKS, items=packs)
    bare.rows(MOVES, items=lots | packs | panels)
    bare.rows(COUNTS, items=lots)
    bare.rows(HOLDS)


def exposed(bare: Bare, *, wafer: int = 0, run: int = 0, batch: int = 0) -> int:
    """The recursion that an exposure rests on: the marked panels with their cells and exits, what flowed on, and the packs; how many rows."""
    bare.read = 0
    if wafer:
        panels = {row[0] for row in bare.rows(PLACEMENTS_OF, wafers=[wafer])}
    else:
        of = USES_OF if batch else "select l.id from line l where l.run in :items"
        lines = bare.rows(LINES, lines=[row[0] for row in bare.rows(of, items=[batch or run])])
        panels = {panel for _, panel in bare.rows(MEMBERS, sets={row[5] for row in lines if row[5]})}
    bare.rows(EXITS, panels=panels)
    bare.rows(MARKS, panels=panels)
    loose = {child for child, _, _, _, _ in bare.rows(DOWN, seeds=panels)}
    bare.rows("select child, parent, kind, units, e from flow where child in :loose", loose=loose)  # what was not suspect, too
    bare.rows(COUNTS, items=loose)
    bare.rows(CONTENTS_OF_PACKS, packs={row[0] for row in bare.rows(CONTENTS_OF_LOOSE, loose=loose)})
    return bare.read
