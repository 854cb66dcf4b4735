"""The shell over a record with something in it: check, trace, backup and restore from either database into either."""

import gzip
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text
from typer.testing import CliRunner

from app.backup import backup, restore, verify_archive
from app.cli import FOUND, shell
from app.db import House
from app.errors import Refused
from app.evidence.keep import keep_file, path_of, record_evidence
from app.genealogy.checks import check
from app.genealogy.trace import trace_back
from app.journal.models import Entry
from app.journal.sealing import has_unsealed
from app.migrate import upgrade
from app.naming.resolve import Named
from app.settings import Settings
from tests.small_factory import Factory


@pytest.fixture
def lot(house: House) -> Named:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    one = factory.lot(factory.panels(2))
    factory.run("Attach", one)
    return one


@pytest.fixture
def run(house: House, monkeypatch: pytest.MonkeyPatch) -> CliRunner:
    monkeypatch.setenv("REELROOT_DATA_DIR", str(house.data_dir))
    monkeypatch.setenv("REELROOT_DATABASE_URL", house.settings.url)
    return CliRunner()


def test_check_says_nothing_of_a_good_record_and_finds_a_bad_one(house: House, lot: Named, run: CliRunner) -> None:
    assert run.invoke(shell, ["check"]).exit_code == 0
    with house.owner_engine.begin() as connection:
        connection.execute(text("update lot set grade = 'prime'"))
    found = run.invoke(shell, ["check"])
    assert found.exit_code == FOUND
    assert "are not as it wrote them" in found.stdout


def test_what_is_not_sealed_yet_is_sealed_when_a_command_ends(house: House, lot: Named, run: CliRunner) -> None:
    with house.reading() as session:
        assert has_unsealed(session)
    assert run.invoke(shell, ["trace", lot.code]).exit_code == 0
    with house.reading() as session:
        assert not has_unsealed(session)


def test_a_process_of_its_own_knows_every_table(house: House, lot: Named) -> None:
    """In this process the tests have mapped every room: only another one shows what the command itself imports."""
    settings = {"REELROOT_DATA_DIR": str(house.data_dir), "REELROOT_DATABASE_URL": house.settings.url}
    done = subprocess.run([sys.executable, "-m", "app", "check"], env=os.environ | settings, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_trace_as_text_and_as_json(house: House, lot: Named, run: CliRunner) -> None:
    shown = run.invoke(shell, ["trace", lot.code])
    assert shown.exit_code == 0, shown.output
    assert "die attach" in shown.stdout
    answer = json.loads(run.invoke(shell, ["trace", lot.code, "--json"]).stdout)
    assert len(answer["panels"]) == 2
    assert answer["runs"][0]["lines"][0]["materials"]


def test_a_backup_restores_into_an_empty_installation_and_numbers_go_on(house: House, fresh_house: Any, lot: Named, tmp_path: Path) -> None:
    archive = backup(house, tmp_path / "all.tar.gz")
    with house.reading() as session:
        before = trace_back(session, lot)
        entries = session.scalar(select(func.count()).select_from(Entry))
    with fresh_house(_folder(tmp_path, "new")) as new:
        restore(new, archive)
        assert list(check(new)) == []
        with new.reading() as session:
            assert trace_back(session, lot) == before
            assert session.scalar(select(func.count()).select_from(Entry)) == entries
        Factory(new).batch("GLUE")  # numbers go on where the old ones end
        with pytest.raises(Refused) as caught:
            restore(new, archive)
    assert caught.value.kind == "changed"


def test_a_lost_file_keeps_nothing_else_from_being_backed_up(house: House, fresh_house: Any, tmp_path: Path) -> None:
    factory = Factory(house).load()
    kept, lost = (keep_file(house, f"{name}.csv", BytesIO(name.encode())) for name in ("kept", "lost"))
    factory.do("receive_wafers", lambda s, by: [record_evidence(s, by, one, "other") for one in (kept, lost)])
    path_of(house, lost.digest).unlink()
    said: list[str] = []
    archive = backup(house, tmp_path / "all.tar.gz", said.append)
    assert "1 file of evidence or unit results could not be backed up" in said[-1]
    with fresh_house(_folder(tmp_path, "new")) as new:
        restore(new, archive)
        assert path_of(new, kept.digest).read_bytes() == b"kept"
        assert lost.digest[:12] in " ".join(map(str, check(new)))


def test_from_sqlite_into_either_database_and_back(fresh_house: Any, tmp_path: Path) -> None:
    with _sqlite(_folder(tmp_path, "first")) as first:
        factory = Factory(first).load()
        lot = factory.lot(factory.panels(2))
        there = backup(first, tmp_path / "there.tar.gz")
    with fresh_house(_folder(tmp_path, "middle")) as middle:
        restore(middle, there)
        back = backup(middle, tmp_path / "back.tar.gz")
    with _sqlite(_folder(tmp_path, "second")) as second:
        restore(second, back)
        assert list(check(second)) == []
        with second.reading() as session:
            assert len(trace_back(session, lot).panels) == 2


def _folder(parent: Path, name: str) -> Path:
    folder = parent / name
    folder.mkdir()
    return folder


@contextmanager
def _sqlite(folder: Path) -> Iterator[House]:
    one = House(Settings(data_dir=folder))
    upgrade(one)
    yield one
    one.dispose()


def test_a_damaged_backup_is_noticed_before_anything_is_written(house: House, lot: Named, tmp_path: Path) -> None:
    archive = backup(house, tmp_path / "all.tar.gz")
    whole = gzip.decompress(archive.read_bytes())
    archive.write_bytes(gzip.compress(whole.replace(b"red attach", b"rad attach")))
    with pytest.raises(Refused) as caught:
        verify_archive(archive)
    assert "damaged" in caught.value.what
    archive.write_bytes(archive.read_bytes()[:-200])
    with pytest.raises(Refused):
        verify_archive(archive)
