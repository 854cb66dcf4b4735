"""Terminals, imports and readers for minutes on end: do memory, connections and response times stay level?

    python -m benchmarks.soak --minutes 20 --database postgresql --picture benchmarks/soak.svg

Prints one line a minute and draws the same: the server's memory, its connections and open files, acts a second, and the middle and 95th
percentile of an act and of a page. The record grows all the while: that is the point.
"""

import argparse
import os
import resource
import statistics
import sys
import threading
import time
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from app.genealogy.checks import check
from benchmarks.floor_load import Load, make_floor
from benchmarks.installations import Installation, client, installation

PAGES = ("/api/v1/trace/{lot}", "/api/v1/next/{lot}", "/api/v1/lots?limit=100", "/api/v1/batches?limit=100", "/api/v1/runs/{run}")
_INKS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7")  # of the Okabe-Ito set


@dataclass
class Minute:
    minute: int
    memory_mb: float
    connections: int
    open_files: int
    acts_per_s: float
    act_ms: float
    act_p95_ms: float
    reads_per_s: float
    read_ms: float
    read_p95_ms: float


class _Reader(threading.Thread):
    """A quality engineer who asks for what was made last: traces, lists, runs."""

    def __init__(self, load: Load, url: str, n: int) -> None:
        super().__init__(daemon=True)
        self.load, self.url, self.n, self.stopping = load, url, n, False
        self.times: list[float] = []
        self.wrong: list[str] = []

    def run(self) -> None:
        head = {"Authorization": f"Bearer {self.load.floor.tokens[self.n]}"}
        count = self.n
        with client(self.url, timeout=60, headers=head) as asking:
            while not self.stopping:
                lot, run = (next((told.answer[kind] for told in self.load.told[-200:] if kind in told.answer and told.path == f"/{kind}s"), None)
                            for kind in ("lot", "run"))  # fmt: skip
                if lot is None or run is None:
                    time.sleep(0.1)
                    continue
                count += 1
                began = time.perf_counter()
                answer = asking.get(PAGES[count % len(PAGES)].format(lot=lot, run=run))
                self.times.append(time.perf_counter() - began)
                if answer.status_code != 200:
                    self.wrong.append(f"{answer.request.url.path}: {answer.status_code} {answer.text[:100]}")
                time.sleep(0.1)


def soak(one: Installation, minutes: int, terminals: int, readers: int, every: float = 60.0) -> tuple[list[Minute], list[str]]:
    floor = make_floor(one.house, terminals)
    one.server.start()
    one.server.wait()
    load = Load(lambda _: one.server.url, floor, seed=1)
    asking = [_Reader(load, one.server.url, n) for n in range(readers)]
    load.start()
    for reader in asking:
        reader.start()
    found: list[Minute] = []
    told, read, began = 0, [0] * readers, time.monotonic()
    for minute in range(1, minutes + 1):
        time.sleep(max(0.0, began + minute * every - time.monotonic()))
        acts = [one.seconds for one in load.told[told:]]
        reads = [seconds for reader, n in zip(asking, read, strict=True) for seconds in reader.times[n:]]
        told, read = told + len(acts), [len(reader.times) for reader in asking]
        found.append(Minute(minute, *_process(one.server.pid, one.server.port), len(acts) / every, *_ms(acts), len(reads) / every, *_ms(reads)))
        print(_line(found[-1]), flush=True)
    for reader in asking:
        reader.stopping = True
    load.park()
    load.stop()
    return found, load.wrong + [words for reader in asking for words in reader.wrong] + [f"check: {finding}" for finding in check(one.house)]


def _process(pid: int, port: int) -> tuple[float, int, int]:
    """Memory in use (MB), established connections to its port, open files."""
    memory = int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize() / 1e6
    rows = [line.split() for line in Path(f"/proc/{pid}/net/tcp").read_text().splitlines()[1:]]
    connections = sum(row[1].endswith(f":{port:04X}") and row[3] == "01" for row in rows)
    return memory, connections, len(os.listdir(f"/proc/{pid}/fd"))


def _ms(seconds: list[float]) -> tuple[float, float]:
    if len(seconds) < 2:
        return 0.0, 0.0
    return statistics.median(seconds) * 1000, statistics.quantiles(seconds, n=20)[-1] * 1000


def _line(minute: Minute) -> str:
    return "| " + " | ".join(f"{value:.0f}" if isinstance(value, int) else f"{value:.1f}" for value in vars(minute).values()) + " |"


def picture(found: list[Minute], title: str) -> str:
    """Four small charts under one another, each from nought: what is level looks level."""
    rows: tuple[tuple[str, tuple[str, ...]], ...] = (
        ("memory, MB", ("memory_mb",)), ("connections, open files", ("connections", "open_files")),
        ("act, ms: middle, 95 %", ("act_ms", "act_p95_ms")), ("read, ms: middle, 95 %", ("read_ms", "read_p95_ms")),
    )  # fmt: skip
    drawn = [_chart(found, name, columns, 40 + 150 * n) for n, (name, columns) in enumerate(rows)]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 800 {60 + 150 * len(rows)}" font-family="sans-serif" font-size="13" role="img">'
        f'<title>{title}</title><rect width="800" height="{60 + 150 * len(rows)}" fill="#fff"/><text x="60" y="24" font-size="16">{title}</text>'
        f"{''.join(drawn)}</svg>\n"
    )


def _chart(found: list[Minute], name: str, columns: tuple[str, ...], top: float) -> str:
    series: list[list[Any]] = [[getattr(one, column) for one in found] for column in columns]
    most = max((value for values in series for value in values), default=0) or 1
    step = 700 / max(1, len(found) - 1)
    lines = [
        f'<polyline fill="none" stroke="{ink}" stroke-width="2" points="'
        + " ".join(f"{60 + n * step:.1f},{top + 120 - 100 * value / most:.1f}" for n, value in enumerate(values))
        + '"/>'
        for values, ink in zip(series, _INKS, strict=False)
    ]
    axis = f'<path d="M60 {top + 20}V{top + 120}H760" fill="none" stroke="#666"/><text x="56" y="{top + 24}" text-anchor="end">{most:.0f}</text>'
    return f'<text x="60" y="{top + 12}">{name}</text>{axis}<text x="56" y="{top + 124}" text-anchor="end">0</text>{"".join(lines)}'


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--minutes", type=int, default=20)
    asked.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    asked.add_argument("--terminals", type=int, default=32)
    asked.add_argument("--readers", type=int, default=4)
    asked.add_argument("--picture", type=Path)
    how = asked.parse_args()
    print("| " + " | ".join(column.name.replace("_", " ") for column in fields(Minute)) + " |")
    print("| " + "--- | " * len(fields(Minute)))
    with installation(how.database) as one:
        found, faults = soak(one, how.minutes, how.terminals, how.readers)
    if how.picture:
        how.picture.write_text(picture(found, f"{how.terminals} terminals, {how.readers} readers, {how.minutes} minutes, {how.database}"))
    print(f"faults: {len(faults)}", *faults[:20], sep="\n")
    sys.exit(bool(faults))


if __name__ == "__main__":
    main()
