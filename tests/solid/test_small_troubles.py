"""Troubles that need no process: a clock set back, half a line of seals, half-kept files, and which words belong to which error."""

import errno
import hashlib
import os
import random
import sqlite3
from datetime import timedelta
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import psycopg
import pytest
from small_factory import Factory
from sqlalchemy import select
from sqlalchemy.exc import OperationalError

from app import clock
from app.db import House
from app.errors import BadInput, bad_input
from app.evidence import keep
from app.evidence.keep import Kept, forget_half_kept, half_kept, keep_and_read, keep_file
from app.evidence.models import Evidence
from app.genealogy.checks import check
from app.genealogy.trace import trace_back
from app.journal.models import Entry
from app.journal.sealing import seal
from app.ledger.runs import Run
from app.outages import AWAY, BUSY, FULL, MEMORY, READ_ONLY, RIGHTS, outage_of


def test_a_clock_set_back_an_hour_stops_nobody(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work begun before it ends after it; order is the order of entry, so the record stays whole."""
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    lot = factory.lot(factory.panels(2))
    run = factory.start("Attach", lot)
    true_now = clock.now
    monkeypatch.setattr(clock, "now", lambda: true_now() - timedelta(hours=1))
    factory.finish(run)
    other = factory.run("Attach", factory.lot(factory.panels(1)))
    monkeypatch.undo()
    third = factory.run("Attach", factory.lot(factory.panels(1)))
    assert list(check(house)) == []
    with house.reading() as session:
        assert {session.get_one(Run, one).outcome for one in (run, other, third)} == {"done"}
        assert len(trace_back(session, lot).runs) == 1
        numbers = session.execute(select(Entry.id, Entry.recorded_at).order_by(Entry.id)).all()
    assert any(later[1] < earlier[1] for earlier, later in pairwise(numbers))


def test_half_a_line_of_seals_is_cut_before_the_next(house: House) -> None:
    factory = Factory(house).load()
    seal(house)
    file = house.data_dir / "seals.log"
    whole = file.read_bytes()
    file.write_bytes(whole + b"99 half")  # what a kill or a full disk left; no digest begins so
    assert list(check(house)) == []
    factory.batch("GLUE")
    seal(house)
    assert file.read_bytes().startswith(whole) and b"half" not in file.read_bytes()
    assert list(check(house)) == []


def test_a_file_that_could_not_be_kept_leaves_nothing(house: House) -> None:
    class Broken:
        def read(self, _n: int) -> bytes:
            raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        keep_file(house, "x.csv", Broken())  # type: ignore[arg-type]
    assert [path for path in (house.data_dir / "evidence").rglob("*") if path.is_file()] == []


def test_a_file_that_can_not_be_read_is_on_the_disk_when_that_is_told(house: House) -> None:
    def read() -> None:
        raise bad_input("x.csv is not understood.", "line 1", "It has no column.", "Send it again.")

    with pytest.raises(BadInput, match="no column"):
        keep_and_read(house, "x.csv", b"what came", read)
    (path,) = (path for path in (house.data_dir / "evidence").rglob("*") if path.is_file())
    assert path.read_bytes() == b"what came"


def test_a_full_disk_is_told_before_what_is_wrong_with_the_file(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def keeping(*_: object) -> Kept:
        raise OSError(errno.ENOSPC, "No space left on device")

    def read() -> None:
        raise bad_input("x.csv is not understood.", "line 1", "It has no column.", "Send it again.")

    monkeypatch.setattr(keep, "keep_file", keeping)
    with pytest.raises(OSError, match="No space"):
        keep_and_read(house, "x.csv", b"what came", read)


@pytest.mark.parametrize("size", [0, 1, 1 << 20, (3 << 20) + 1, 4 << 20])
def test_a_file_is_seen_in_order_while_it_is_kept(house: House, size: int) -> None:
    data = random.Random(size).randbytes(size)
    kept = keep_file(house, "x.csv", BytesIO(data))
    assert (kept.digest, kept.path.read_bytes()) == (hashlib.sha256(data).hexdigest(), data)


@pytest.mark.parametrize("at", [1, 2, 3, 4])
def test_a_file_that_is_refused_while_it_is_kept_leaves_nothing(house: House, at: int) -> None:
    seen: list[bytes] = []

    def see(chunk: bytes) -> None:
        seen.append(chunk)
        if len(seen) == at:
            raise ValueError("no text")

    with pytest.raises(ValueError, match="no text"), half_kept(house, BytesIO(bytes((3 << 20) + 1)), see):
        pytest.fail("it was refused")
    assert [path for path in (house.data_dir / "evidence").rglob("*") if path.is_file()] == []


def test_a_file_that_the_disk_did_not_take_is_not_recorded(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is flushed while it is read; its row waits for that."""

    def flush(*paths: str | Path) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(keep, "flush", flush)
    kept = keep_file(house, "x.csv", BytesIO(b"x"))
    with pytest.raises(OSError, match="Input/output"):
        Factory(house).do("import_logger_file", lambda s, by: keep.record_evidence(s, by, kept, "logger_file").id)
    with house.reading() as session:
        assert session.scalars(select(Evidence.id)).all() == []


def test_bytes_that_were_kept_before_are_not_written_again(house: House) -> None:
    first = keep_file(house, "x.csv", BytesIO(b"x"))
    before = first.path.stat().st_ino
    again = keep_file(house, "y.csv", BytesIO(b"x"))
    again.wait_for_disk()
    assert (again.path, again.path.stat().st_ino) == (first.path, before)
    assert [path.name for path in first.path.parent.parent.glob("half-*")] == []


@pytest.mark.parametrize(("missing", "value"), [("_NAMELESS", 0), ("_OPENED", Path("/nowhere"))])
def test_bytes_are_kept_where_the_system_knows_no_files_without_names(
    house: House, monkeypatch: pytest.MonkeyPatch, missing: str, value: object
) -> None:
    monkeypatch.setattr(keep, missing, value)
    kept = keep_file(house, "x.csv", BytesIO(b"x"))
    kept.wait_for_disk()
    assert kept.path.read_bytes() == b"x" and [path.name for path in kept.path.parent.parent.glob("half-*")] == []


@pytest.mark.parametrize("named", [False, True])
def test_bytes_are_kept_where_no_file_has_two_names(house: House, monkeypatch: pytest.MonkeyPatch, named: bool) -> None:
    def link(*_: object, **__: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", link)
    if named:
        monkeypatch.setattr(keep, "_NAMELESS", 0)
    kept = keep_file(house, "x.csv", BytesIO(b"x"))
    kept.wait_for_disk()
    assert kept.path.read_bytes() == b"x" and [path.name for path in kept.path.parent.parent.glob("half-*")] == []


def test_bytes_that_were_damaged_stay_until_they_are_whole_again(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    first = keep_file(house, "x.csv", BytesIO(b"x"))
    first.wait_for_disk()
    first.path.write_bytes(b"y")
    before = first.path.stat().st_ino
    flushed: list[tuple[int, list[str]]] = []
    monkeypatch.setattr(keep, "flush", lambda *paths: flushed.append((first.path.stat().st_ino, [Path(path).name for path in paths])))
    again = keep_file(house, "y.csv", BytesIO(b"x"))
    again.wait_for_disk()
    (at_first, (half,)), (_, then) = flushed
    assert at_first == before and half.startswith("half-") and then == [first.digest, first.digest[:2]]
    assert again.path == first.path and again.path.read_bytes() == b"x"


def test_what_a_killed_process_left_half_kept_goes_after_a_day(house: House) -> None:
    folder = house.data_dir / "evidence"
    folder.mkdir()
    for name, age in (("half-old", 2 * 86_400), ("half-young", 60)):
        (folder / name).write_bytes(b"x")
        moment = clock.now().timestamp() - age
        os.utime(folder / name, (moment, moment))
    assert forget_half_kept(house) == 1
    assert [path.name for path in folder.iterdir()] == ["half-young"]


@pytest.mark.parametrize(
    ("error", "outage"),
    [
        (OSError(errno.ENOSPC, "x"), FULL), (OSError(errno.EROFS, "x"), READ_ONLY), (OSError(errno.ENOENT, "x"), None), (MemoryError(), MEMORY),
        (RuntimeError("can't start new thread"), MEMORY), (RuntimeError("x"), None),
        (ValueError("x"), None), (psycopg.errors.DiskFull(), FULL), (psycopg.OperationalError("could not connect"), AWAY),
        (psycopg.errors.ReadOnlySqlTransaction(), READ_ONLY), (psycopg.errors.AdminShutdown(), AWAY), (psycopg.errors.TooManyConnections(), BUSY),
        (psycopg.errors.InsufficientPrivilege(), RIGHTS), (psycopg.errors.UndefinedTable(), None),
    ],
)  # fmt: skip
def test_errors_are_told_apart(error: Exception, outage: Any) -> None:
    told = OperationalError("", {}, error) if isinstance(error, psycopg.Error) else error
    assert outage_of(told) is outage


def test_sqlite_says_itself_when_it_is_full_or_read_only(tmp_path: Path) -> None:
    one = sqlite3.connect(tmp_path / "x.db", isolation_level=None)
    one.execute("create table t (x)")
    one.execute("pragma max_page_count=2")
    with pytest.raises(sqlite3.OperationalError) as full:
        one.execute("insert into t values (zeroblob(100000))")
    assert outage_of(OperationalError("", {}, full.value)) is FULL
    one.execute("pragma query_only=on")
    with pytest.raises(sqlite3.OperationalError) as read_only:
        one.execute("insert into t values (1)")
    assert outage_of(OperationalError("", {}, read_only.value)) is READ_ONLY
    one.close()


@pytest.mark.only_on("sqlite")
def test_all_connections_together_keep_a_quarter_of_a_gibibyte_of_pages(house: House) -> None:
    pool: Any = house.read_engine.pool
    with house.reading() as session:
        kib = -session.connection().exec_driver_sql("pragma cache_size").scalar_one()
    assert 0 < kib * (pool.size() + pool._max_overflow) <= 256 * 1024
