"""A trace in the terminal: plain lists by stage."""

from rich.console import Console
from rich.table import Column, Table

from app.genealogy.item_rows import ItemRow
from app.genealogy.run_rows import RunRow
from app.genealogy.trace import Trace

_MOST = 12


def print_trace(trace: Trace, console: Console, most: int = _MOST) -> None:
    subject = trace.subject
    units = f", {subject.units} units" if subject.units is not None else ""
    console.print(f"[bold]{'Back from' if trace.direction == 'back' else 'Forward from'} {subject.kind} {subject.code}[/bold] {subject.words}{units}")
    stages = [("Wafers", trace.wafers), ("Materials", trace.batches), ("Packs", trace.packs), ("Lots", trace.lots), ("Samples", trace.samples)]
    for title, rows in [*stages, ("Panels", trace.panels)]:
        _print_items(console, title, rows, most)
    _print_runs(console, trace.runs, most * 3)
    for customer, packs in trace.customers.items():
        console.print(f"{customer}: {packs} packs")


def _print_items(console: Console, title: str, rows: tuple[ItemRow, ...], most: int) -> None:
    if not rows:
        return
    table = Table(
        Column("code", no_wrap=True), "what", "units", "least", "greatest", "where", title=f"{title} ({len(rows)})", title_justify="left", box=None
    )
    for row in rows[:most]:
        table.add_row(row.code, row.words, "" if row.units is None else str(row.units), str(row.least), str(row.greatest), row.where)
    console.print(table)
    if len(rows) > most:
        console.print(f"... and {len(rows) - most} more")


def _print_runs(console: Console, runs: tuple[RunRow, ...], most: int) -> None:
    if not runs:
        return
    table = Table(
        Column("run", no_wrap=True),
        "operation",
        "station",
        "by",
        "from (UTC)",
        "shelf",
        "judged",
        title=f"Runs ({len(runs)})",
        title_justify="left",
        box=None,
    )
    for run in runs[:most]:
        verdicts = sorted({line.verdict_in_words for line in run.lines} - {""})
        shelves = sorted({line.shelf for line in run.lines if line.shelf})
        table.add_row(
            run.run, run.operation, run.station, run.person or "", f"{run.started_at:%Y-%m-%d %H:%M}", ", ".join(shelves), ", ".join(verdicts)
        )
    console.print(table)
    if len(runs) > most:
        console.print(f"... and {len(runs) - most} more")
