"""The yardstick of a pack's record: the bare statements for the rows that stand in it, on the driver's own connection.

One statement for each kind of row, whatever the number of runs, lines and panels; nothing is made of what they answer.
"""

from benchmarks import bare
from benchmarks.bare import Bare

PACK = """select p.item, p.form, p.product, p.part_number, p.bin, p.grade, p."order", p.size_units, p.closed_at, p.date_code, p.units, p.short_reason,
    d.sealed_at, d.moisture_level, d.use_before_at from pack p left join dry_pack d on d.pack = p.item where p.item in :packs"""
THINGS = """select t.id, t.kind, t.name, d.body from definition d join thing t on t.id = d.thing
    where d.closed_e is null and t.id in :things"""
REVISIONS = "select d.id, t.name, d.body from definition d join thing t on t.id = d.thing where d.id in :revisions"
KIN = "select child, parent, kind, units, e from flow where child in :packs"
KIN_BELOW = "select child, parent, kind, units, e from flow where parent in :packs"
RUNS = """select id, e, closed_e, station, recipe, person, ended_by, source, ended_source from run where id in :runs"""
LINES = 'select id, run, route, step, lot, units, judged, closed_e, "set" from line where id in :lines'
COVERS = """select c.line, c.extent, c.done, m.panel from cover c join member m on m."set" = c."set"
    where c.line in :lines and m.panel in :panels"""
PEOPLE = "select id, name from person where id in :people"
LOADS = "select l.id, l.run, c.code from load l join code c on c.kind = 'load' and c.thing = l.id where l.run in :runs"
VOIDS = "select run, e, reason from run_void where run in :runs"
JUDGEMENTS = "select id, e, line, verdict, reasons, facts, replaces, evidence from judgement where line in :lines"
DISPOSITIONS = "select judgement, e, what, words from disposition where judgement in :judgements"
AT_RISK = 'select line, e, "set", reason from at_risk where line in :lines'
ENTRIES = "select id, actor_name, happened_at, fact from entry where id in :entries"
READINGS = "select run, line, name, value, unit, low, high, within from reading where run in :runs and closed_e is null"
COUNTS_OF_RUNS = "select run, item, kind, units, method, u, reason from count_entry where run in :runs and closed_e is null"
MARKED = "select run, panel, reason, n, evidence from cell_mark where run in :runs and closed_e is null"
PLACED = "select run, lot, step, placed, wrong, lost, evidence from placement_sum where run in :runs and closed_e is null"
LOST = "select run, evidence from lost_die where run in :runs and closed_e is null"
PLACED_FILES = "select distinct run, evidence from placement where run in :runs and closed_e is null"
UNIT_FILES = """select run, e, evidence, bin_table, parquet, "rows", by_bin, by_failure, tester_bin_differs from unit_file where run in :runs"""
PANELS = "select item, rows, columns from panel where item in :panels"
INTO = "select child, parent, kind, units, e from flow where child in :loose"
OUT = "select child, parent, kind, units, e from flow where parent in :loose"
CURES = """select t.station, t.first_at, t.last_at, t.sensors, t.packed, t.evidence, r.id from run r join cure_trace t
    on t.station = r.station and t.last_at >= r.started_at and t.first_at <= r.ended_at where r.id in :cures"""
MAPS = "select wafer, evidence from wafer_map where wafer in :wafers and closed_e is null"
TOLD = """select item, evidence, event, kind, role, name, happened_at, step, disposition, place, quantity, uom, came_from from origin_link
    where item in :items"""
HOLDS = """select id, e, kind, subject, reason, automatic, closed_e from hold where (kind in ('loose', 'sample', 'pack', 'panel', 'wafer', 'batch')
    and subject in :items) or (kind = 'line' and subject in :lines) or (kind = 'run' and subject in :runs)
    or (kind = 'set' and subject in :sets) or kind = 'span'"""
RELEASES = "select hold, e, everything, units_freed from release where hold in :holds"
EVIDENCE = "select id, name, kind, size_bytes, digest from evidence where id in :files"


def record(of: Bare, pack: int) -> int:
    """Everything that stands in the record of a reel: its trace, and what was done, judged, held and kept on the way; how many rows."""
    of.read = 0
    way = bare.way_back(of, pack)
    lines, runs = [row[0] for row in way.lines], {row[10] for row in way.lines}
    cures = {row[10] for row in way.lines if row[11] == "cure"}
    bare.rows_of_back(of, way)
    told = of.rows(LINES, lines=lines)
    sets = {row[8] for row in told if row[8]}
    of.rows(COVERS, lines=lines, panels=way.panels)
    ran = of.rows(RUNS, runs=runs)
    of.rows(PEOPLE, people={one for row in ran for one in row[5:7] if one})
    of.rows(LOADS, runs=runs)
    voids = of.rows(VOIDS, runs=runs)
    judged = of.rows(JUDGEMENTS, lines=lines)
    decided = of.rows(DISPOSITIONS, judgements=[row[0] for row in judged])
    risks = of.rows(AT_RISK, lines=lines)
    of.rows(COUNTS_OF_RUNS, runs=runs)
    marked, placed, lost = of.rows(MARKED, runs=runs), of.rows(PLACED, runs=runs), of.rows(LOST, runs=runs)
    logs, tests = of.rows(PLACED_FILES, runs=runs), of.rows(UNIT_FILES, runs=runs)
    of.rows(PANELS, panels=way.panels)
    of.rows(INTO, loose=way.loose)
    of.rows(OUT, loose=way.loose)
    packs = of.rows(PACK, packs=[pack])
    of.rows(KIN, packs=[pack])
    of.rows(KIN_BELOW, packs=[pack])
    traces = of.rows(CURES, cures=cures)
    origins = way.items - way.panels - way.loose - way.packs
    maps, told_of = of.rows(MAPS, wafers=origins), of.rows(TOLD, items=origins)
    holds = of.rows(HOLDS, items=way.items, lines=lines, runs=runs, sets=sets)
    released = of.rows(RELEASES, holds=[row[0] for row in holds])
    things = {row[3] for row in ran} | {row[2] for row in told if row[2]} | {row[2] for row in packs} | {row[6] for row in packs if row[6]}
    of.rows(THINGS, things=things)
    of.rows(REVISIONS, revisions={row[4] for row in ran if row[4]} | {row[3] for row in tests})
    entries = {row[1] for row in [*ran, *voids, *judged, *decided, *risks, *holds, *released]} | {row[2] for row in ran if row[2]}
    of.rows(ENTRIES, entries=entries)
    files = {row[7] for row in judged} | {row[4] for row in marked} | {row[6] for row in placed} | {row[5] for row in traces}
    files |= {row[1] for row in [*lost, *logs, *maps, *told_of]} | {row[2] for row in tests}
    of.rows(EVIDENCE, files=files - {None})
    return of.read
