"""The shell over a record with something in it: check, trace, backup and restore from either database into either."""

import gzip
import hashlib
import json
import os
import subprocess
import sys
import tarfile
import tracemalloc
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
from app.migrate import revisions, upgrade
from app.naming.resolve import Named
from app.settings import Settings
from tests.machines.plant import plant
from tests.machines.test_heat import CURED
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


def test_a_trace_is_of_what_flows_and_of_a_load_that_ran(house: House, run: CliRunner) -> None:
    """Numbers are of a kind: what has the number of the load, the station or the hold among items is another thing."""
    with plant(house, *CURED) as do:
        do.mount("Attach", do.wafer("RD-1"))
        do.mount("Attach", do.batch("GLUE"))
        panels = do.panels(2)
        lot = do.lot(panels, product="P8")
        do.post(f"/runs/{do.start('Attach', lot)}/finish")
        load = do.post("/loads", station=do.at["Kiln"], recipe="E170")["load"]
        do.post(f"/loads/{load}/put", things=[lot], shelf="1")
        assert "is not a run yet" in str(run.invoke(shell, ["trace", load]).exception)
        cure = do.post(f"/loads/{load}/start")["run"]
        hold = do.post("/holds", subject=panels[0], reason="bent frame")["hold"]
        answer = json.loads(run.invoke(shell, ["trace", load, "--json"]).stdout)
        assert (answer["subject"]["code"], {row["code"] for row in answer["panels"]}) == (cure, set(panels))
        for other in (hold, do.at["Kiln"]):
            told = run.invoke(shell, ["trace", other])
            assert told.stdout == "" and isinstance(told.exception, Refused), other


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


@pytest.mark.parametrize("name", ["", "none/all.tar.gz", "a-file/all.tar.gz"])
def test_a_backup_that_can_have_no_place_is_not_begun(house: House, tmp_path: Path, name: str) -> None:
    (tmp_path / "a-file").touch()
    before = sorted(tmp_path.iterdir())
    with pytest.raises(Refused, match="not begun"):
        backup(house, tmp_path / name)
    assert sorted(tmp_path.iterdir()) == before


def test_a_backup_that_is_not_there_is_not_called_damaged(tmp_path: Path) -> None:
    for name in ("none.tar.gz", ""):
        with pytest.raises(Refused, match="There is no backup"):
            verify_archive(tmp_path / name)


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


def crafted(path: Path, *members: tuple[tarfile.TarInfo, bytes], lies: bytes = b"") -> Path:
    """An archive with these members, and a manifest that agrees with each of them; `lies` instead of the manifest."""
    digests = {info.name: hashlib.sha256(content).hexdigest() for info, content in members}
    manifest = lies or json.dumps({"revision": revisions()[0], "digests": digests}).encode()
    with tarfile.open(path, "w:gz") as archive:
        for info, content in (*members, (tarfile.TarInfo("manifest.json"), manifest)):
            info.size = len(content) if info.isreg() and not info.pax_headers else info.size
            archive.addfile(info, BytesIO(content) if info.isreg() else None)
    return path


def member(name: str, kind: bytes = tarfile.REGTYPE, link: str = "", size: int = 0, **pax: str) -> tarfile.TarInfo:
    one = tarfile.TarInfo(name)
    one.type, one.linkname, one.size, one.pax_headers = kind, link, size, {key.replace("_", "."): value for key, value in pax.items()}
    return one


# a file of nothing, as GNU tar has it
HOLES = {"GNU_sparse_major": "1", "GNU_sparse_minor": "0", "GNU_sparse_realsize": str(1 << 40), "GNU_sparse_name": f"evidence/{'a' * 64}"}


ONE, OTHER = f"evidence/{'a' * 64}", f"evidence/{'b' * 64}"


@pytest.mark.parametrize("members", [
    [(member("evidence/../../out", size=1), b"x")], [(member("/out"), b"x")], [(member("tables/../person.jsonl"), b"")], [(member("other"), b"")],
    [(member(ONE, tarfile.SYMTYPE, "/etc/hostname"), b"")], [(member(ONE, tarfile.LNKTYPE, "/etc/hostname"), b"")],
    [(member(OTHER), b"x"), (member(ONE, tarfile.LNKTYPE, OTHER), b"x")],
    [(member(ONE, tarfile.CHRTYPE), b"")], [(member(ONE, tarfile.FIFOTYPE), b"")],
    [(member(ONE), b"x"), (member(ONE), b"x")],
    [(member(ONE, size=512, **HOLES), b"0\n".ljust(512, b"\0"))],
], ids=[
    "steps out", "absolute", "steps in a table", "strange", "symbolic link", "hard link out", "hard link in", "device", "pipe", "twice",
    "a terabyte of holes",
])  # fmt: skip
def test_what_is_no_plain_part_of_a_backup_is_refused(tmp_path: Path, members: list[tuple[tarfile.TarInfo, bytes]]) -> None:
    """Before the shell looked only at what the archive says of itself, and whoever makes one says it as well."""
    with pytest.raises(Refused, match="damaged"):
        verify_archive(crafted(tmp_path / "x.tar.gz", *members))


@pytest.mark.parametrize("kind", [tarfile.XHDTYPE, tarfile.XGLTYPE, tarfile.GNUTYPE_LONGNAME, tarfile.GNUTYPE_LONGLINK, tarfile.GNUTYPE_SPARSE])
def test_what_an_archive_says_of_its_parts_fills_no_memory(tmp_path: Path, kind: bytes) -> None:
    size = 64 << 20
    with gzip.open(tmp_path / "x.tar.gz", "wb", compresslevel=1) as packed:
        if kind == tarfile.GNUTYPE_SPARSE:  # a list of places that never ends
            head = bytearray(member(ONE, kind).tobuf(tarfile.GNU_FORMAT))
            head[482] = 1
            head[148:156] = b" " * 8
            head[148:156] = b"%06o\0 " % sum(head)
            packed.write(head)
            row = b"00000000001\0" * 42
            packed.write((row + b"\x01").ljust(512, b"\0") * (size // 512))
        else:
            packed.write(member(ONE, kind, size=size).tobuf(tarfile.GNU_FORMAT))
            for _ in range(64):
                packed.write(b"1" * (1 << 20))
    tracemalloc.start()
    with pytest.raises(Refused, match="damaged"):
        verify_archive(tmp_path / "x.tar.gz")
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 8 << 20, most


def test_a_manifest_that_is_nested_beyond_bounds_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="damaged"):
        verify_archive(crafted(tmp_path / "x.tar.gz", lies=b"[" * 200_000))


@pytest.mark.parametrize(("name", "lines"), [
    ("nothing", b"{}\n"), ("alembic_version", b"{}\n"), ("person", b"{\n"), ("person", b"[]\n"), ("person", b"[" * 100_000), ("person", b"\xff\n"),
    ("entry", b'{"id":1,"recorded_at":"never"}\n'), ("entry", b'{"id":1,"recorded_at":1}\n'), ("entry", b'{"id":1,"digest":"?"}\n'),
    ("person", b'{"id":1}\n'), ("person", b'{"id":{},"e":1,"name":"x"}\n'),
])  # fmt: skip
def test_rows_that_are_none_are_refused_and_nothing_of_them_stays(fresh_house: Any, tmp_path: Path, name: str, lines: bytes) -> None:
    archive = crafted(tmp_path / "x.tar.gz", (member(f"tables/{name}.jsonl"), lines))
    verify_archive(archive)
    (tmp_path / "there").mkdir()
    with fresh_house(tmp_path / "there") as there:
        with pytest.raises(Refused, match="damaged"):
            restore(there, archive)
        with there.reading() as session:
            assert session.scalar(select(func.count()).select_from(Entry)) == 0
