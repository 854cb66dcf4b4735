"""The page of counts that do not close, with running sums by station and month; the same as CSV."""

from datetime import timedelta
from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import Response

from app import clock
from app.genealogy.count_drift import LEVEL
from app.genealogy.unclosed_counts import KINDS, MOST, sums_by_station, unclosed
from app.people.callers import Calling, page_router
from app.web.downloads import csv_file
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
Days = Annotated[int, Query(ge=1, le=3660)]


@router.get("/counts")
def counts_page(request: Request, who: Calling, days: Days = 365) -> Response:
    """`days`: how far back it looks."""
    since = clock.now() - timedelta(days=days)
    with house_of(request).reading() as session:
        found, sums = unclosed(session, since), sums_by_station(session, since)
    return render(request, "genealogy/counts.html", found=found, kinds=KINDS, sums=sums, days=days, most=MOST, level=LEVEL)


@router.get("/counts/csv")
def counts_as_csv(request: Request, who: Calling, days: Days = 365) -> Response:
    """A row for each entry that makes a difference."""
    with house_of(request).reading() as session:
        found = unclosed(session, clock.now() - timedelta(days=days))
    head = ("kind", "code", "what", "difference", "open", "entry", "at", "entry_says", "entry_units", "entry_u", "run", "reason")
    rows = [
        (one.kind, one.code, one.words, one.difference, one.open, row.entry, row.at.isoformat() if row.at else "", row.what, row.units, row.u,
         row.run, row.reason)
        for one in found for row in one.rows
    ]  # fmt: skip
    return csv_file("counts-that-do-not-close", head, rows)


@router.get("/counts/stations.csv")
def station_sums_as_csv(request: Request, who: Calling, days: Days = 365) -> Response:
    with house_of(request).reading() as session:
        sums = sums_by_station(session, clock.now() - timedelta(days=days))
    head = ("station", "code", "month", "counts", "difference", "running_sum", "u_of_running_sum")
    rows = [(one.station, one.code, m.month, m.counts, m.difference, m.running, m.u) for one in sums for m in one.months]
    return csv_file("count-differences-by-station", head, rows)
