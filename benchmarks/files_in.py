"""Files in: die maps against the XML parser, placement logs and unit results against DuckDB on the same bytes."""

import hashlib
import io
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import duckdb
import numpy as np
from lxml import etree

from app.catalogue import queries as catalogue
from app.final_test.results_in import read_results
from app.floor.placements import read_log
from app.journal.act import SYSTEM, act
from app.receiving.die_map import Stated
from app.receiving.die_maps import read_maps
from app.receiving.wafers import read_map_files, receive_wafers
from benchmarks.measuring import Measure, interleaved
from benchmarks.site import Site
from seed_demo.files import LOG_HEAD, e142_map, passing_dies, unit_results

_SIDE = 506  # a round wafer of about 200,000 dies
_LINES, _UNITS = 100_000, 5_000_000


def die_map_measure(site: Site) -> Iterator[Measure]:
    side = _SIDE if site.rounds > 1 else 60
    data = e142_map("bench", passing_dies(np.random.default_rng(1), side))
    read = partial(read_maps, data, "bench.xml", Stated(passing=("1",)))
    parsed = partial(_parsed, data, read()[0].gross)
    yield interleaved([(read, parsed)], site.rounds).measure("die-map", 3.0)
    with site.house.reading() as session:
        part = next(one for one in catalogue.every(session, "part") if one.body.kind == "wafer").body

    site.warm()
    # the driver prepares what it is asked for the sixth time, PostgreSQL plans it five times more: a server's connections have long done so
    warm = 12 if site.rounds > 1 else 1
    names = [f"bench-{time.time_ns()}-{n}" for n in range(site.rounds + warm)]  # each is received once
    came = [(f"{name}.xml", e142_of(data, name)) for name in names]

    def stored() -> None:
        kept = read_map_files(site.house, [came.pop()], part, Stated(passing=("1",)))
        act(site.house, SYSTEM, "receive_wafers", {}, lambda s, by: {"wafer": receive_wafers(s, by, kept, part.number, supplier="bench")[0].code})

    yield interleaved([(stored, parsed)], site.rounds, warm).measure("die-map-stored", 10.0, "kept as evidence, checked, and the wafer received")


def e142_of(data: bytes, wafer: str) -> bytes:
    return data.replace(b'SubstrateId="bench"', f'SubstrateId="{wafer}"'.encode())


def _parsed(data: bytes, dies: int) -> int:
    """Every element, as it is parsed; freed at once."""
    for _, element in etree.iterparse(io.BytesIO(data)):
        element.clear()
    return dies


def placements_measure(site: Site) -> Iterator[Measure]:
    lines = _LINES if site.rounds > 1 else 1000
    n = np.arange(lines)
    times = np.datetime_as_string(np.datetime64("2026-03-02T06:00:00", "ms") + (n * 36).astype("timedelta64[ms]"))
    rows = [f"{t}Z,W26-000001-K,{i % 200},{i // 200},P26-{i // 400:06d}-X,{i % 400 // 20 + 1},{i % 20 + 1}" for i, t in enumerate(times.tolist())]
    data = "\n".join([LOG_HEAD, *rows, ""]).encode()
    path = site.folder / "log.csv"
    path.write_bytes(data)
    pairs = [(lambda: read_log(site.house, "bench.csv", data)[0].wait_for_disk(), lambda: _read_by_duckdb(path))]
    yield interleaved(pairs, site.rounds).measure("placements", 5.0, "kept as evidence and read; the record's part is not in it")


def _read_by_duckdb(path: Path) -> int:
    with duckdb.connect() as db:
        db.execute("set threads = 2")
        return len(db.execute(f"select * from read_csv('{path}')").fetchnumpy()["row"])


def unit_results_measure(site: Site) -> Iterator[Measure]:
    units = _UNITS if site.rounds > 1 else 2000
    path = site.folder / f"results-{units}.csv"
    if not path.exists():
        _write_results(path, units)
    with site.house.reading() as session:
        table = next(iter(catalogue.every(session, "bin_table")))

    kept: list[Path] = []

    def ours() -> None:
        with path.open("rb") as source:
            file = read_results(site.house, path.name, source, table).kept
        file.wait_for_disk()
        kept.append(file.path)

    def nothing_kept() -> None:
        """A tester's file comes once; the source is in memory for both sides."""
        while kept:
            kept.pop().unlink(missing_ok=True)
        with path.open("rb") as source:
            hashlib.file_digest(source, "sha256")

    def bare() -> int:
        with duckdb.connect() as db:
            db.execute(f"copy (select * from read_csv('{path}')) to '{site.folder / 'bare.parquet'}' (format parquet)")
        return units

    timed = interleaved([(ours, bare)], max(1, min(3, site.rounds)), warm=0, before=nothing_kept)
    nothing_kept()
    yield timed.measure("unit-results", 1.7, "with bins, counts, digest and the file kept as evidence")


def _write_results(path: Path, units: int) -> None:
    """A tester's file: one made, and its lines over and over under new unit numbers."""
    names = np.random.default_rng(1).choice(["A1", "A2", "S1", "R-OPEN", "R-OUT"], 2000, p=[0.5, 0.4, 0.05, 0.02, 0.03]).tolist()
    green = np.full(len(names), 0.2), np.full(len(names), 0.7)
    head, *lines = unit_results(np.random.default_rng(1), names, *green).decode().splitlines()
    rests = [line.partition(",")[2] for line in lines]
    with path.open("w") as out:
        out.write(head + "\n")
        for first in range(0, units, len(rests)):
            out.writelines(f"{first + i},{rest}\n" for i, rest in enumerate(rests, 1))
