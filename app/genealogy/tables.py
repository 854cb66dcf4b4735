"""A trace as CSV that opens safely in a spreadsheet: a cell never begins like a formula."""

import csv
import io

from app.genealogy.trace import Trace
from app.web import safe

HEAD = (
    "what", "code", "words", "least", "most", "units", "numbers", "where", "customer", "order", "shipment", "stopped_by", "station", "person",
    "started_at", "ended_at", "outcome", "step", "round", "extent", "materials", "verdict",
)  # fmt: skip


def trace_csv(trace: Trace) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEAD)
    for rows in (trace.wafers, trace.batches, trace.panels, trace.lots, trace.samples, trace.packs):
        for row in rows:
            cells = (row.kind, row.code, row.words, row.least, row.most, row.units, " ".join(row.numbers), row.where, row.customer, row.order)
            writer.writerow(map(safe, (*cells, row.shipment, " ".join(row.stopped_by), *[""] * 10)))
    for run in trace.runs:
        for line in run.lines:
            about = (run.station, run.person, run.started_at.isoformat(), run.ended_at.isoformat() if run.ended_at else "", run.outcome)
            what = ("run", run.run, run.operation, line.least, line.most, "", "", "", "", "", "", "")
            writer.writerow(map(safe, (*what, *about, line.step, line.round, line.extent, " ".join(line.materials), line.verdict)))
    return out.getvalue()
