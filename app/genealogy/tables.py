"""A trace as CSV that opens safely in a spreadsheet: a cell never begins like a formula."""

import csv
import io
from datetime import datetime

from app.genealogy.run_rows import ReadingRow
from app.genealogy.trace import Trace
from app.web.downloads import safe

HEAD = (
    "kind", "code", "words", "least", "greatest", "units", "numbers", "where", "customer", "order", "shipment", "stopped_by", "station", "person",
    "started_at", "ended_at", "outcome", "step", "round", "extent", "materials", "verdict",
    "reasons", "disposition", "shelf", "readings", "by_bin", "by_failure", "expires_at", "opened_at", "pot_life_ends_at",
)  # fmt: skip


def trace_csv(trace: Trace) -> str:
    """A row for each thing of a trace, then one for each line of its runs, under one head."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEAD)
    for rows in (trace.wafers, trace.batches, trace.panels, trace.lots, trace.samples, trace.packs):
        for row in rows:
            cells = (row.kind, row.code, row.words, row.least, row.greatest, row.units, " ".join(row.numbers), row.where, row.customer, row.order)
            lives = map(_time, (row.expires_at, row.opened_at, row.pot_life_ends_at))
            writer.writerow(map(safe, (*cells, row.shipment, " ".join(row.stopped_by), *[""] * 16, *lives)))
    for run in trace.runs:
        for line in run.lines:
            about = (run.station, run.person, _time(run.started_at), _time(run.ended_at), run.outcome)
            what = ("run", run.run, run.operation, line.least, line.greatest, "", "", "", "", "", "", "")
            judged = (line.verdict, "; ".join(line.reasons), line.disposition)
            found = (line.shelf, "; ".join(map(_reading, run.readings)), _counts(run.by_bin), _counts(run.by_failure))
            writer.writerow(map(safe, (*what, *about, line.step, line.round, line.extent, " ".join(line.materials), *judged, *found, "", "", "")))
    return out.getvalue()


def _time(moment: datetime | None) -> str:
    return moment.isoformat() if moment else ""


def _reading(reading: ReadingRow) -> str:
    return f"{reading.name} {reading.value:g} {reading.unit}".rstrip() + ("" if reading.within else " (outside)")


def _counts(by_name: dict[str, int]) -> str:
    return "; ".join(f"{name} {units}" for name, units in by_name.items())
