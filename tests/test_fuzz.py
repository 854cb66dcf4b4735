"""A thousand bad inputs in all: the short version of `python -m benchmarks.fuzz all --n 100000`."""

import asyncio
import resource
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from importlib.util import find_spec
from pathlib import Path
from random import Random
from typing import Any, cast

import pytest
from fastapi import FastAPI
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import bad_input
from benchmarks.audit import told
from benchmarks.damage import damaged, told_otherwise
from benchmarks.fuzz import HTTP, READERS, Reader, Seen, bounded_memory, fuzz_http, fuzz_reader, try_one
from benchmarks.in_process import Wire
from tests.conftest import is_missing


@pytest.mark.only_on("sqlite")
@pytest.mark.parametrize("name", READERS)
def test_a_reader_answers_or_refuses_with_place_and_remedy(name: str, house: object) -> None:
    seen = fuzz_reader(READERS[name], 25 if name == "unit-results" else 100, 5)
    assert seen.answered and seen.refused
    assert seen.faults == {}


@given(chance=st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None, database=None)
def test_a_reader_holds_against_what_hypothesis_draws(chance: Random) -> None:
    reader, seen = READERS[chance.choice([name for name in READERS if name != "unit-results"])], Seen()
    try_one(reader, damaged(chance, reader.good), seen)
    assert seen.faults == {}


@pytest.mark.only_on("sqlite")
@pytest.mark.parametrize("name", HTTP)
def test_no_page_and_no_call_breaks(name: str, house: object) -> None:
    seen = fuzz_http(name, 60 if name == "scan" else 1, 5)
    assert seen.answered and seen.refused
    assert seen.faults == {}


def test_the_fuzzer_itself_sees_a_wrong_reading_a_crash_and_a_poor_refusal() -> None:
    """What would it take to miss a fault: each kind is planted once."""
    seen = Seen()
    try_one(Reader((b"a",), bytes.upper), b"b", seen, clean=b"A")
    try_one(Reader((b"1",), int), b"x", seen)
    try_one(Reader((b"1",), _refused), b"1", seen, clean=1)
    assert [key.split(" at ")[0] for key in seen.faults] == [
        "read otherwise than the same file told plainly", "ValueError", "refused, and the same file told plainly is read",
    ]  # fmt: skip
    assert all(one != b"x\n" for one in told_otherwise(b"x\n"))


def test_the_app_is_asked_in_a_thread_whose_loop_runs_as_well() -> None:
    """As a browser's driver leaves one behind."""

    async def app(_scope: object, _receive: object, send: Any) -> None:
        await send({"type": "http.response.start", "status": 204, "headers": []})

    async def asked() -> int:
        return Wire(cast(FastAPI, app), {}).ask("GET", "/").status

    with ThreadPoolExecutor(1) as another:  # a browser of the tests may have left one in this thread
        assert another.submit(asyncio.run, asked()).result() == Wire(cast(FastAPI, app), {}).ask("GET", "/").status == 204


def _refused(data: bytes) -> int:
    raise bad_input("It is not understood", "line 1", "It is a test.", "Go on.")


def test_a_reader_that_wants_a_gigabyte_for_a_few_bytes_is_at_fault() -> None:
    if not Path("/proc/self/status").exists():
        is_missing("only Linux bounds what a process may write into")
    seen, before = Seen(), resource.getrlimit(resource.RLIMIT_DATA)
    with bounded_memory():
        try_one(Reader((b"1",), lambda data: data.ljust(int(data))), b"9" * 9, seen)
        try_one(Reader((b"1",), lambda data: data.ljust(int(data))), b"9" * 8, seen)  # a tenth of it may be right
    assert [key.split(" at ")[0] for key in seen.faults] == ["MemoryError"] and seen.answered == 1
    assert resource.getrlimit(resource.RLIMIT_DATA) == before


if find_spec("atheris"):  # no part of the tests' lock: not every Python has a wheel of it

    def test_the_guided_fuzzer_goes_on_from_what_reached_something_new() -> None:
        called = [sys.executable, "-m", "benchmarks.fuzz", "placement-log", "--n", "400", "--guided"]
        done = subprocess.run(called, capture_output=True, text=True, cwd=Path(__file__).parent.parent, timeout=120)
        assert done.returncode == 0 and "faults: none" in done.stdout, done.stdout + done.stderr[-2000:]
        kept = int(done.stdout.split(" inputs kept")[0].split()[-1])
        assert kept > len(READERS["placement-log"].good)


def test_an_audit_that_could_not_look_is_no_success() -> None:
    good, unsafe, skipped = {"name": "a", "vulns": []}, {"name": "b", "version": "1", "vulns": ["X-1"]}, {"name": "c", "skip_reason": "not found"}
    assert (told([good]), told([good, unsafe]), told([good, skipped]), told([good, {"name": "reelroot", "skip_reason": "ours"}])) == (0, 1, 2, 0)
