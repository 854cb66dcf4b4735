"""Bad input, in bulk: nothing but an answer or a refusal, none that hangs, none that is read wrongly.

    python -m benchmarks.fuzz all --n 1000
    python -m benchmarks.fuzz die-map-e142 --n 100000 --seed 7
    python -m benchmarks.fuzz die-map-e142 --n 100000 --guided        # coverage-guided, with atheris (`make fuzz`)

Each reader gets good files after accidents (`damage.py`): it must answer or refuse with a place and a remedy, within five seconds and 512 MB. A file
told otherwise (line ends, byte order mark) must read the same, the good ones and each twentieth damaged one. The scan field, the forms and
the calls must answer, and never with a 500; a call that is refused says why and what to do. Input 17 of seed 7 is always the same.
Exit code 1 if anything else was seen; the first input of each kind of fault is printed and kept under `--keep`.
"""

import argparse
import gc
import hashlib
import math
import os
import resource
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from random import Random
from types import FunctionType
from typing import Any
from zoneinfo import ZoneInfo

from app.errors import BadInput, Refused
from app.final_test import unit_results
from app.final_test.columnar import columnar
from app.floor.placement_logs import read_placement_log
from app.ovens.logger_files import read_trace
from app.ovens.logger_table import Stated as LoggerStated
from app.receiving.die_map import Stated as MapStated
from app.receiving.die_maps import dump, read_maps
from benchmarks import fuzz_seeds as seeds
from benchmarks.damage import damaged, told_otherwise, where_raised
from benchmarks.fuzz_http import Try, plant

SLOW = 5.0  # seconds
MEMORY = 512 << 20  # that one input may take
RETOLD_EVERY = 20  # inputs


@dataclass
class Seen:
    """What came of the inputs of one target. A fault's key is where it was raised, so that each is told once."""

    answered: int = 0
    refused: int = 0
    slowest: float = 0.0
    faults: dict[str, Any] = field(default_factory=dict)
    times: Counter[str] = field(default_factory=Counter)

    @property
    def tried(self) -> int:
        return self.answered + self.refused + sum(self.times.values())

    def fault(self, key: str, example: Any) -> None:
        self.faults.setdefault(key, example)
        self.times[key] += 1

    def tell(self, name: str, seconds: float) -> str:
        said = f"{name:16} {self.tried:>8,} tried {self.answered:>8,} answered {self.refused:>8,} refused"
        return f"{said}  slowest {self.slowest:.2f} s  {seconds:,.0f} s  faults: {len(self.faults) or 'none'}"


@dataclass(frozen=True)
class Reader:
    """`read` answers something that compares equal when the same was read."""

    good: tuple[bytes, ...]
    read: Callable[[bytes], Any]


def _die_map(data: bytes) -> Any:
    return [(one.wafer, hashlib.sha256(dump(one)).hexdigest()) for one in read_maps(data, "fuzzed.map", MapStated(passing=("1", "A")))]


def _placements(data: bytes) -> Any:
    log = read_placement_log(BytesIO(data), "fuzzed.csv", ZoneInfo("UTC"))
    columns = (log.wafer, log.x, log.y, log.panel, log.row, log.column, log.at)
    return log.wafers, log.panels, [column.tolist() for column in columns], len(log.bad)


def _logger(data: bytes) -> Any:
    trace = read_trace(data, "fuzzed.csv", LoggerStated(zone="UTC"))
    return [(sensor, repr(values)) for sensor, values in vars(trace).items() if sensor != "notes"]


def _unit_results(data: bytes) -> Any:
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "results.csv"
        source.write_bytes(data)
        found = unit_results.read_unit_results(source, seeds.BIN_TABLE, Path(folder) / "kept.parquet")
        return found.rows, repr(found.counts_by_bin), repr(found.counts_by_failure)


READERS = {
    "die-map-e142": Reader(seeds.E142, _die_map), "die-map-g85": Reader(seeds.G85, _die_map), "die-map-text": Reader(seeds.TEXT, _die_map),
    "die-map-csv": Reader(seeds.CSV, _die_map), "placement-log": Reader(seeds.PLACEMENTS, _placements), "logger": Reader(seeds.LOGGER, _logger),
    "unit-results": Reader(seeds.UNIT_RESULTS, _unit_results),
}  # fmt: skip


def fuzz_reader(reader: Reader, n: int, number: int, most_seconds: float = float("inf")) -> Seen:
    seen, until = Seen(), time.monotonic() + most_seconds
    with one_columnar(), bounded_memory():
        for good in reader.good:
            try_otherwise(reader, good, seen)
        for one in range(n):
            if time.monotonic() > until:
                break
            data = damaged(Random(f"{number} {one}"), reader.good)
            if try_one(reader, data, seen) is not None and one % RETOLD_EVERY == 0 and _may_be_retold(data):
                try_otherwise(reader, data, seen)
    return seen


def _may_be_retold(data: bytes) -> bool:
    """Whether another line end, or lines to spare, leave the same file: not in UTF-16, where the last line may be cut, or a blank one is a row."""
    return data.endswith(b"\n") and not (b"\r" in data or b"\0" in data or b"null: space" in data.lower())


@contextmanager
def one_columnar() -> Iterator[None]:
    """One DuckDB for all inputs, a connection of its own for each: to start it takes ten times as long as to read a small file."""
    with columnar(folder=tempfile.gettempdir()) as base:
        unit_results.columnar = lambda *files, **how: base.cursor()  # type: ignore[attr-defined]
        try:
            yield
        finally:
            unit_results.columnar = columnar  # type: ignore[attr-defined]


@contextmanager
def bounded_memory() -> Iterator[None]:
    """An input of a few bytes for which more is wanted becomes a fault (MemoryError) instead of the end of the machine; Linux alone keeps to it.

    What the process may write into counts, from what it has now. Its addresses would not do: a thread reserves them by the hundred megabytes, so
    that how many processors a machine has would tell how much is left of the bound.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        yield
        return
    has = next(int(line.split()[1]) << 10 for line in status.read_text().splitlines() if line.startswith("VmData:"))
    before = resource.getrlimit(resource.RLIMIT_DATA)
    resource.setrlimit(resource.RLIMIT_DATA, (has + MEMORY, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, before)


def try_otherwise(reader: Reader, data: bytes, seen: Seen) -> None:
    clean = reader.read(data)
    for otherwise in told_otherwise(data):
        try_one(reader, otherwise, seen, clean)


def try_one(reader: Reader, data: bytes, seen: Seen, clean: Any = None) -> Any:
    """What was read, or None. `clean`: what the same file told plainly was read as."""
    begun, worked, found = time.monotonic(), time.process_time(), None
    try:
        found = reader.read(data)
        if clean is not None and found != clean:
            seen.fault("read otherwise than the same file told plainly", data)
        seen.answered += 1
    except BadInput as refusal:
        seen.refused += 1
        if clean is not None:
            seen.fault("refused, and the same file told plainly is read", data)
        if not all(reason.where and reason.why and reason.now for reason in refusal.reasons):
            seen.fault(f"a refusal without place or remedy: {refusal}"[:200], data)
    except Exception as error:
        seen.fault(where_raised(error), data)
    if slow := _slow(seen, begun, worked):
        seen.fault(slow, data)
    return found


def _slow(seen: Seen, begun: float, worked: float) -> str:
    """What is wrong with the time that it took, if anything is. On a machine that others use, how much of it was work tells whose it was."""
    took = time.monotonic() - begun
    seen.slowest = max(seen.slowest, took)
    return f"{took:.0f} s, more than {SLOW:.0f}; {time.process_time() - worked:.1f} s of them at work" if took > SLOW else ""


def guided(name: str, n: int, number: int, most_seconds: float, told: Callable[[Seen], int]) -> None:
    """libFuzzer through atheris: it keeps what reached code of ours that nothing before had reached, and goes on from there.

    Half of its inputs it makes itself, half are accidents to what it kept or to a good file. A fault does not end it. It never comes back:
    `told` tells, and says the exit code.
    """
    import atheris

    reader, seen, until = READERS[name], Seen(), time.monotonic() + most_seconds
    for one in gc.get_objects():  # our own functions only: to watch a library's too takes five times as long, and says less
        if isinstance(one, FunctionType) and (one.__module__ or "").startswith("app."):
            atheris.instrument_func(one)

    def once(data: bytes) -> None:
        try_one(reader, data, seen)
        if seen.tried >= n or time.monotonic() > until:
            code = told(seen)
            print(f"    {sum(1 for _ in Path(corpus).iterdir()):,} inputs kept, each of which reached something new")
            sys.stdout.flush()
            os._exit(code)  # the way out of libFuzzer

    def other(data: bytes, most: int, chance: int) -> bytes:
        made: bytes = damaged(Random(chance), (data, *reader.good))[:most] if chance % 2 else atheris.Mutate(data, most)
        return made

    with one_columnar(), bounded_memory(), tempfile.TemporaryDirectory() as corpus:
        for place, good in enumerate(reader.good):
            (Path(corpus) / str(place)).write_bytes(good)
        flags = [f"-seed={number}", "-timeout=60", "-max_len=20000", "-rss_limit_mb=4096", "-verbosity=0", f"-artifact_prefix={corpus}-"]
        atheris.Setup([sys.argv[0], corpus, *flags], once, custom_mutator=other)
        atheris.Fuzz()


def fuzz_http(target: str, n: int, number: int, most_seconds: float = float("inf")) -> Seen:
    """As many inputs to each way in; taken in turn, so that a run that is stopped tried all of them."""
    seen, until = Seen(), time.monotonic() + most_seconds
    with plant() as one_plant:
        tries = {"scan": one_plant.scans, "forms": one_plant.forms, "api": one_plant.calls}[target]()
        each = math.ceil(n / len(tries))
        waiting = [one.inputs(each, number) for one in tries]
        for _ in range(each):
            for one, inputs in zip(tries, waiting, strict=True):
                if time.monotonic() > until:
                    return seen
                _answered(one, next(inputs), seen)
    return seen


def _answered(one: Try, sent: Any, seen: Seen) -> None:
    begun, worked = time.monotonic(), time.process_time()
    try:
        status, told = one.send(sent)
    except Refused as error:  # a refusal that no page caught
        status, told = 500, str(error)
    slow = _slow(seen, begun, worked)
    if status >= 500 or told:
        seen.fault(f"{one.name}: {told}"[:240], sent)
    elif slow:
        seen.fault(f"{one.name}: {slow}", sent)
    elif status >= 400:
        seen.refused += 1
    else:
        seen.answered += 1


HTTP = ("scan", "forms", "api")


def tell(seen: Seen, name: str, begun: float, keep: Path | None) -> int:
    """Prints what came of one target, and keeps its faults; the exit code."""
    print(seen.tell(name, time.monotonic() - begun), flush=True)
    for key, example in seen.faults.items():
        print(f"    {seen.times[key]} times {key}\n      {str(example)[:400]!r}")
        if keep:
            keep.mkdir(parents=True, exist_ok=True)
            data = example if isinstance(example, bytes) else repr(example).encode()
            (keep / f"{name}-{hashlib.sha256(key.encode()).hexdigest()[:8]}").write_bytes(data)
    return 1 if seen.faults else 0


def main() -> int:
    told = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    told.add_argument("target", choices=("all", *READERS, *HTTP))
    told.add_argument("--n", type=int, default=1000, help="inputs for each target")
    told.add_argument("--seed", type=int, default=1)
    told.add_argument("--seconds", type=float, default=float("inf"), help="at most so long for each target; what was tried is told")
    told.add_argument("--guided", action="store_true", help="coverage-guided, for one reader")
    told.add_argument("--keep", type=Path, help="a folder for the first input of each fault")
    asked = told.parse_args()
    if asked.guided:
        if asked.target not in READERS:
            told.error("--guided is for one reader: " + ", ".join(READERS))
        begun = time.monotonic()
        guided(asked.target, asked.n, asked.seed, asked.seconds, lambda seen: tell(seen, asked.target, begun, asked.keep))
    worst = 0
    for name in (*READERS, *HTTP) if asked.target == "all" else (asked.target,):
        begun, fuzz = time.monotonic(), _fuzz_one if name in READERS else fuzz_http
        worst = max(worst, tell(fuzz(name, asked.n, asked.seed, asked.seconds), name, begun, asked.keep))
    return worst


def _fuzz_one(name: str, n: int, number: int, most_seconds: float) -> Seen:
    return fuzz_reader(READERS[name], n, number, most_seconds)


if __name__ == "__main__":
    sys.exit(main())
