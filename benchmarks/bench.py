"""`reelroot bench`: every measure against its yardstick, on a history that is built once and kept; one table, or one document."""

from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from app.errors import bad_input
from app.garbage import look_seldom
from benchmarks import exposures, files_in, scans, traces, whole
from benchmarks.block import LOTS
from benchmarks.history import Say, block_of, open_history
from benchmarks.measuring import Measure
from benchmarks.site import Site

MEASURES: dict[str, Callable[[Site], Iterator[Measure]]] = {
    "trace-back": traces.trace_back_measure,
    "trace-forward": traces.trace_forward_measure,
    "trace-http": traces.trace_http_measure,
    "trace-rows-read": traces.rows_read_measure,
    "trace-growth": traces.trace_growth_measure,
    "scan": scans.scan_measure,
    "gate-holds": scans.gate_holds_measure,
    "board": whole.board_measure,
    "pack-record": whole.pack_record_measure,
    **{name: exposures.alone_measure(name) for name in ("exposure-wafer", "exposure-region", "exposure-load")},
    "exposure-flow": exposures.flow_measure,
    "exposure-week": exposures.week_measure,
    "exposure-growth": exposures.growth_measure,
    "die-map": files_in.die_map_measure,
    "placements": files_in.placements_measure,
    "unit-results": files_in.unit_results_measure,
    "seal-growth": whole.seal_growth_measure,
    "check": whole.check_measure,
    "start": whole.start_measure,
}


def bench(folder: Path, days: int, url: str, only: str, rounds: int, say: Say, blocks: int = 0, lots: int = LOTS) -> Iterator[Measure]:
    """The measures as they come. `folder`: where histories are kept. `blocks`, `lots`: fewer than that, for a short try."""
    if only and only not in MEASURES:
        raise bad_input("There is no such measure.", "--only", f"{only!r} is none.", f"One of: {', '.join(MEASURES)}.")
    folder.mkdir(parents=True, exist_ok=True)
    look_seldom(after="the bench")  # as a server does
    house, history = open_history(folder, days, url, say, blocks, lots)
    block = block_of(folder, say, lots)
    site = Site(house, history, block, rounds, folder, say, blocks, lots)
    try:
        for name in [only] if only else MEASURES:
            say(f"Measuring {name}")
            yield from MEASURES[name](site)
    finally:
        site.bare.close()
        house.dispose()
        block.dispose()


def as_document(days: int, database: str, measures: list[Measure]) -> dict[str, Any]:
    return {"days": days, "database": database, "measures": [asdict(one) for one in measures]}


def print_table(console: Console, days: int, database: str, measures: list[Measure]) -> None:
    table = Table(title=f"{days} days, 2 million units a day, {database}. Ratios of one run, interleaved: median and 95th percentile")
    for name, side in (("measure", "left"), ("ratio", "right"), ("p95", "right"), ("bound", "right"), ("", "left"), ("rows", "right")):
        table.add_column(name, justify=side)  # type: ignore[arg-type]
    for name in ("ours ms", "yardstick ms", ""):
        table.add_column(name, justify="right" if name else "left", style="dim")
    for one in measures:
        verdict = "met" if one.is_met else "missed"
        table.add_row(
            one.name, f"{one.ratio:.2f}", f"{one.ratio_p95:.2f}", f"{one.bound:g}", verdict, f"{one.rows:,}", f"{one.ours_ms:,.2f}",
            f"{one.yardstick_ms:,.2f}", one.note,
        )  # fmt: skip
    console.print(table)
    missed = [one for one in measures if not one.is_met]
    names = f" Missed: {', '.join(one.name for one in missed)}." if missed else ""
    console.print(f"{len(measures) - len(missed)} of {len(measures)} bounds met.{names}")
